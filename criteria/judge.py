"""One value against one line of a row: bounds, uncertainty of both, verdict, and what short imperfections need."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from core.quantity import COVERAGE_FACTOR, Quantity
from core.units import MM_PER_INCH
from criteria.limit import Case, Given, Limit
from criteria.rules import Decision, Rule, conformity, decide
from criteria.wording import told
from measurement.names import SIGNED

OFFSETS = ("misalignment", "root_misalignment")
"""Of these an upper limit means the size, to either side."""

LENGTH_DECIMALS = 6
SHARED_SOURCES = ("scale", "plane offset")
"""Parts of a budget that move every length of a picture by the same share."""


@dataclass(frozen=True, slots=True)
class Value:
    """A value in the unit of the row."""

    name: str
    value: float
    std: float | None
    signed: bool


@dataclass(frozen=True, slots=True)
class Judged:
    """What one line of a row gives for one value."""

    verdict: Decision | None
    lower: float
    upper: float
    std: float
    probability: float | None
    message: str
    missing: tuple[str, ...] = ()
    by_length: bool = False


def judge(
    limit: Limit,
    case: Case,
    own: Value,
    quantity: Quantity,
    values: Mapping[str, float],
    bead: Mapping[str, Quantity],
    given: Given,
    rule: Rule,
) -> Judged:
    if own.std is None and rule.kind != "simple":
        lower, upper = limit.bounds(case, values)
        reason = "the uncertainty of this value was not evaluated, which the decision rule needs"
        return Judged(None, lower, upper, 0.0, None, reason)
    first = _against(limit, case, own, quantity, values, bead, rule, short=False)
    zero = limit.direction == "upper" and limit.reference is None and first.upper == 0
    if zero and own.value <= COVERAGE_FACTOR * (own.std or 0.0):
        return replace(first, verdict="meets", probability=None, message="not distinguishable from 0")
    if zero:
        first = replace(first, probability=None)
    if case.short is None or first.verdict == "meets":
        return first
    second = _against(limit, case, own, quantity, values, bead, rule, short=True)
    if second.verdict != "meets":
        return replace(second, message=f"{second.message}; the limit is that for short imperfections")
    if first.verdict == "undecided" and own.name not in given.extents:
        text = f"{first.message}; within the limit for a short length, which was not assessed"
        return replace(first, message=text, missing=("length",))
    judged = _by_length(limit, case, second, own.name, given)
    if first.verdict == "undecided" and judged.verdict == "does_not_meet":
        return replace(judged, verdict="undecided", message=f"{first.message}; {judged.message}")
    return judged


def _against(
    limit: Limit,
    case: Case,
    own: Value,
    quantity: Quantity,
    values: Mapping[str, float],
    bead: Mapping[str, Quantity],
    rule: Rule,
    *,
    short: bool,
) -> Judged:
    """Compare with the limit, or with the one for short imperfections."""
    lower, upper = limit.bounds(case, values, short=short)
    if own.name in OFFSETS and limit.direction == "upper":
        lower = -upper
    std = _combined_std(limit, case, quantity, values, bead, short=short) if bead else own.std or 0.0
    verdict = decide(own.value, std, lower, upper, rule)
    probability = None
    if own.std is not None:
        probability = conformity(own.value, std, lower, upper, not_negative=not own.signed and limit.own_unit != "deg")
    return Judged(
        verdict, lower, upper, std, probability, told(limit, own.value, lower, upper, std, verdict, quantity, rule)
    )


def _combined_std(
    limit: Limit,
    case: Case,
    quantity: Quantity,
    values: Mapping[str, float],
    bead: Mapping[str, Quantity],
    *,
    short: bool,
) -> float:
    """Return the standard uncertainty of value minus limit, where the limit moves with other measured values.

    What the scale does to both is the same share of each and so partly cancels; all other parts count as independent.
    """
    factor = own_factor(limit)
    together = dict.fromkeys(SHARED_SOURCES, 0.0)
    variance = 0.0
    for part in quantity.budget:
        std = part.standard_uncertainty * factor
        if part.source in together:
            together[part.source] += std
        else:
            variance += std**2
    for variable, item in bead.items():
        for part in item.budget:
            ends = [
                _moving_end(limit.bounds(case, {**values, variable: item.value + sign * part.standard_uncertainty},
                                         short=short), limit)
                for sign in (-1, 1)
            ]  # fmt: skip
            change = (ends[1] - ends[0]) / 2
            if part.source in together:
                together[part.source] -= change
            else:
                variance += change**2
    return math.hypot(math.sqrt(variance), *together.values())


def _moving_end(bounds: tuple[float, float], limit: Limit) -> float:
    return bounds[0] if limit.direction == "lower" else bounds[1]


def _by_length(limit: Limit, case: Case, judged: Judged, name: str, given: Given) -> Judged:
    """Judge an imperfection that is allowed where it is short."""
    extent = given.extents.get(name)
    if extent is None or case.extent is None:
        message = "depth within the short-imperfection limit; length not assessed"
        if limit.direction == "lower" or limit.reference is not None:
            message = "deviation within the limit for a short length; length not assessed"
        return replace(judged, verdict=None, message=f"{message} ({judged.message})", missing=("length",))
    factor = length_factor(limit)
    most_mm = extent.total_mm if extent.at_most_mm is None else extent.at_most_mm
    total, most = (_eased(length * factor) for length in (extent.total_mm, most_mm))
    least_allowed, allowed = (
        _eased(case.extent.number({"l": length * factor}))
        for length in (extent.weld_length_mm, extent.at_most_weld_mm or extent.weld_length_mm)
    )
    unit = limit.own_unit
    within = "" if case.window is None else f" in any {case.window:g} {unit}"
    if total > allowed:
        verdict: Decision = "does_not_meet"
    else:
        verdict = "meets" if most <= least_allowed else "undecided"
    text = f"{total:.4g} {unit} long{within}, {allowed if total > allowed else least_allowed:.4g} {unit} allowed"
    if most > total and verdict != "does_not_meet":
        text = f"{text}; up to {most:.4g} {unit} with what is undecided or not known"
    return replace(judged, verdict=verdict, message=text, probability=None, by_length=True)


def _eased(length: float) -> float:
    """Return a length free of the last bits that a sum of many cells leaves."""
    return round(length, LENGTH_DECIMALS)


def own_value(name: str, quantity: Quantity, limit: Limit) -> Value:
    """Return a value in the row's unit; of an offset only its size counts against an upper limit."""
    factor = own_factor(limit)
    std = quantity.standard_uncertainty
    value = quantity.value * factor
    if name in OFFSETS and limit.direction == "upper":
        value = abs(value)
    return Value(name, value, None if std is None else std * factor, name in SIGNED)


def own_factor(limit: Limit) -> float:
    return 1 / MM_PER_INCH if limit.own_unit == "in" else 1.0


def length_factor(limit: Limit) -> float:
    """Return what turns mm into the lengths of the row's formulas, which an angle's row has, too."""
    return 1 / MM_PER_INCH if limit.system == "inch" else 1.0
