"""Repeatability and reproducibility of a gauge: parts crossed with operators, each part read several times by each.

Two methods: analysis of variance with random parts and operators, and averages and ranges. Both after the
worksheets in common use (measurement systems analysis, fourth edition, chapter III); intervals after
F. A. Graybill and C.-M. Wang, "Confidence intervals on nonnegative linear combinations of variances", JASA 75
(1980) 869-873, and J. S. Williams, "A confidence interval for variance components", Biometrika 49 (1962) 278-281.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from inspection.ranges import one_range_divisor, range_moments, upper_range_factor
from inspection.study_design import Design
from inspection.variance import Line, crossed, one_way, pooled

CONFIDENCE = 0.95
POOL_ABOVE = 0.05
"""The interaction counts as repeatability when its p is above this."""

DISTINCT = 1.41
"""Categories told apart = this times part variation over gauge variation, cut to a whole number."""

TOLERANCE_SPREAD = 6.0
"""Standard deviations of the gauge that are set against the width of the tolerance (99.7 % of normal readings)."""

TOO_COARSE = (
    "whoever read a part again read the same: the steps of the gauge hide how well it repeats, which is not 0; "
    "read between its marks, or take a finer one"
)

LABELS = {
    "EV": "repeatability",
    "AV": "operators",
    "INT": "operator by part",
    "GRR": "gauge and people",
    "PV": "parts",
    "TV": "total",
}


Terms = list[tuple[float, Line]]
"""A variance as a sum of mean squares, each with its factor."""


@dataclass(frozen=True, slots=True)
class Spread:
    """One source of variation as a standard deviation, with its 95 % confidence interval where there is one."""

    code: str
    std: float
    interval: tuple[float, float] | None = None

    @property
    def variance(self) -> float:
        """The standard deviation squared."""
        return self.std**2


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What one method makes of a study.

    Attributes
    ----------
    spreads
        By code: EV, AV and INT where there are several operators, GRR, PV, TV.
    notes
        What was done that a reader must know: pooled, set to 0, not evaluated.
    """

    method: str
    spreads: dict[str, Spread]
    notes: tuple[str, ...]

    def share(self, code: str) -> float | None:
        """Return a standard deviation as a share of the total, None when nothing varies."""
        total = self.spreads["TV"].std
        return self.spreads[code].std / total if total > 0 else None

    def contribution(self, code: str) -> float | None:
        """Return a variance as a share of the total variance, None when nothing varies."""
        share = self.share(code)
        return None if share is None else share**2

    def share_of(self, code: str, tolerance: float) -> float:
        """Return six standard deviations as a share of the width of a tolerance."""
        return TOLERANCE_SPREAD * self.spreads[code].std / tolerance

    @property
    def categories(self) -> float | None:
        """How many groups of parts the gauge tells apart, not cut; None when the gauge shows no variation."""
        gauge = self.spreads["GRR"].std
        return DISTINCT * self.spreads["PV"].std / gauge if gauge > 0 else None


@dataclass(frozen=True, slots=True)
class VarianceStudy(Evaluation):
    """Analysis of variance: ``lines`` as first found, ``pooled_lines`` once the interaction was pooled."""

    lines: tuple[Line, ...]
    pooled_lines: tuple[Line, ...] | None


@dataclass(frozen=True, slots=True)
class RangeStudy(Evaluation):
    """Averages and ranges.

    Attributes
    ----------
    operator_ranges, mean_range
        Mean range of the repeats of each operator, and of all.
    operator_difference, part_range
        Between the largest and the smallest mean of an operator, and of a part.
    upper_range_limit
        Control limit of a range; the cells beyond it are in ``beyond`` as (part, operator).
    """

    operator_ranges: tuple[float, ...]
    mean_range: float
    operator_difference: float
    part_range: float
    upper_range_limit: float
    beyond: tuple[tuple[str, str], ...]


def study_by_variance(design: Design, *, pool_above: float = POOL_ABOVE) -> VarianceStudy:
    """Evaluate a study by analysis of variance; with one operator, parts and repeatability alone."""
    if len(design.operators) == 1:
        return _one_operator(design)
    parts, operators, trials = design.values.shape
    lines = crossed(design.values)
    part, operator, interaction, error = lines
    p = interaction.p if interaction.p is not None else (1.0 if interaction.sum_of_squares == 0 else 0.0)
    terms: dict[str, Terms]
    pooled_lines = None
    if p > pool_above:
        part, operator, error = pooled_lines = pooled(*lines)
        notes = [f"the interaction is not significant (p = {p:.3f} > {pool_above:g}) and counts as repeatability"]
        terms = {"EV": [(1.0, error)], "AV": _difference(operator, error, parts * trials)}
        against = error
    else:
        told = f"p = {p:.3f}" if p >= 0.001 else "p < 0.001"
        notes = [f"the interaction is significant ({told}): operators differ from part to part"]
        terms = {
            "EV": [(1.0, error)],
            "AV": _difference(operator, interaction, parts * trials),
            "INT": _difference(interaction, error, trials),
        }
        against = interaction
    if error.mean_square == 0:
        notes.append(TOO_COARSE)
    terms["PV"] = _difference(part, against, operators * trials)
    variances = _without_negative(terms, notes)
    gauge = _sum(terms[code] for code in ("EV", "AV", "INT") if code in terms)
    total = _sum([gauge, terms["PV"]])
    spreads = {code: Spread(code, math.sqrt(value), _interval(terms[code])) for code, value in variances.items()}
    return VarianceStudy("analysis of variance", _with_sums(spreads, gauge, total), tuple(notes), lines, pooled_lines)


def study_by_ranges(design: Design) -> RangeStudy:
    """Evaluate a study by averages and ranges; the constants are exact for any numbers of parts and operators."""
    parts, operators, trials = design.values.shape
    ranges = np.ptp(design.values, axis=2)
    mean_range = float(ranges.mean())
    repeatability = mean_range / range_moments(trials)[0]
    part_range = float(np.ptp(design.values.mean(axis=(1, 2))))
    part_std = part_range / one_range_divisor(parts)
    spreads, notes, difference = {"EV": Spread("EV", repeatability)}, [], 0.0
    if operators > 1:
        difference = float(np.ptp(design.values.mean(axis=(0, 2))))
        square = (difference / one_range_divisor(operators)) ** 2 - repeatability**2 / (parts * trials)
        if square < 0:
            notes.append("the variance of operators came out negative and is set to 0")
        spreads["AV"] = Spread("AV", math.sqrt(max(square, 0.0)))
    else:
        notes.append("one operator: the variation between people is not evaluated")
    gauge = math.hypot(*(spread.std for spread in spreads.values()))
    spreads |= {
        "GRR": Spread("GRR", gauge),
        "PV": Spread("PV", part_std),
        "TV": Spread("TV", math.hypot(gauge, part_std)),
    }
    limit = upper_range_factor(trials) * mean_range
    beyond = tuple((design.parts[i], design.operators[j]) for i, j in np.argwhere(ranges > limit * (1 + 1e-12)))
    by_operator = tuple(float(value) for value in ranges.mean(axis=0))
    return RangeStudy(
        "averages and ranges", spreads, tuple(notes), by_operator, mean_range, difference, part_range, limit, beyond
    )


def _one_operator(design: Design) -> VarianceStudy:
    part, error = one_way(design.values[:, 0, :])
    notes = ["one operator: the variation between people is not evaluated"]
    if error.mean_square == 0:
        notes.append(TOO_COARSE)
    terms = {"EV": [(1.0, error)], "PV": _difference(part, error, design.values.shape[2])}
    variances = _without_negative(terms, notes)
    spreads = {code: Spread(code, math.sqrt(value), _interval(terms[code])) for code, value in variances.items()}
    gauge = terms["EV"]
    sums = _with_sums(spreads, gauge, _sum([gauge, terms["PV"]]))
    return VarianceStudy("analysis of variance", sums, tuple(notes), (part, error), None)


def _difference(line: Line, against: Line, divisor: int) -> Terms:
    return [(1 / divisor, line), (-1 / divisor, against)]


def _sum(parts: Iterable[Terms]) -> Terms:
    """Add sums of mean squares, each line once."""
    factors: dict[str, tuple[float, Line]] = {}
    for terms in parts:
        for factor, line in terms:
            before = factors.get(line.source, (0.0, line))[0]
            factors[line.source] = (before + factor, line)
    return list(factors.values())


def _value(terms: Terms) -> float:
    return sum(factor * line.mean_square for factor, line in terms)


def _without_negative(terms: dict[str, Terms], notes: list[str]) -> dict[str, float]:
    variances = {}
    for code, parts in terms.items():
        value = _value(parts)
        scale = sum(abs(factor) * line.mean_square for factor, line in parts)
        if value < -1e-12 * scale:
            notes.append(f"the variance of {LABELS[code]} came out negative and is set to 0")
        variances[code] = max(value, 0.0)
    return variances


def _with_sums(spreads: dict[str, Spread], gauge: Terms, total: Terms) -> dict[str, Spread]:
    """Add GRR and TV, of the parts as reported; put them in the order of the tables."""
    variance = sum(spread.variance for code, spread in spreads.items() if code != "PV")
    all_of_it = variance + spreads["PV"].variance
    found = spreads | {
        "GRR": Spread("GRR", math.sqrt(variance), _around(_interval(gauge), math.sqrt(variance))),
        "TV": Spread("TV", math.sqrt(all_of_it), _around(_interval(total), math.sqrt(all_of_it))),
    }
    return {code: found[code] for code in LABELS if code in found}


def _around(interval: tuple[float, float], value: float) -> tuple[float, float]:
    """Widen an interval so that it holds its value: a part set to 0 may have moved the value out."""
    return min(interval[0], value), max(interval[1], value)


def _interval(terms: Terms) -> tuple[float, float]:
    """Return the confidence interval of the standard deviation that a sum of mean squares gives."""
    low, high = _williams(terms) if any(factor < 0 for factor, _ in terms) else _graybill_wang(terms)
    return math.sqrt(max(low, 0.0)), math.sqrt(max(high, 0.0))


def _graybill_wang(terms: Terms) -> tuple[float, float]:
    """Interval of a sum without negative factors; exact for a single mean square."""
    from scipy.special import chdtri

    tail = (1 - CONFIDENCE) / 2
    value, below, above = _value(terms), 0.0, 0.0
    for factor, line in terms:
        part, freedom = factor * line.mean_square, line.degrees_of_freedom
        below += (part * (1 - freedom / float(chdtri(freedom, tail)))) ** 2
        above += (part * (freedom / float(chdtri(freedom, 1 - tail)) - 1)) ** 2
    return value - math.sqrt(below), value + math.sqrt(above)


def _williams(terms: Terms) -> tuple[float, float]:
    """Interval of a difference of two mean squares; it holds at least as often as it says."""
    from scipy.special import chdtri, fdtri

    (factor, line), (_, against) = terms
    tail = (1 - CONFIDENCE) / 2
    first, second = line.degrees_of_freedom, against.degrees_of_freedom
    f_high, f_low = float(fdtri(first, second, 1 - tail)), float(fdtri(first, second, tail))
    share = factor * first
    low = share * (line.mean_square - f_high * against.mean_square) / float(chdtri(first, tail))
    high = share * (line.mean_square - f_low * against.mean_square) / float(chdtri(first, 1 - tail))
    return low, high
