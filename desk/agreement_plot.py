"""Difference against mean of reading and reference, one panel a gauge, with bias and limits of agreement."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from core.quantity import COVERAGE_FACTOR
from core.units import MM_PER_INCH
from desk.plot_paper import ACCENT, FAINT, INK, MARKERS, as_file, drawing, sheet, short, zero_line
from inspection.comparison import Comparison, Group, reference_of
from inspection.pairing import Pair

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_PANELS = 6
MOST_BESIDE = 3
MOST_NAMED = 8
WIDEST_ASIDE = 24.0
"""Points of the sheet over which the operators' points of one place are spread."""

DECIMALS = {"mm": 2, "in": 3, "°": 1}
"""Of differences, by the unit they are shown in."""

_TITLES = {"measured": "against the measured value", "modelled": "against the modelled reading"}


def agreement_plot(comparisons: Sequence[Comparison], kind: str = "png", *, units: str = "metric") -> bytes:
    """Draw the comparisons of one quantity, one row of panels a reference, and return the file.

    Parameters
    ----------
    comparisons
        Of one quantity, each with at least one group.
    kind
        "png" or "svg".
    units
        "metric" or "inch".
    """
    rows = [
        (item, panels[first : first + MOST_BESIDE])
        for item in comparisons
        if (panels := _panels(item))
        for first in range(0, len(panels), MOST_BESIDE)
    ]
    columns = max(len(panels) for _, panels in rows)
    scale, unit = display_unit(rows[0][0].unit, units)
    operators = list(dict.fromkeys(pair.reading.operator for _, panels in rows for g in panels for pair in g.pairs))
    with drawing():
        figure = sheet(2.0 + 4.3 * columns, 1.1 + 3.2 * len(rows))
        grid = figure.subplots(len(rows), columns, squeeze=False, sharex=True, sharey="row")
        first_of: dict[str, Axes] = {}
        for axes_row, (item, panels) in zip(grid, rows, strict=True):
            if first_of.setdefault(item.reference, axes_row[0]) is not axes_row[0]:
                axes_row[0].sharey(first_of[item.reference])
            for axes, group in zip(axes_row, panels, strict=False):
                _panel(axes, group, item, operators, scale, unit)
            for axes in axes_row[len(panels) :]:
                axes.set_visible(False)
            axes_row[0].set_ylabel(f"reading − reference, {unit}")
        _widen(grid)
        for axes in grid[-1]:
            axes.set_xlabel(f"mean of reading and reference, {unit}")
        figure.suptitle(
            f"{rows[0][0].label}: hand readings{_left_out(rows[0][0], operators)}",
            x=0.01,
            ha="left",
            fontsize=11,
            fontweight="bold",
        )
        figure.legend(
            handles=_legend(operators),
            loc="outside lower left",
            ncols=2 if columns == 1 else 3,
            frameon=False,
            fontsize=8,
        )
        return as_file(figure, kind)


def display_unit(unit: str, units: str) -> tuple[float, str]:
    """Return the factor from the unit of a value to that of the screen, and its sign."""
    if unit == "deg":
        return 1.0, "°"
    return (1 / MM_PER_INCH, "in") if units == "inch" else (1.0, unit)


def signed(value: float, unit: str) -> str:
    """Return a difference with its sign and as many decimals as its unit asks for, the same in table and plot."""
    text = f"{value:+.{DECIMALS.get(unit, 2)}f}"
    return text.replace("-", "−") if float(text) else text.lstrip("+-")


def _widen(grid: Any) -> None:
    """Give the sizes at least the span of the differences: a single size is no wide field."""
    low, high = grid[0][0].get_xlim()
    span = max(top - bottom for row in grid for bottom, top in [row[0].get_ylim()])
    if high - low < span:
        middle = (low + high) / 2
        grid[0][0].set_xlim(middle - span / 2, middle + span / 2)


def _left_out(item: Comparison, operators: Sequence[str]) -> str:
    gauges = {group.gauge for group in item.groups} - {None}
    cut = []
    if len(gauges) > MOST_PANELS:
        cut.append(f"the first {MOST_PANELS} of {len(gauges)} gauges")
    if len(operators) > MOST_NAMED:
        cut.append(f"{MOST_NAMED} of {len(operators)} operators named")
    return f" ({', '.join(cut)})" if cut else ""


def _panels(item: Comparison) -> list[Group]:
    """Return one group a gauge: that of all its operators."""
    widest: dict[str, Group] = {}
    for group in item.groups:
        if group.gauge is not None:
            widest[group.gauge] = group  # the one of all operators comes last
    return list(widest.values())[:MOST_PANELS]


def _panel(axes: Axes, group: Group, item: Comparison, operators: Sequence[str], scale: float, unit: str) -> None:
    found = group.agreement
    few = ": too few for limits" if found.lower is None else ""
    axes.set_title(f"{short(group.gauge or '')}, {_TITLES[item.reference]}, n = {found.n}{few}", loc="left")
    zero_line(axes)
    if found.own is not None:
        reach = COVERAGE_FACTOR * found.own.expected_std * scale
        axes.axhspan(-reach, reach, facecolor="none", edgecolor=FAINT, hatch="//////", linewidth=0, zorder=0)
    axes.axhline(found.bias * scale, color=ACCENT, linewidth=1.6, zorder=2)
    half = 0.0 if found.bias_interval is None else (found.bias_interval[1] - found.bias) * scale
    _name(axes, found.bias * scale, half, ACCENT, unit)
    for bound in (found.lower, found.upper):
        if bound is not None:
            axes.axhline(bound.value * scale, color=INK, linewidth=1.0, dashes=(6, 3), zorder=2)
            _name(axes, bound.value * scale, (bound.high - bound.value) * scale, INK, unit)
    for number, operator in enumerate(operators):
        own = [pair for pair in group.pairs if pair.reading.operator == operator]
        _points(axes, own, item, number, _beside(number, len(operators)), scale)
    axes.margins(x=0.12, y=0.12)


def _points(axes: Axes, pairs: Sequence[Pair], item: Comparison, number: int, aside: float, scale: float) -> None:
    """Draw the readings of one operator, each place once, with how often it was met."""
    from matplotlib.transforms import offset_copy

    met = Counter(
        (round((pair.reading.value + other) / 2 * scale, 6), round((pair.reading.value - other) * scale, 6))
        for pair in pairs
        if (other := reference_of(pair, item.reference)) is not None
    )
    # A little beside each other, so that two people who read the same are both seen.
    beside = offset_copy(axes.transData, fig=axes.get_figure(root=True), x=aside, y=0, units="points")
    places = list(met)
    axes.plot([x for x, _ in places], [y for _, y in places], transform=beside, zorder=4, **_marker(number))  # type: ignore[arg-type]
    for (x, y), times in met.items():
        if times > 1:
            above = 5 if number % 2 == 0 else -5
            axes.annotate(
                f"×{times}",
                (x, y),
                xytext=(aside, above),
                textcoords="offset points",
                ha="center",
                va="bottom" if above > 0 else "top",
                fontsize=7.5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
                zorder=3,
            )
    axes.update_datalim(places)


def _beside(number: int, operators: int) -> float:
    """Return how far an operator's points are moved aside, in points of the sheet: no two operators alike."""
    return min(6.0, WIDEST_ASIDE / max(operators - 1, 1)) * (number - (operators - 1) / 2)


def _name(axes: Axes, height: float, half: float, colour: str, unit: str) -> None:
    """Write the figure of a line beyond its right end, with a bar for its confidence interval."""
    across = axes.get_yaxis_transform()
    if half > 0:
        axes.errorbar(
            [1.02 if colour == ACCENT else 1.045],
            [height],
            yerr=[half],
            transform=across,
            fmt="none",
            ecolor=colour,
            elinewidth=0.9,
            capsize=3,
            capthick=0.9,
            clip_on=False,
        )
        axes.update_datalim([(0.0, height - half), (0.0, height + half)], updatex=False)
    text = signed(height, unit)
    axes.text(1.065, height, text, transform=across, ha="left", va="center", color=colour, fontsize=8)


def _marker(number: int) -> dict[str, object]:
    return {
        "linestyle": "none",
        "marker": MARKERS[number // 2 % len(MARKERS)] if number % 2 == 0 else MARKERS[(number // 2 + 1) % len(MARKERS)],
        "markersize": 5.5,
        "markeredgecolor": INK,
        "markerfacecolor": INK if number % 2 == 0 else "white",
    }


def _legend(operators: Sequence[str]) -> list[object]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    people = [Line2D([], [], label=short(name), **_marker(n)) for n, name in enumerate(operators[:MOST_NAMED])]  # type: ignore[arg-type]
    bar = Line2D([], [], color=INK, linewidth=0.9, marker="|", markersize=7, label="95 % confidence of bias and limits")
    return [
        *people,
        Line2D([], [], color=ACCENT, linewidth=1.6, label="bias"),
        Line2D([], [], color=INK, linewidth=1.0, dashes=(6, 3), label="limits of agreement, bias ± 1.96 s"),
        bar,
        Patch(
            facecolor="none",
            edgecolor=FAINT,
            hatch="//////",
            linewidth=0,
            label="what ± U of the measured values explains",
        ),
    ]
