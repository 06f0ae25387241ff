"""A scale from the graduations of a rule or a scale bar, which are found in the picture.

``spacing_mm`` is the spacing of the FINEST graduation. Where ticks of different length tell the kind of
rule (every fifth or tenth longer: decimal; every second, fourth, eighth: halves), they must fit it: a
rule with a millimetre and an inch edge is not mistaken for the other. On a decimal rule whose ticks are
halved, 1 mm is its whole and 0.5 mm its half graduation; both give the same scale.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.askew import SeenTilt, perspective_across, rule_homography, seen_tilt
from calibration.distance import likely_focal
from calibration.graduation import Graduation
from calibration.model import Calibration, Lens
from calibration.plane import PlaneOffset, correction_of
from calibration.reading import HALF_TICK_STRENGTH, LEAST_MERIT, chosen, merit, tick_pattern, tidy
from calibration.rows import follow, is_followed
from calibration.stripes import BOLD_GREY_STD, LEAST_GREY_STD, Stripes, find_stripes, grouped, pyramid
from calibration.ticks import looked_closer
from calibration.unseen import (
    CORNER_DISTORTION,
    KNOWN_FOCAL_LOG_STD,
    SHOWN_TILT_STD_RAD,
    TILT_STD_RAD,
    lens_growth_per_px2,
    propagate,
)
from core.errors import CalibrationRefused, UsageError
from core.geometry import Points

RULE_REL_STD = 0.0005
"""Assumption, no source: how well a steel rule or a printed scale bar keeps its spacing."""

LARGEST_BEND = 4.0 * CORNER_DISTORTION
"""Displacement at the picture's corner, relative to its radius, above which no lens is believed to bend."""

TRIED_GROUPS, LOOKED_CLOSER = 10, 8


@dataclass(frozen=True, slots=True)
class RuleFit:
    """Position along the rule: x_mm = mm_per_px · s / (1 + along_per_px · s), s in px from ``centre_px``."""

    centre_px: Points
    direction: Points
    mm_per_px: float
    along_per_px: float
    covariance: NDArray[np.float64]
    residual_px: float


def calibrate_ruler(
    gray: NDArray[np.uint8],
    spacing_mm: float,
    *,
    region_px: tuple[int, int, int, int] | None = None,
    plane: PlaneOffset | None = None,
    lens: Lens | None = None,
    rule_rel_std: float = RULE_REL_STD,
) -> Calibration:
    """Return the scale of the rule in a picture.

    Parameters
    ----------
    gray
        (H, W) uint8.
    spacing_mm
        Spacing of the finest graduation.
    region_px
        (x, y, width, height) in which the rule lies; the whole picture by default.

    Raises
    ------
    UsageError
        When the spacing or the region is impossible.
    CalibrationRefused
        When no rule is seen, or when its spacing cannot be told.
    """
    if not (math.isfinite(spacing_mm) and spacing_mm > 0):
        raise UsageError(f"the spacing of the rule must be more than 0 mm, got {spacing_mm!r}")
    x0, y0, part = _cropped(gray, region_px)
    graduation, per_tick = chosen(_graduations(part), spacing_mm, pointed_out=region_px is not None)
    points = graduation.points_px + np.array([x0, y0])
    return _calibration(points, graduation, per_tick, spacing_mm, gray.shape, plane, lens, rule_rel_std)


def _cropped(
    gray: NDArray[np.uint8], region_px: tuple[int, int, int, int] | None
) -> tuple[int, int, NDArray[np.uint8]]:
    if region_px is None:
        return 0, 0, gray
    x, y, width, height = (int(v) for v in region_px)
    rows, columns = gray.shape
    left, top = max(0, x), max(0, y)
    part = gray[top : min(rows, y + height), left : min(columns, x + width)]
    if min(part.shape) < 16:
        raise UsageError(f"the region {x},{y},{width},{height} does not lie in the picture of {columns} x {rows} px")
    return left, top, np.ascontiguousarray(part)


def _graduations(gray: NDArray[np.uint8]) -> list[Graduation]:
    """Return the tidy graduations of a picture, best first; the finest pyramid level only when needed.

    Ground with a grain of its own holds stripes all over: where they hide the rule, the boldest ones are looked at.
    """
    levels = pyramid(gray)
    finest = 0 if gray.size < 3_000_000 else 1
    looks = [(first, LEAST_GREY_STD) for first in sorted({finest, 0}, reverse=True)] + [(finest, BOLD_GREY_STD)]
    unmarked: list[Graduation] = []
    for first, least in looks:
        stripes = [
            s for level in range(len(levels) - 1, first - 1, -1) for s in find_stripes(levels[level], level, least)
        ]
        stripes.sort(key=lambda s: -s.strength)
        found: list[Graduation] = []
        for start in grouped(stripes)[:TRIED_GROUPS]:
            if is_followed(start, found):
                continue
            level = int(np.clip(math.floor(math.log2(start.period_px / 5.0)), 0, len(levels) - 1))
            found.extend(g for g in follow(gray, levels[level], 2.0**level, start) if tidy(g))
        found.extend(_finer(gray, found))
        looked = _looked(gray, _distinct(found))
        if any(g.marks for g in looked):
            return looked
        unmarked = unmarked or looked
    return unmarked


def _looked(gray: NDArray[np.uint8], found: list[Graduation]) -> list[Graduation]:
    """Return graduations, best first, looked at closely: those that may be taken, the others where no mark is seen."""
    worth = [merit(g) >= LEAST_MERIT * merit(found[0]) for g in found]
    looked = [looked_closer(gray, g) if good else g for g, good in zip(found, worth, strict=True)]
    if any(g.marks for g in looked):
        return looked
    return [g if good else looked_closer(gray, g) for g, good in zip(looked, worth, strict=True)]


def _distinct(found: list[Graduation]) -> list[Graduation]:
    """Return the best graduations, best first, each once."""
    kept: list[Graduation] = []
    for graduation in sorted(found, key=lambda g: -merit(g)):
        if len(kept) == LOOKED_CLOSER:
            break
        ends = graduation.points_px[[0, -1]]
        if not any(
            g.count == graduation.count and float(np.abs(g.points_px[[0, -1]] - ends).max()) < 0.1 * g.period_px
            for g in kept
        ):
            kept.append(graduation)
    return kept


def _finer(gray: NDArray[np.uint8], found: list[Graduation]) -> list[Graduation]:
    """Return the graduation at half the spacing when ticks half-way are seen and nothing else found them."""
    halved = [g for g in found if g.halved > HALF_TICK_STRENGTH]
    if not halved:
        return []
    best = max(halved, key=merit)
    middle = best.points_px[best.count // 2]
    period = 0.5 * best.period_px
    start = Stripes(middle, np.array([best.tick[1], -best.tick[0]]), period, 3 * best.half_length_px, 0.0)
    return [g for g in follow(gray, gray, 1.0, start) if tidy(g) and 0.9 < g.period_px / period < 1.1]


def fit_rule(points_px: Points, position_mm: NDArray[np.float64], tilt_prior_per_px: float) -> RuleFit:
    """Fit scale and perspective along a rule to the places of its ticks.

    The perspective has a prior of
    zero mean (the camera was set by eye), so that a short rule is not given a tilt out of its noise.
    """
    centre = points_px.mean(axis=0)
    direction = np.linalg.svd(points_px - centre, full_matrices=False)[2][0]
    if direction @ (points_px[-1] - points_px[0]) < 0:
        direction = -direction
    s = (points_px - centre) @ direction
    middle = float(position_mm.mean())
    mm_per_px = float(np.polyfit(s, position_mm, 1)[0])
    parameters = np.array([mm_per_px, middle, 0.0])
    noise = 0.3
    for _ in range(8):
        a, b, c = parameters
        reach = position_mm - b
        depth = a - c * reach
        residual = s - reach / depth
        jacobian = np.column_stack([-reach / depth**2, -a / depth**2, reach**2 / depth**2])
        normal = jacobian.T @ jacobian / noise**2
        normal[2, 2] += 1 / tilt_prior_per_px**2
        gradient = jacobian.T @ residual / noise**2
        gradient[2] -= c / tilt_prior_per_px**2
        parameters = parameters + np.linalg.solve(normal, gradient)
        noise = max(0.03, float(np.sqrt(np.sum(residual**2) / max(1, len(s) - 3))))
    a, b, c = parameters
    covariance = np.linalg.inv(normal)[np.ix_([0, 2], [0, 2])]
    return RuleFit(centre, direction, float(a), float(c), covariance, noise)


def _bent(fit: RuleFit, graduation: Graduation, lens: Lens | None, corner2: float) -> float:
    """Return the relative standard uncertainty of the scale of a rule that a lens bends more than its ticks scatter.

    Notes
    -----
    A bend c s³ along a rule that reaches S to both sides is 0.15 c S³ (rms) off the line that fits it best, whose slope
    is 0.6 c S² off that in the middle: four times the rms over S.

    Raises
    ------
    CalibrationRefused
        When the ticks lie farther off an even spacing than a lens bends, or each by itself.
    """
    uneven = 0.1 + 0.06 * graduation.period_px
    if fit.residual_px <= uneven:
        return 0.0
    reach = 0.5 * graduation.period_px * float(graduation.index[-1])
    most = uneven + (0.0 if lens is not None else 0.15 * LARGEST_BEND * reach**3 / corner2)
    if fit.residual_px > most or graduation.residual_px > uneven:
        raise CalibrationRefused(
            f"the ticks lie {fit.residual_px:.2f} px (rms) off an even spacing of {graduation.period_px:.1f} px: what "
            "was found may be print or no rule; give the part of the picture with the rule"
        )
    return 4.0 * fit.residual_px / reach


def _calibration(
    points_px: Points,
    graduation: Graduation,
    per_tick: float,
    spacing_mm: float,
    shape: tuple[int, ...],
    plane: PlaneOffset | None,
    lens: Lens | None,
    rule_rel_std: float,
) -> Calibration:
    height, width = shape[:2]
    ideal = points_px if lens is None else lens.undistort(points_px)
    position_mm = np.asarray(graduation.index * spacing_mm * per_tick, float)
    said_35_mm = None if plane is None else plane.focal_35_mm
    seen_mm_per_px = float(np.ptp(position_mm) / np.linalg.norm(ideal[-1] - ideal[0]))
    likely = likely_focal(seen_mm_per_px, (width, height), said_35_mm)
    focal = likely.making_perspective_px if lens is None else float(lens.camera_matrix[0, 0])
    fit = fit_rule(ideal, position_mm, math.tan(SHOWN_TILT_STD_RAD) / focal)
    bent = _bent(fit, graduation, lens, 0.25 * float(width**2 + height**2))
    tick, across, across_std = perspective_across(
        graduation, points_px, fit.centre_px, fit.direction, fit.along_per_px, focal, max(width, height), lens
    )
    perspective = np.array([fit.along_per_px, across])
    noise = np.array([math.sqrt(float(fit.covariance[1, 1])), across_std])
    if lens is None:
        seen_as = seen_tilt(likely, perspective, noise, fit.centre_px, fit.direction, (width, height))
    else:
        seen_as = SeenTilt(lens.camera_matrix, KNOWN_FOCAL_LOG_STD, np.zeros(2))
    camera, focal_std = seen_as.camera_matrix, seen_as.focal_std
    tilt = float(np.hypot(*perspective)) * float(camera[0, 0])
    spreads = np.hypot(noise * float(camera[0, 0]), seen_as.feigned_rad)
    scale_std = math.sqrt(float(fit.covariance[0, 0])) / fit.mm_per_px
    second_order = float(np.hypot(*np.minimum(spreads, TILT_STD_RAD) ** 2)) / math.sqrt(2.0)
    covariance = np.diag([0.0, 0.0, across_std**2, focal_std**2, second_order**2])
    covariance[:2, :2] = fit.covariance

    def build(p: NDArray[np.float64]) -> NDArray[np.float64]:
        seen = camera.copy()
        seen[0, 0], seen[1, 1] = camera[0, 0] * math.exp(p[3]), camera[1, 1] * math.exp(p[3])
        return rule_homography(fit.centre_px, fit.direction, tick, seen, p[0], p[1], p[2], p[4])

    parameters = np.array([fit.mm_per_px, fit.along_per_px, across, 0.0, 0.0])
    seen_plane = build(parameters)
    correction, _ = correction_of(plane, seen_plane, fit.centre_px, (width, height), lens)
    factor = np.diag([correction.factor, correction.factor, 1.0])
    entries = np.repeat(np.diag(factor), 3)
    spread = propagate(build, parameters, covariance, np.array([1e-6 * fit.mm_per_px, 1e-8, 1e-8, 1e-4, 1e-6]))
    s = (ideal - fit.centre_px) @ fit.direction
    local = 1.0 / fit.mm_per_px * (1 + fit.along_per_px * s) ** 2
    centre = points_px.mean(axis=0)
    return Calibration(
        "ruler",
        factor @ seen_plane,
        {
            "scale": math.hypot(scale_std, rule_rel_std),
            "tilt": math.hypot(second_order, tilt**2 * focal_std),
            "lens": bent,
            "plane offset": correction.relative_std,
        },
        centre_px=(float(centre[0]), float(centre[1])),
        lens_growth_per_px2=lens_growth_per_px2(width, height, lens),
        lens=lens,
        provenance={
            "spacing_mm": spacing_mm,
            "ticks": graduation.count,
            "length_mm": float(graduation.index[-1]) * spacing_mm * per_tick,
            "ticks_hidden": int(graduation.index[-1]) + 1 - graduation.count,
            "residual_rms_px": fit.residual_px,
            "px_per_mm_mean": float(np.mean(local)),
            "px_per_mm_first": float(local[0]),
            "px_per_mm_last": float(local[-1]),
            "drift": float(abs(local[-1] - local[0]) / np.mean(local)),
            "tilt_deg": math.degrees(math.atan(tilt)),
            "tick_pattern": tick_pattern(graduation.marks),
            "dark_ticks": graduation.dark,
            "ends_px": [[float(v) for v in end] for end in points_px[[0, -1]]],
            "ticks_px": [[float(v) for v in point] for point in points_px],
            "tick_half_length_px": graduation.half_length_px,
            "tick_direction": [float(v) for v in graduation.tick],
            "plane_factor": correction.factor,
            "camera_distance_mm": correction.distance_mm,
            "camera_distance_source": correction.distance_source,
        },
        px_to_mm_covariance=spread * np.outer(entries, entries),
        size_px=(width, height),
    )
