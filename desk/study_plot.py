"""A study of repeatability and reproducibility drawn: readings by part and operator, and where the variation is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from desk.agreement_plot import display_unit
from desk.plot_paper import ACCENT, FAINT, INK, MARKERS, as_file, drawing, sheet, short
from inspection.study import LABELS, Evaluation
from inspection.study_design import Design

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_PARTS = 40
MOST_OPERATORS = 6
_LINES = ("-", "--", ":", "-.")


def study_plot(
    design: Design, found: Evaluation, kind: str = "png", *, tolerance: float | None = None, units: str = "metric"
) -> bytes:
    """Draw readings and components of a study and return the file ("png" or "svg").

    ``tolerance`` is the width of the tolerance in the unit of the readings.
    """
    scale, unit = display_unit(design.unit, units)
    with drawing():
        figure = sheet(11.0, 4.6)
        readings, components = figure.subplots(1, 2, width_ratios=(1.9, 1.0))
        _readings(readings, design, scale, unit)
        _components(components, found, tolerance)
        return as_file(figure, kind)


def _readings(axes: Axes, design: Design, scale: float, unit: str) -> None:
    parts, operators = design.parts[:MOST_PARTS], design.operators[:MOST_OPERATORS]
    offsets = np.linspace(-0.26, 0.26, len(operators)) if len(operators) > 1 else np.zeros(1)
    places = np.arange(len(parts))
    for number, (operator, offset) in enumerate(zip(operators, offsets, strict=True)):
        values = design.values[: len(parts), number] * scale
        centre = values.mean(axis=1)
        axes.vlines(places + offset, values.min(axis=1), values.max(axis=1), color=FAINT, linewidth=1.2, zorder=2)
        axes.plot(
            np.repeat(places + offset, values.shape[1]),
            values.ravel(),
            linestyle="none",
            marker="_",
            markersize=5,
            color=INK,
            zorder=3,
        )
        axes.plot(
            places + offset,
            centre,
            linestyle=_LINES[number % len(_LINES)],
            linewidth=0.9,
            marker=MARKERS[number % len(MARKERS)],
            markersize=5,
            markerfacecolor=INK if number == 0 else "white",
            color=ACCENT if number == 0 else INK,
            markeredgecolor=INK,
            label=short(operator),
            zorder=4,
        )
    axes.set_xticks(places, [short(part, 12) for part in parts], rotation=90 if len(parts) > 14 else 0)
    cut = f" (the first {len(parts)} of {len(design.parts)})" if len(parts) < len(design.parts) else ""
    axes.set_xlabel(f"part{cut}")
    axes.set_ylabel(f"reading, {unit}" if unit else "reading")
    who = f" (the first {len(operators)} of {len(design.operators)})" if len(operators) < len(design.operators) else ""
    axes.set_title(f"readings by part and operator{who}: mean, and each reading", loc="left")
    axes.legend(loc="best", frameon=False, fontsize=8, title="operator")


def _components(axes: Axes, found: Evaluation, tolerance: float | None) -> None:
    codes = list(found.spreads)
    series = [("% of total variation", [100 * (found.share(code) or 0.0) for code in codes], INK, "")]
    series.append(("% of variance", [100 * (found.contribution(code) or 0.0) for code in codes], "white", ""))
    if tolerance is not None:
        shares = [100 * found.share_of(code, tolerance) for code in codes]
        series.append(("% of tolerance", shares, "white", "////"))
    # What parts take of a tolerance may be many times what anybody asks for: it is cut off, and its figure told.
    edge = 1.35 * max(100.0, *(value for _, values, _, _ in series for value in values[:-2]))
    height = 0.8 / len(series)
    places = np.arange(len(codes))
    for number, (label, values, face, hatch) in enumerate(series):
        at = places - 0.4 + height * (number + 0.5)
        axes.barh(at, values, height * 0.86, facecolor=face, edgecolor=INK, hatch=hatch, linewidth=0.8, label=label)
        for place, value in zip(at, values, strict=True):
            cut = value > edge
            axes.annotate(
                f"{value:.1f} »" if cut else f"{value:.1f}", (min(value, edge), place), xytext=(-4 if cut else 3, 0),
                textcoords="offset points", va="center", ha="right" if cut else "left", fontsize=7.5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0} if cut else None,
            )  # fmt: skip
    axes.set_yticks(places, [f"{LABELS[code]} ({code})" for code in codes])
    axes.invert_yaxis()
    axes.set_xlim(0, edge)
    axes.set_xlabel("%")
    axes.set_title(f"components, {found.method}", loc="left")
    axes.legend(
        loc="upper center", bbox_to_anchor=(0.35, -0.11), ncols=3, frameon=False, fontsize=8, handlelength=1.5,
        columnspacing=1.0,
    )  # fmt: skip
