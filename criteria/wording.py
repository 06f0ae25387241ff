"""How limits and comparisons are worded."""

from __future__ import annotations

from core.quantity import COVERAGE_FACTOR, Quantity
from core.units import nearest_fraction
from criteria.limit import Limit
from criteria.rules import Decision
from measurement.meanings import REMEDIES

DECIMALS = {"mm": 3, "in": 4, "deg": 1}


def shown(value: float, limit: Limit) -> str:
    """Return a limit as its own table would write it."""
    if limit.own_unit == "in":
        sixty_fourths = value * 64
        if abs(sixty_fourths - round(sixty_fourths)) < 1e-6:
            return f"{nearest_fraction(value)} in"
        return f"{value:.3f} in"
    return f"{value:.4g} {_symbol(limit)}"


def told(
    limit: Limit, value: float, lower: float, upper: float, std: float, verdict: Decision, quantity: Quantity
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
    doubt = f"{shown(end, limit)} lies inside {value:.4g} ± {COVERAGE_FACTOR * std:.2g} {_symbol(limit)}"
    budget = max(quantity.budget, key=lambda part: part.standard_uncertainty)
    remedy = REMEDIES.get(budget.source, "a smaller uncertainty")
    return (
        f"{doubt}; what would settle it: {remedy} (U below {abs(end - value):.2g} {_symbol(limit)}), or more sections"
    )


def sized(value: float, limit: Limit) -> str:
    """Return a value with the unit of its row."""
    return f"{value:.{DECIMALS[limit.own_unit]}f} {_symbol(limit)}"


def _symbol(limit: Limit) -> str:
    return "°" if limit.own_unit == "deg" else limit.own_unit
