"""Decision rules: from a value, its standard uncertainty and its limits to a verdict and a probability.

The guard band w lies between the limit and the place where the verdict changes (ILAC-G8:09/2019, 4.1; JCGM 106:2012,
8.3). Wording and clause numbers of JCGM 106 and ISO 14253-1 are from memory; the risks were recomputed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from core.errors import UsageError
from core.quantity import COVERAGE_FACTOR

Kind = Literal["guarded", "simple", "guarded-acceptance", "guarded-rejection"]
Decision = Literal["meets", "does_not_meet", "undecided"]

KINDS: dict[Kind, str] = {
    "guarded": "meets and does not meet must both be proven, in between it is undecided (ISO 14253-1, ILAC-G8 4.2.3)",
    "simple": "the value alone is compared with the limit (ILAC-G8 4.2.1)",
    "guarded-acceptance": "what is not proven to meet the limit does not meet it (JCGM 106 8.3.2)",
    "guarded-rejection": "what is not proven to fail the limit meets it (JCGM 106 8.3.3)",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule.

    Attributes
    ----------
    kind
        Which one.
    guard
        Width of the guard band in standard uncertainties; by default the stated interval, U at k = 2.
    """

    kind: Kind = "guarded"
    guard: float = COVERAGE_FACTOR

    def __str__(self) -> str:
        if self.kind == "simple":
            return "simple acceptance, no guard band"
        width = "U (k = 2)" if self.guard == COVERAGE_FACTOR else f"{self.guard:.4g} u"
        return f"{self.kind.replace('-', ' ')}, guard band {width}"


def guard_factor(probability: float) -> float:
    """Return the guard band in standard uncertainties that gives a conformance probability (JCGM 106:2012, 8.3)."""
    return NormalDist().inv_cdf(probability)


def parse_rule(text: str) -> Rule:
    """Return a rule from ``guarded``, or from ``guarded:0.95`` with the conformance probability that is asked for.

    Raises
    ------
    UsageError
        For a rule that is not known, and a probability outside 0.5 to 1.
    """
    name, colon, share = text.strip().partition(":")
    if name not in KINDS:
        raise UsageError(f"--rule {text!r} is not known, use {', '.join(KINDS)}, or guarded:0.95.")
    if not colon:
        return Rule(name)
    try:
        probability = float(share)
    except ValueError:
        probability = math.nan
    if name == "simple" or not 0.5 <= probability < 1:
        raise UsageError(f"--rule {text!r}: a guarded rule takes a probability from 0.5 to below 1, like guarded:0.95.")
    return Rule(name, guard_factor(probability))


def decide(value: float, standard_uncertainty: float, lower: float, upper: float, rule: Rule) -> Decision:
    """Return the verdict on a value between two limits, either of which may be infinite."""
    inside = min(value - lower, upper - value)
    width = rule.guard * standard_uncertainty
    if rule.kind == "simple":
        return "meets" if inside >= 0 else "does_not_meet"
    if rule.kind == "guarded-acceptance":
        return "meets" if inside >= width else "does_not_meet"
    if rule.kind == "guarded-rejection":
        return "meets" if inside >= -width else "does_not_meet"
    if inside >= width:
        return "meets"
    return "does_not_meet" if inside < -width else "undecided"


def conformity(
    value: float, standard_uncertainty: float, lower: float, upper: float, *, not_negative: bool = False
) -> float:
    """Return the probability that the true value lies between the limits (JCGM 106:2012, 7.3 and 7.4).

    The true value is normal about the measured one; of a quantity that cannot be negative, the part of the curve
    below 0 is cut off and the rest raised to 1.
    """
    if standard_uncertainty <= 0:
        return float(lower <= value <= upper)
    below = _share(0.0, value, standard_uncertainty) if not_negative else 0.0
    if not_negative:
        lower = max(lower, 0.0)
        if upper < 0 or below >= 1:
            return float(lower <= max(value, 0.0) <= upper)
    inside = _share(upper, value, standard_uncertainty) - _share(lower, value, standard_uncertainty)
    return min(max(inside / (1 - below), 0.0), 1.0)


def _share(limit: float, value: float, standard_uncertainty: float) -> float:
    """Return the part of a normal curve that lies below a limit."""
    if math.isinf(limit):
        return float(limit > 0)
    return 0.5 * math.erfc((value - limit) / (standard_uncertainty * math.sqrt(2)))
