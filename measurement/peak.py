"""The highest place of a noisy curve, without the bias that the highest of many noisy points has.

A parabola is fitted about the highest place, in windows that grow as long as the result agrees with that of
every smaller window within its noise (the rule of O. V. Lepski, Theory of Probability and its Applications 35,
1991, 454-466). A broad cap is so averaged over most of its width, a narrow notch over a few points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from core.geometry import Points
from measurement.uncertainty import Noise

FEWEST = 9
"""With fewer points a curve counts as drawn, not sampled: its highest point is taken as it is."""

NEAR_END_MM = 0.3
"""Within this distance an end of a curve is better known than the points beside it."""

ROUNDED = 0.5
"""Blur rounds the corner of a toe by less than this share of it: a point beside an undercut lies no farther off."""

ROUNDING_MM = 1e-9
"""Ends of a curve as high as each other within rounding: the first one counts, however the section is turned."""

_AGREEMENT = 3.5
_GROWTH = 1.6


@dataclass(frozen=True, slots=True)
class Peak:
    """The highest place of a curve.

    Attributes
    ----------
    along, height
        Where it is and how high.
    std
        Standard uncertainty of the height from the noise of the points.
    curvature
        Second derivative of the height there, 1/mm.
    index
        Point nearest to it.
    """

    along: float
    height: float
    std: float
    curvature: float
    index: int


def highest(along: Points, height: Points, noise: Noise) -> Peak:
    """Return the highest place of a curve from end to end; an end counts as it is, without noise.

    Points near an end that rise above it by no more than their noise, or than blur rounds a corner, count as the end.

    Parameters
    ----------
    along, height
        (N,) each, ``along`` rising.
    """
    near = min(NEAR_END_MM, 0.1 * float(along[-1] - along[0]))
    by_noise = 3.5 * noise.point_std_mm
    if _all_below_ends(along, height, near, by_noise):
        return _end(along, height, 0 if height[0] >= height[-1] - ROUNDING_MM else len(along) - 1)
    found = highest_inside(along, height, noise)
    for end in (0, len(along) - 1):
        if abs(found.along - along[end]) < near and found.height - height[end] < by_noise + ROUNDED * noise.blur_mm:
            return _end(along, height, end)
        if height[end] > found.height + ROUNDING_MM:
            found = _end(along, height, end)
    return found


def _end(along: Points, height: Points, end: int) -> Peak:
    return Peak(float(along[end]), float(height[end]), 0.0, 0.0, end)


def _all_below_ends(along: Points, height: Points, near: float, by_noise: float) -> bool:
    """Tell whether no point rises above the lower end, and none but those near the ends comes close to it.

    So the face lies below its chord where it bulges, above it where it is hollow: nothing needs a fit to show that.
    """
    lower = min(float(height[0]), float(height[-1]))
    if float(height.max()) > max(float(height[0]), float(height[-1])):
        return False
    first, last = along.searchsorted([along[0] + near, along[-1] - near])
    inner = height[first:last]
    return len(inner) > 0 and float(inner.max()) < lower - by_noise


def highest_inside(along: Points, height: Points, noise: Noise) -> Peak:
    """Return the highest place of a curve between its ends."""
    if len(along) < FEWEST:
        index = int(np.argmax(height))
        return Peak(float(along[index]), float(height[index]), noise.point_std_mm, 0.0, index)
    index = int(np.argmax(np.convolve(height, np.full(3, 1 / 3), mode="valid"))) + 1
    return _grow(along, height, float(along[index]), noise)


def standing_out(along: Points, height: Points, noise: Noise, base_std: float) -> tuple[Peak | None, float]:
    """Return the highest place inside a curve if it stands out of the noise, and the height it had to reach.

    The mean of at least 3 adjacent points (one and a half independent pieces of information) must exceed 3.5
    of its standard uncertainties, so that the highest of some hundred such means seldom does by chance. Where
    neighbours share their wander that mean is taken over a millimetre and more; what is narrower than that must
    exceed 4 standard uncertainties of a single point.

    Parameters
    ----------
    base_std
        Standard uncertainty of the line from which heights are taken.
    """
    broad = min(max(3, math.ceil(1.5 * noise.correlation_points)), len(height))
    narrow = min(3, len(height))
    reaches = {
        narrow: 4.0 * math.hypot(noise.of_mean(1 / narrow), base_std),
        broad: 3.5 * math.hypot(noise.of_mean(1 / broad), base_std),
    }
    reach = max(reaches.values())
    if all(_highest_mean(height, count) <= enough for count, enough in reaches.items()):
        return None, reach
    peak = highest_inside(along, height, noise)
    return (peak, reach) if peak.height > min(reaches.values()) / 2 else (None, reach)


def _highest_mean(height: Points, count: int) -> float:
    return float(np.convolve(height, np.full(count, 1 / count), mode="valid").max())


def _grow(along: Points, height: Points, centre: float, noise: Noise) -> Peak:
    spacing = float(along[-1] - along[0]) / (len(along) - 1)
    half, longest = 2.6 * spacing, 0.55 * float(along[-1] - along[0])
    accepted: list[Peak] = []
    while not accepted or half < longest:
        peak = _parabola(along, height, centre, half, noise)
        if peak is not None:
            if any(abs(peak.height - small.height) > _AGREEMENT * small.std + 1e-9 for small in accepted):
                break
            accepted.append(peak)
            centre = peak.along
        elif half >= longest:
            break
        half *= _GROWTH
    if not accepted:
        index = _nearest(along, centre)
        return Peak(centre, float(height[index]), noise.point_std_mm, 0.0, index)
    chosen = accepted[-2:][0]
    std = chosen.std
    if len(accepted) > 1:
        # the widest window may lean on points that are no parabola any more; the step to it shows by how much
        std = math.hypot(std, (accepted[-1].height - chosen.height) / 2)
    return replace(chosen, std=std, index=_nearest(along, chosen.along))


def _nearest(along: Points, at: float) -> int:
    """Return the index of the value nearest to a place, of values that rise."""
    above = int(along.searchsorted(at))
    near = range(max(above - 1, 0), min(above + 1, len(along)))
    return min(near, key=lambda index: abs(float(along[index]) - at))


def _parabola(along: Points, height: Points, centre: float, half: float, noise: Noise) -> Peak | None:
    """Return the top of the parabola within half a width of a place; which point is nearest to it is left open."""
    first, last = int(along.searchsorted(centre - half)), int(along.searchsorted(centre + half))
    if last - first < 5:
        return None
    # 1, x, x² and the height: all that the normal equations need are products of two of them, and they are written
    # out below, for numpy's own takes longer over the call than over the numbers.
    rows = np.empty((4, last - first))
    x = rows[1]
    rows[0] = 1.0
    np.subtract(along[first:last], centre, out=x)
    x /= half
    np.multiply(x, x, out=rows[2])
    rows[3] = height[first:last]
    (s0, s1, s2, h0), (_, _, s3, h1), (_, _, s4, h2), _ = (rows @ rows.T).tolist()
    m00, m01, m02 = s2 * s4 - s3 * s3, s2 * s3 - s1 * s4, s1 * s3 - s2 * s2
    m11, m12, m22 = s0 * s4 - s2 * s2, s1 * s2 - s0 * s3, s0 * s2 - s1 * s1
    determinant = s0 * m00 + s1 * m01 + s2 * m02
    if determinant <= 0:
        return None
    a = (m00 * h0 + m01 * h1 + m02 * h2) / determinant
    b = (m01 * h0 + m11 * h1 + m12 * h2) / determinant
    c = (m02 * h0 + m12 * h1 + m22 * h2) / determinant
    top = -b / (2 * c) if c < 0 else 0.0
    if not x[0] <= top <= x[-1]:
        top = 0.0
    # Variance of the height at the top: (1, t, t²) through the inverse of the normal equations.
    share = (m00 + top * (2 * m01 + top * (m11 + 2 * m02 + top * (2 * m12 + top * m22)))) / determinant
    std = noise.of_mean(share)
    return Peak(float(centre + top * half), a + top * (b + top * c), std, 2 * c / half**2, -1)


def blur_part(peak: Peak, noise: Noise, times: float = 1.0) -> float:
    """Return how far blur moves the place of an edge as curved as this one.

    A Gaussian spread of standard deviation b moves a contour of curvature k by k b²/2 to first order, and a
    sharp corner by no more than about b: so many times that of the points.
    """
    blur = times * noise.blur_mm
    return min(abs(peak.curvature) * blur**2 / 2, blur) if math.isfinite(peak.curvature) else 0.0
