"""The range of normal samples: the constants of the average-and-range method, computed and not looked up.

L. H. C. Tippett, "On the extreme individuals and the range of samples taken from a normal population",
Biometrika 17 (1925) 364-387, for mean and variance of the range; A. J. Duncan, "Quality Control and
Industrial Statistics", for the divisor of one range, the root of its mean square.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

_REACH = 9.0
"""Standard deviations beyond which no value is looked for."""


@lru_cache(maxsize=128)
def range_moments(size: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of ``size`` >= 2 values of a standard normal (d2, d3)."""
    from scipy.special import ndtr

    x = np.linspace(-_REACH, _REACH, 721)
    step = x[1] - x[0]
    density = np.exp(-x * x / 2) / math.sqrt(2 * math.pi)
    nodes, weights = np.polynomial.legendre.leggauss(200)
    width, weight = _REACH * (nodes + 1), _REACH * weights
    inside = np.clip(ndtr(x[None, :] + width[:, None]) - ndtr(x)[None, :], 0.0, 1.0)
    # The chance that the range is wider; its mean and mean square are integrals of it.
    beyond = 1.0 - np.clip(size * step * (inside ** (size - 1)) @ density, 0.0, 1.0)
    mean = float(weight @ beyond)
    return mean, math.sqrt(float(2 * weight @ (width * beyond)) - mean * mean)


def one_range_divisor(size: int) -> float:
    """Return the root mean square of the range (d2* of one sample)."""
    return math.hypot(*range_moments(size))


def upper_range_factor(size: int) -> float:
    """Return D4: a mean range times this is its upper control limit at three standard deviations."""
    mean, std = range_moments(size)
    return 1 + 3 * std / mean
