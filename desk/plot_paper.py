"""The sheet that plots are drawn on: dark on light, one accent, lines and markers before colours."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1f2328"
FAINT = "#9aa0a6"
ACCENT = "#c83c00"
MARKERS = ("o", "s", "^", "D", "v", "P")
FORMATS = ("png", "svg")
_SETTINGS: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.titlesize": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.direction": "in",
    "ytick.direction": "in",
    "hatch.linewidth": 0.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "toeline",
}


@contextmanager
def drawing() -> Iterator[None]:
    """Hold the look of the sheet while something is drawn."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    import matplotlib

    with matplotlib.rc_context(_SETTINGS), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        yield


def sheet(width_in: float, height_in: float) -> Figure:
    """Return an empty figure that belongs to no window."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), facecolor="white", layout="constrained")


def as_file(figure: Figure, kind: str) -> bytes:
    """Return a figure as the bytes of a "png" or "svg" file, the same for the same figure."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    target = io.BytesIO()
    if kind == "svg":
        FigureCanvasSVG(figure)
        figure.savefig(target, format="svg", metadata={"Date": None})
    else:
        FigureCanvasAgg(figure)
        figure.savefig(target, format="png", dpi=150)
    return target.getvalue()


def short(text: str, length: int = 28) -> str:
    """Return a name cut to a length that a plot has room for."""
    return text if len(text) <= length else text[: length - 1] + "…"


def zero_line(axes: Axes) -> None:
    """Draw the line on which both agree."""
    axes.axhline(0.0, color=FAINT, linewidth=0.8, zorder=1)
