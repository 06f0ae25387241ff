"""A measured value with the budget of its uncertainty, or the reason why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Unit = Literal["mm", "deg", "mm2", "percent"]

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty (JCGM 100:2008, 6.3.3: about 95 % for a normal distribution)."""


@dataclass(frozen=True, slots=True)
class Component:
    """One independent standard uncertainty, in the unit of its quantity."""

    source: str
    standard_uncertainty: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            raise ValueError(
                f"the standard uncertainty of {self.source!r} must be finite and not negative, "
                f"got {self.standard_uncertainty!r}"
            )


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in mm, degrees, mm² or percent, with the parts of its uncertainty.

    An empty budget means that the uncertainty was not evaluated, never that it is zero.
    """

    value: float
    unit: Unit
    budget: tuple[Component, ...] = ()
    note: str | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a measured value must be finite, got {self.value!r}")

    @property
    def standard_uncertainty(self) -> float | None:
        """Root sum of squares of the budget (JCGM 100:2008, 5.1.2), None if not evaluated."""
        if not self.budget:
            return None
        return math.hypot(*(part.standard_uncertainty for part in self.budget))

    @property
    def expanded_uncertainty(self) -> float | None:
        """Standard uncertainty times the coverage factor, None if not evaluated."""
        standard = self.standard_uncertainty
        return None if standard is None else COVERAGE_FACTOR * standard

    def interval(self, *, signed: bool = True) -> tuple[float, float] | None:
        """Return the ends of the stated interval, None if the uncertainty was not evaluated.

        A length, width or height that is not ``signed`` cannot be less than nothing, a share no more than the whole,
        and neither can their intervals.
        """
        expanded = self.expanded_uncertainty
        if expanded is None:
            return None
        low, high = self.value - expanded, self.value + expanded
        if self.unit == "percent":
            high = min(high, max(self.value, 100.0))
        return (low if signed else max(low, min(self.value, 0.0))), high


@dataclass(frozen=True, slots=True)
class NotMeasurable:
    """A quantity that the picture does not support, and why, in words to act on."""

    reason: str
    unit: Unit = "mm"


Measured = Quantity | NotMeasurable
