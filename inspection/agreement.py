"""Agreement of two ways to measure the same thing: bias, limits of agreement, and how well they are known.

J. M. Bland and D. G. Altman, "Statistical methods for assessing agreement between two methods of clinical
measurement", Lancet 327 (1986) 307-310. Limits are bias ± 1.96 s; their standard error is taken as there,
sqrt(3) s / sqrt(n), and the intervals use Student's t with n - 1 degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SPREAD = 1.96
"""Standard deviations from the bias to a limit: 95 % of normal differences lie between the limits."""

CONFIDENCE = 0.95
FEWEST_FOR_LIMITS = 3
FEWEST_FOR_SLOPE = 4
FEWEST_SIZES = 3
SAME = 1e-9
"""Differences nearer to each other than this (mm, degrees) are one: what is left is the rounding of the machine."""


@dataclass(frozen=True, slots=True)
class Bound:
    """A figure with its 95 % confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Slope:
    """How the difference grows with the size: 0 when the bias is the same everywhere."""

    value: float
    low: float
    high: float
    p: float


@dataclass(frozen=True, slots=True)
class OwnUncertainty:
    """Differences against what the uncertainty of the measurement alone would make of a perfect reading.

    Attributes
    ----------
    expected_std
        Root mean square of the standard uncertainties.
    outside
        Share of the differences larger than the expanded uncertainty; about 0.05 is expected.
    p
        Probability of differences at least this large from that uncertainty alone (chi-squared test).
    """

    expected_std: float
    outside: float
    p: float

    @property
    def exceeded(self) -> bool:
        """Whether the readings add something of their own."""
        return self.p < 1 - CONFIDENCE


@dataclass(frozen=True, slots=True)
class Agreement:
    """Reading minus reference, in the unit of both; what too few readings cannot give is None."""

    n: int
    bias: float
    std: float | None
    bias_interval: tuple[float, float] | None
    lower: Bound | None
    upper: Bound | None
    slope: Slope | None
    own: OwnUncertainty | None


def agreement(
    readings: Sequence[float],
    references: Sequence[float],
    expanded: Sequence[float | None] = (),
    *,
    spread: float = SPREAD,
    coverage_factor: float = 2.0,
) -> Agreement:
    """Compare readings with references, pair by pair.

    Parameters
    ----------
    readings, references
        (n,) values of the same things in the same unit, n >= 1.
    expanded
        (n,) expanded uncertainties of the references; one that is missing leaves that check out.
    spread
        Standard deviations between bias and limit.
    """
    reading, reference = np.asarray(readings, float), np.asarray(references, float)
    difference = reading - reference
    n = len(difference)
    bias = float(difference.mean())
    std = float(difference.std(ddof=1)) if n > 1 else None
    interval, lower, upper = None, None, None
    if std is not None and n >= FEWEST_FOR_LIMITS:
        t = _student(n - 1)
        half = t * std / math.sqrt(n)
        interval = (bias - half, bias + half)
        lower, upper = (_bound(bias + sign * spread * std, math.sqrt(3) * half) for sign in (-1, 1))
    # Over a single size the mean moves with the reading alone, and the slope would be 2 whatever the gauge.
    sizes = len(np.unique(np.round(reference, 6)))
    slope = _slope(difference, (reading + reference) / 2) if sizes >= FEWEST_SIZES else None
    return Agreement(n, bias, std, interval, lower, upper, slope, _own(difference, expanded, coverage_factor))


def _bound(value: float, half: float) -> Bound:
    return Bound(value, value - half, value + half)


def _student(degrees_of_freedom: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(degrees_of_freedom, (1 + CONFIDENCE) / 2))


def _slope(difference: np.ndarray, mean: np.ndarray) -> Slope | None:
    """Regress the difference on the mean of both; None with too few readings or a single size."""
    from scipy.special import stdtr

    n = len(difference)
    away = mean - mean.mean()
    spread = float(away @ away)
    if float(np.ptp(difference)) < SAME:
        difference = np.zeros(n)
    if n < FEWEST_FOR_SLOPE or spread <= 1e-18 * max(1.0, float(np.abs(mean).max()) ** 2):
        return None
    value = float(away @ difference) / spread
    rest = difference - difference.mean() - value * away
    error = math.sqrt(float(rest @ rest) / (n - 2) / spread)
    half = _student(n - 2) * error
    p = 2 * float(stdtr(n - 2, -abs(value) / error)) if error > 0 else (1.0 if value == 0 else 0.0)
    return Slope(value, value - half, value + half, p)


def _own(difference: np.ndarray, expanded: Sequence[float | None], factor: float) -> OwnUncertainty | None:
    from scipy.special import chdtrc

    known = [value for value in expanded if value is not None and value > 0]
    if not known or len(known) < len(difference):
        return None
    size = np.asarray(known, float)
    standard = size / factor
    outside = float(np.mean(np.abs(difference) > size))
    p = float(chdtrc(len(difference), float(np.sum((difference / standard) ** 2))))
    return OwnUncertainty(float(np.sqrt(np.mean(standard**2))), outside, p)
