"""A step of known height measured by a rig: a step block, or gauge blocks wrung to a plate."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.check import CheckEntry
from calibration.model import Calibration
from core.errors import CalibrationRefused
from core.fitting import LineFit, robust_line
from core.geometry import Points
from core.quantity import COVERAGE_FACTOR

LEAST_POINTS = 40
LARGEST_TILT_DEG = 1.5
"""Faces of a step are parallel; lines that differ by more are not its two levels."""

STRIPE_BIAS_PX = 0.05
"""Assumption, no source: how far the light of two faces of one finish may draw their centres apart."""


def check_step(
    calibration: Calibration,
    points_mm: Points,
    std_mm: NDArray[np.float64],
    height_mm: float,
    tolerance_mm: float,
    *,
    date: str,
    operator: str | None = None,
    source: str | None = None,
) -> CheckEntry:
    """Measure the step between the two longest parallel levels of a profile.

    Parameters
    ----------
    points_mm, std_mm
        (N, 2) and (N,) of the profile.
    height_mm
        What is known of the step.

    Raises
    ------
    CalibrationRefused
        When the profile does not show two parallel levels.
    """
    noise = max(float(np.median(std_mm)), 0.002)
    first = _level(points_mm, noise)
    rest = points_mm[np.abs(first.line.offset(points_mm)) > max(8 * noise, 0.2 * height_mm)]
    second = _level(rest, noise)
    cross = abs(first.line.dx * second.line.dy - first.line.dy * second.line.dx)
    if math.degrees(math.asin(min(1.0, cross))) > LARGEST_TILT_DEG:
        raise CalibrationRefused(
            "the frame does not show two parallel levels of a step: lay the line across the block so that block and "
            "base are both seen, and nothing else"
        )
    step = abs(float(first.line.offset(second.line.point)))
    fits = math.hypot(first.std_at(float(first.line.along(second.line.point))), second.offset_std)
    pixel = float(np.median(np.hypot(*np.diff(points_mm, axis=0).T)))
    px = calibration.to_px(np.array([first.line.point, second.line.point]))
    relative = math.hypot(*calibration.relative_components(px).values())
    test = COVERAGE_FACTOR * math.hypot(fits, math.sqrt(2.0) * STRIPE_BIAS_PX * pixel)
    expanded = math.hypot(COVERAGE_FACTOR * relative * step, test)
    return CheckEntry(date, "step", height_mm, step, step - height_mm, tolerance_mm, expanded, operator, source, test)


def _level(points: Points, noise: float) -> LineFit:
    if len(points) < LEAST_POINTS:
        raise CalibrationRefused(
            "the frame shows only one level: lay the laser line across the step so that both levels are seen"
        )
    fit = robust_line(points, noise, correlation_points=4.0)
    if int(fit.inliers.sum()) < LEAST_POINTS:
        raise CalibrationRefused("the frame shows no straight level of a step: clean the block and the base")
    return fit
