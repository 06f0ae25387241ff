"""How limits and comparisons are worded."""

from __future__ import annotations

import math

from core.quantity import COVERAGE_FACTOR, Quantity
from core.units import nearest_fraction
from criteria.limit import Limit
from criteria.rules import Decision, Rule
from measurement.meanings import REMEDIES

DECIMALS = {"mm": 3, "in": 4, "deg": 1}
WITHIN_REACH = 0.1
"""Share of its uncertainty to which that of a value can be brought down at best: an assumption. Nearer to a limit than
that, a value lies at it, and no picture settles it."""


def shown(value: float, limit: Limit) -> str:
    """Return a limit as its own table would write it."""
    if limit.own_unit == "in":
        sixty_fourths = value * 64
        if abs(sixty_fourths - round(sixty_fourths)) < 1e-6:
            return f"{nearest_fraction(value)} in"
        return f"{value:.3f} in"
    return f"{value:.4g}{_symbol(limit)}"


def allowed(limit: Limit, lower: float, upper: float) -> str:
    """Return what a limit allows, as a table of outcomes shows it: ``≥ 1/4 in``, ``35 to 40°``, ``none``."""
    if limit.direction == "range" and lower > -math.inf and upper < math.inf:
        low, high = shown(lower, limit), shown(upper, limit)
        return f"{low.removesuffix(_symbol(limit))} to {high}"
    if limit.direction == "lower":
        return f"≥ {shown(lower, limit)}"
    return "none" if upper == 0 else f"≤ {shown(upper, limit)}"


def told(
    limit: Limit,
    value: float,
    lower: float,
    upper: float,
    std: float,
    verdict: Decision,
    quantity: Quantity,
    rule: Rule,
) -> str:
    """Say in one sentence how the value lies to the limit, and what would settle a doubt."""
    above = upper - value <= value - lower
    end = upper if above else lower
    size, wanted = sized(value, limit), f"{'at most' if above else 'at least'} {shown(end, limit)}"
    asked = "allowed" if above else "required"
    inside = lower <= value <= upper
    if verdict == "meets":
        return f"{size} is {wanted}" if inside else f"{size}, not proven to miss {wanted}"
    if verdict == "does_not_meet":
        return f"{size}, not proven to be {wanted}" if inside else f"{size}, {wanted} is {asked}"
    width = "" if rule.guard == COVERAGE_FACTOR else f" ({rule.guard:.4g} u)"
    doubt = f"{shown(end, limit)} lies inside {value:.4g} ± {rule.guard * std:.2g}{_symbol(limit)}{width}"
    needed = COVERAGE_FACTOR * abs(end - value) / rule.guard
    if needed < WITHIN_REACH * COVERAGE_FACTOR * std:
        return f"{doubt}; what would settle it: more sections, the value lies at the limit"
    budget = max(quantity.budget, key=lambda part: part.standard_uncertainty)
    remedy = REMEDIES.get(budget.source, "a smaller uncertainty")
    return f"{doubt}; what would settle it: {remedy} (U below {needed:.2g}{_symbol(limit)}), or more sections"


def sized(value: float, limit: Limit) -> str:
    """Return a value with the unit of its row."""
    return f"{value:.{DECIMALS[limit.own_unit]}f}{_symbol(limit)}"


def _symbol(limit: Limit) -> str:
    """Return the unit as it follows a number: the sign of degrees without a space (ISO 80000-1, 7.1.4, from memory)."""
    return "°" if limit.own_unit == "deg" else f" {limit.own_unit}"
