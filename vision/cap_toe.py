"""Where a cap meets its plate in points that scatter much: from all of its face, and the plate before it.

Such points tell a toe only together, and over most of a cap no one curve holds: an arc, a parabola, a face that leans
to one side or is flat on top are all made. A polynomial of order 6 follows them; what of it goes beyond a parabola is
known to be small beside the rise (a Gaussian prior: Tikhonov's regularisation), and how far that leaves the form open
is part of how well the toe is known. The plate's line is known; the points beside the toe, some of them averaged over
both, tell where face and plate part.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points

BEYOND_STD = {3: 0.25, 4: 0.3, 5: 0.25, 6: 0.25}
"""Standard deviations of the coefficients beyond a parabola, as shares of the rise, with half the cap as unit: an arc
has up to 0.2 of the fourth, drawn caps that lean 0.35 of the third, flat tops 0.4 of the fourth."""

LEAST_RISE = 3.0
"""A cap rises by at least so many standard deviations of a point, else its points tell no form."""

STEEPEST_CAP = 0.3
"""A face that ends higher over its plate than this share of its width is that of a fillet."""

PLATE_MM, FEWEST = 1.5, 20
"""So much of the plate before the toe is looked at with the face; fewest points that tell a form."""

ROUNDS, SETTLED_MM = 25, 1e-5
NEWTON, FARTHEST, NEAREST = 30, -1.4, -0.3
"""Steps of Newton's rule, and between which places, half the cap as unit, the toe is sought."""

GENTLEST = 0.03

OPEN_STD = {7: 0.3, 8: 0.3}
"""The same of orders that are not fitted: they are left open."""

FORM_DOUBT = 1.2
"""A face may have none of the forms that the polynomials make: its toe is known so many times less well (judged on caps
drawn as arcs, as parabolas, askew, with flat tops and with waves)."""


def cap_toe(path: Points, plate: Line, near: float, step_mm: float, alike: float) -> tuple[float, float, float] | None:
    """Return where a cap leaves its plate: place along it, slope (degrees), standard uncertainty (mm); None for no cap.

    Parameters
    ----------
    path
        (N, 2) points of the plate and, beyond the toe, of the face up to near its other toe.
    plate
        Line of the plate, led towards the weld, the air on its left.
    near
        Place along the plate next to which the toe is sought.
    step_mm
        Length of surface over which each point was averaged.
    alike
        How many neighbouring points carry one independent piece of information.
    """
    x, y = plate.along(path), plate.offset(path)
    x, y = x[x > near - PLATE_MM], y[x > near - PLATE_MM]
    if np.count_nonzero(x > near) < FEWEST or not 0 <= float(y[-1]) < STEEPEST_CAP * float(x[-1] - near):
        return None
    far = float(x.max())
    middle, half = (near + far) / 2, (far - near) / 2
    u = (x - middle) / half
    powers = np.arange(max(BEYOND_STD) + 1)
    design = u[:, None] ** powers
    form, variance = _first_form(design[u > -1.0], y[u > -1.0])
    rise = abs(float(form[2]))
    if rise < LEAST_RISE * math.sqrt(variance):
        return None
    known = _known(BEYOND_STD, rise)
    rates = np.column_stack([np.zeros(len(u)), _rates(u, powers)]) / half
    for _ in range(ROUNDS):
        height, part, slope = _seen(design @ form, rates @ form, step_mm, u < 0.0)
        # Points lie off the surface across it, and are told off the plate.
        weight = 1.0 / (variance * alike * (1.0 + (part * slope) ** 2))
        told = design * part[:, None]
        covariance = np.linalg.inv((told.T * weight) @ told + np.diag(known))
        change = covariance @ (told.T @ (weight * (y - height)) - known * form)
        form = form + change
        if float(np.abs(change).max()) < SETTLED_MM:
            break
    toe = _root(form, powers)
    if toe is None:
        return None
    slope_at = float(_rates(np.array([toe]), powers)[0] @ form[1:]) / half
    off = _off_at(toe, u, weight, part, rise)
    return middle + toe * half, math.degrees(math.atan(slope_at)), FORM_DOUBT * off / max(slope_at, GENTLEST)


def _off_at(
    toe: float, u: NDArray[np.float64], weight: NDArray[np.float64], part: NDArray[np.float64], rise: float
) -> float:
    """Return the standard uncertainty of the height of a face at its toe, forms of higher order left open, too."""
    stds = BEYOND_STD | OPEN_STD
    powers = np.arange(max(stds) + 1)
    known = _known(stds, rise)
    told = u[:, None] ** powers * part[:, None]
    at = toe**powers
    return math.sqrt(max(float(at @ np.linalg.solve((told.T * weight) @ told + np.diag(known), at)), 0.0))


def _known(stds: Mapping[int, float], rise: float) -> NDArray[np.float64]:
    """Return the weights with which coefficients are known beforehand, 0 where they are not."""
    weights = np.zeros(max(stds) + 1)
    weights[list(stds)] = [(share * rise) ** -2.0 for share in stds.values()]
    return weights


def _first_form(design: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Return the coefficients of the parabola through a face, and the variance of its points about order 4."""
    freely = np.linalg.lstsq(design[:, :5], y, rcond=None)[0]
    variance = float(np.sum((y - design[:, :5] @ freely) ** 2)) / max(1, len(y) - 5)
    bent = np.linalg.lstsq(design[:, :3], y, rcond=None)[0]
    return np.concatenate([bent, np.zeros(design.shape[1] - 3)]), variance


def _rates(u: NDArray[np.float64], powers: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(powers[1:] * u[:, None] ** powers[:-1], np.float64)


def _seen(
    face: NDArray[np.float64], slope: NDArray[np.float64], step_mm: float, lead: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return how high points are seen, which part of each belongs to the face, and the slope of the face there.

    A point that was averaged over a step has the plate, which lies at 0, and the face in it where they meet; ``lead``
    tells the half of the cap that has the toe in it.
    """
    reach = np.maximum(np.abs(slope) * step_mm / 2, 1e-6)
    part = np.where(lead, np.clip((face + reach) / (2 * reach), 0.0, 1.0), 1.0)
    both = (face + reach) ** 2 / (4 * reach)
    height = np.where(part >= 1.0, face, np.where(part <= 0.0, 0.0, both))
    return height, part, slope


def _root(form: NDArray[np.float64], powers: NDArray[np.int64]) -> float | None:
    """Return where a form begins to rise from 0, half the cap as unit, by Newton's rule; None where it does not."""
    toe = -1.0
    for _ in range(NEWTON):
        rate = float(_rates(np.array([toe]), powers)[0] @ form[1:])
        if rate <= 0:
            return None
        move = float(toe**powers @ form) / rate
        toe -= move
        if not FARTHEST < toe < NEAREST:
            return None
        if abs(move) < 1e-9:
            return toe
    return None
