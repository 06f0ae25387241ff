"""A scanned seam drawn in plan: the chosen values along its length, limits, gaps and the worst places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from core.units import MM_PER_INCH
from criteria.judge import OFFSETS
from desk.limit_lines import label_lines, limit_lines
from desk.plot_paper import ACCENT, FAINT, INK, as_file, drawing, sheet, short
from inspection.seam_summary import Columns, Threshold, runs
from inspection.seam_unlike import unlike_neighbours
from measurement.names import LABELS, SIGNED

if TYPE_CHECKING:
    from matplotlib.axes import Axes

USUAL = {
    "groove": ("root_gap", "groove_angle", "root_face", "misalignment"),
    "butt": ("reinforcement", "cap_width", "misalignment", "undercut"),
    "fillet": ("leg", "throat", "convexity", "undercut"),
}
LEAST_COUNTS = (
    "leg",
    "size",
    "throat",
    "design_throat",
    "reinforcement",
    "root_face",
    "cap_width",
    "toe_angle",
    "toe_radius",
)
"""Of these the least value along a seam is marked where no limit tells otherwise, of all others the greatest."""

PALE = "#eef0f2"
DECIMALS = {"in": 3, "°": 1}
MOST_PANELS = 7
WIDTH_IN, HEIGHT_IN = 11.0, 1.55
"""Of the sheet, and of a panel with what stands about it."""

MOST_MARKERS = 150
SIGNS_A_LINE = 4
_UNITS = {"mm": "mm", "deg": "°", "mm2": "mm²"}


@dataclass(frozen=True, slots=True)
class _Panel:
    """Values that share one pair of axes: both sides of one quantity, with the limits that hold for them.

    ``least`` tells that the least of them is the worst.
    """

    group: str
    names: tuple[str, ...]
    limits: tuple[tuple[float, str], ...]
    least: bool


@dataclass(frozen=True, slots=True)
class _Scale:
    """Factor and symbol from the unit of a value to that of the drawing."""

    factor: float
    symbol: str


def seam_view(columns: Columns, content: dict[str, Any], *, units: str = "metric") -> bytes:
    """Return the plan view of a seam as PNG.

    Parameters
    ----------
    content
        The seam document, with or without its sections.
    """
    found = _panels(columns, content)
    panels, left = found[:MOST_PANELS], [panel.group for panel in found[MOST_PANELS:] if panel.limits]
    along = _scale("mm", units)
    places = columns.places() * along.factor
    with drawing():
        figure = sheet(WIDTH_IN, 1.65 + HEIGHT_IN * max(len(panels), 1))
        rows = figure.subplots(
            1 + len(panels), 1, sharex=True, squeeze=False, height_ratios=(0.22, *(1.0 for _ in panels))
        )[:, 0]
        half = columns.pitch_mm * along.factor / 2
        _strip(rows[0], columns, content, places, half, along, left)
        for axes, panel in zip(rows[1:], panels, strict=True):
            _draw(axes, panel, columns, content, places, units)
        for axes in rows:
            _gaps(axes, content, half, along)
            margin = max(half, 0.006 * (places[-1] - places[0]))
            axes.set_xlim(places[0] - margin, places[-1] + margin)
        rows[-1].set_xlabel(f"position along the seam, {along.symbol}")
        figure.align_ylabels(rows[1:])
        return as_file(figure, "png")


def for_screen(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Return a frame, grey or blue, green, red of 8 or 16 bits, as (H, W, 3) red, green, blue of 8 bits."""
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    colour = np.atleast_3d(eight)
    colour = np.repeat(colour[..., :1], 3, axis=2) if colour.shape[2] < 3 else colour[..., 2::-1]
    return np.ascontiguousarray(colour)


def _panels(columns: Columns, content: dict[str, Any]) -> list[_Panel]:
    """Choose what is drawn: what has a limit first, the weightiest before, then what is usual for the joint."""
    limits: dict[str, list[tuple[float, str]]] = {}
    ends: dict[str, set[str]] = {}
    weights: dict[str, int] = {}
    for item in content["over"]:
        for limit in _either_side(item["quantity"], item["limit"]):
            limits.setdefault(_group(item["quantity"]), []).append((limit, "threshold"))
        ends.setdefault(_group(item["quantity"]), set()).add("upper")
        weights[_group(item["quantity"])] = 0
    for item in content.get("outcomes", ()):
        group = _group(item["quantity"])
        weights[group] = min(weights.get(group, 9), _weight(item))
        for end in ("upper", "lower"):
            value = item[end]
            if value is not None:
                ends.setdefault(group, set()).add(end)
                memory = " (from memory)" if item.get("verified") == "from memory" else ""
                label = f"{short(item['criterion'], 34)}{memory}"
                for limit in _either_side(item["quantity"], value) if end == "upper" else (value,):
                    limits.setdefault(_group(item["quantity"]), []).append((limit, label))
    joints = content["joints"]
    main = max(joints, key=lambda joint: joints[joint], default="tee")
    first = sorted(limits, key=lambda group: weights[group])
    groups = dict.fromkeys((*first, *USUAL.get(main, USUAL["fillet"])))
    found = []
    for group in groups:
        names = [name for name in (group, f"{group}_left", f"{group}_right") if name in columns.values]
        names = [name for name in names if np.isfinite(columns.of(name)).any()]
        if names:
            # What it is limited by tells which is the worse, else what it usually is limited by.
            least = ends[group] == {"lower"} if len(ends.get(group, ())) == 1 else group in LEAST_COUNTS
            found.append(_Panel(group, tuple(names), tuple(dict.fromkeys(limits.get(group, ()))), least))
    return found


def _either_side(name: str, limit: float) -> tuple[float, ...]:
    """Return where an upper limit is drawn: that of an offset holds to either side."""
    return (limit, -limit) if name in OFFSETS and limit else (limit,)


def _weight(item: dict[str, Any]) -> int:
    """Return how soon a limit is drawn: not met or undecided, the drawing's own, a published one, a plain nought."""
    if item.get("does_not_meet") or item.get("undecided"):
        return 1
    if item.get("verified") == "given":
        return 2
    return 4 if item["upper"] == 0 or (item["upper"] is None and item["lower"] is None) else 3


def _group(name: str) -> str:
    return name.removesuffix("_left").removesuffix("_right")


def _strip(
    axes: Axes,
    columns: Columns,
    content: dict[str, Any],
    places: NDArray[np.float64],
    half: float,
    along: _Scale,
    left: Sequence[str],
) -> None:
    """Draw the seam itself: measured, over a threshold, gap; ``left`` have a limit and found no room."""
    axes.axis("off")
    axes.set_ylim(0, 1)
    seen = np.ones(len(columns), bool)
    seen[list(columns.errors)] = False
    for first, last in runs(seen):
        axes.axvspan(
            places[first] - half, places[last - 1] + half, 0.25, 0.75, facecolor="white", edgecolor=INK, lw=0.8
        )
    for first, last in runs(_over(columns, content)):
        axes.axvspan(
            places[first] - half, places[last - 1] + half, 0.25, 0.75, facecolor=ACCENT, edgecolor=ACCENT, lw=0.8
        )
    length = f"{columns.length_mm * along.factor:.4g} {along.symbol}"
    path = short(content["source"]["path"], 60)
    parts = [f"{path}: {len(columns)} sections over {length}, {int(seen.sum())} measured"]
    if not content["complete"]:
        parts.append("NOT COMPLETE: the scan was stopped")
    filled = ["over a threshold"] if content["over"] else []
    filled += ["a limit is not met"] if "outcomes" in content else []
    signs = [f"filled: {' or '.join(filled)}"] if filled else []
    signs += ["hatched: nothing measured"] if content["gaps"] else []
    signs += ["grey: expanded uncertainty", "ringed: worst of each value"]
    if any(unlike_neighbours(columns, name) for name in columns.values):
        signs += ["diamond: unlike the sections on both sides"]
    if content["worst"] is not None:
        signs.append(
            f"upright line: worst section, at {content['worst']['position_mm'] * along.factor:.4g} {along.symbol}"
        )
    if left:
        signs.append(f"not drawn: {', '.join(group.replace('_', ' ') for group in left)}")
    lines = (parts, signs[:SIGNS_A_LINE], signs[SIGNS_A_LINE:])
    axes.set_title("\n".join("; ".join(line) for line in lines if line), loc="left")


def _over(columns: Columns, content: dict[str, Any]) -> NDArray[np.bool_]:
    where = np.zeros(len(columns), bool)
    for item in content["over"]:
        where |= columns.over(Threshold(item["quantity"], item["limit"]))
    places, half = columns.places(), columns.pitch_mm / 2
    for item in content.get("outcomes", ()):
        for first, last in item.get("does_not_meet_at_mm", ()):
            where |= (places > first - half) & (places < last + half)
    return where


def _gaps(axes: Axes, content: dict[str, Any], half: float, along: _Scale) -> None:
    for gap in content["gaps"]:
        start, stop = gap["from_mm"] * along.factor - half, gap["to_mm"] * along.factor + half
        axes.axvspan(start, stop, facecolor=PALE, edgecolor=PALE, linewidth=0.8, zorder=0)
        axes.axvspan(start, stop, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0.0, zorder=0)


def _draw(
    axes: Axes, panel: _Panel, columns: Columns, content: dict[str, Any], places: NDArray[np.float64], units: str
) -> None:
    scale = _scale(LABELS[panel.names[0]].unit, units)
    single = len(panel.names) == 1
    for number, name in enumerate(panel.names):
        values = columns.of(name) * scale.factor
        _band(axes, columns, name, places, scale)
        side = name.rpartition("_")[2]
        marker = None if len(columns) > MOST_MARKERS else ("o", "s", "^")[number]
        axes.plot(
            places, values, color=INK, linewidth=1.0, linestyle=("-", "--", ":")[number], marker=marker, markersize=3.2,
            markerfacecolor=INK if number == 0 else "white", label=None if single else side, zorder=3,
        )  # fmt: skip
        _mark_over(axes, name, columns, content, places, values)
        unlike = unlike_neighbours(columns, name)
        axes.plot(
            places[unlike], values[unlike], linestyle="none", marker="D", markersize=7, markerfacecolor="none",
            color=INK, zorder=5,
        )  # fmt: skip
    _mark_extreme(axes, panel, columns, places, scale)
    values = np.concatenate([columns.of(name) for name in panel.names]) * scale.factor
    lines = limit_lines(axes, panel.limits, values, scale.factor)
    worst = content["worst"]
    if worst is not None:
        axes.axvline(worst["position_mm"] * _scale("mm", units).factor, color=ACCENT, linewidth=0.7, zorder=1)
    axes.set_ylabel(f"{panel.group.replace('_', ' ')}, {scale.symbol}")
    axes.margins(y=0.25)
    _least_span(axes, {"mm": 0.3, "deg": 3.0}.get(LABELS[panel.names[0]].unit, 1.0) * scale.factor)
    label_lines(axes, lines, high_pt=HEIGHT_IN * 72, wide_pt=WIDTH_IN * 72)
    if not single:
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.05), frameon=False, fontsize=8)


def _band(axes: Axes, columns: Columns, name: str, places: NDArray[np.float64], scale: _Scale) -> None:
    """Draw the expanded uncertainty about values; a large one is cut off and presses them not flat."""
    values = columns.of(name)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    reach = max(0.5 * (high - low), 0.05 * abs(high), 0.1)
    expanded = np.nan_to_num(np.array(columns.expanded[name]))
    least = low - reach if name in SIGNED else max(low - reach, 0.0)
    lower, upper = np.maximum(values - expanded, least), np.minimum(values + expanded, high + reach)
    axes.fill_between(
        places, lower * scale.factor, upper * scale.factor, facecolor=FAINT, edgecolor="none", alpha=0.3, zorder=2
    )


def _least_span(axes: Axes, span: float) -> None:
    """Keep noise that is far below what matters from filling the sheet."""
    low, high = axes.get_ylim()
    if high - low < span:
        middle = max((low + high) / 2, 0.3 * span) if low > -0.2 * span else (low + high) / 2
        axes.set_ylim(middle - span / 2, middle + span / 2)


def _mark_over(
    axes: Axes,
    name: str,
    columns: Columns,
    content: dict[str, Any],
    places: NDArray[np.float64],
    values: NDArray[np.float64],
) -> None:
    limits = [item["limit"] for item in content["over"] if item["quantity"] == name]
    if limits:
        above = columns.over(Threshold(name, min(limits)))
        axes.plot(places[above], values[above], linestyle="none", marker="o", markersize=4.2, color=ACCENT, zorder=4)


def _mark_extreme(axes: Axes, panel: _Panel, columns: Columns, places: NDArray[np.float64], scale: _Scale) -> None:
    """Ring the worst value of a panel and write it beside."""
    sign = -1.0 if panel.least else 1.0
    name = max(panel.names, key=lambda name: float(np.nanmax(sign * columns.sizes(name))))
    values = columns.of(name)
    if np.nanmax(values) == np.nanmin(values):
        return
    at = int(np.nanargmax(sign * columns.sizes(name)))
    sign = -1.0 if values[at] < 0 else sign
    share = (places[at] - places[0]) / max(places[-1] - places[0], 1e-9)
    sideways = "left" if share < 0.03 else "right" if share > 0.97 else "center"
    here = (places[at], values[at] * scale.factor)
    axes.plot(*here, linestyle="none", marker="o", markersize=9, markerfacecolor="none", color=ACCENT, zorder=5)
    axes.annotate(
        f"{values[at] * scale.factor:.{DECIMALS.get(scale.symbol, 2)}f}", here, xytext=(0, 8 * sign),
        textcoords="offset points", ha=sideways, va="bottom" if sign > 0 else "top", color=ACCENT, fontsize=8,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8}, zorder=6,
    )  # fmt: skip


def _scale(unit: str, units: str) -> _Scale:
    if units == "inch" and unit == "mm":
        return _Scale(1 / MM_PER_INCH, "in")
    if units == "inch" and unit == "mm2":
        return _Scale(1 / MM_PER_INCH**2, "in²")
    return _Scale(1.0, _UNITS.get(unit, "%"))
