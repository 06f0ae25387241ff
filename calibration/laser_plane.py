"""The plane of a laser's light in front of a camera: from stripes on boards whose poses are known.

A stripe's pixel, freed from the lens, is a ray; it meets the plane of the board that was held there. All such
points lie in the light's plane p · X = 1 (camera coordinates, mm). Where the light crosses from a light square to a
dark one, the centre of a thick stripe is drawn to the light side: only points in plain surroundings serve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Lens
from core.errors import CalibrationRefused
from core.fitting import robust_line
from core.geometry import Points

LEAST_STRIPE_POINTS, ENOUGH_STRIPE_POINTS = 24, 48
MOST_STRIPE_POINTS = 150
"""Neighbouring columns say the same of a plane; so many, evenly spread, say it all."""

LIGHT_REACHES, DARK_REACH = (2.0, 1.3), 3.5
"""Plain surroundings of a point reach over so many standard deviations of the stripe, on a light tone the wider the
better. A light square throws twenty times the light of a dark one: the stripe's last flank on it outshines the middle
on the dark one."""

COURSE_WIDTHS = 1.5
"""How far a point may lie from the course of the whole stripe, in standard deviations of its width."""

PLAIN_SHARE = 0.15
LEAST_SPREAD_SHARE = 0.03
LARGEST_TILT_STD_DEG = 0.3
LARGEST_RESIDUAL_PX = 2.0

STRANGER_PX, STRANGER_RATIO, MOST_STRANGERS, LEAST_VIEWS_LEFT = 1.0, 5.0, 0.25, 3
"""A view lies off the plane that the others have without it when its stripe does by so many pixels and so many times
what theirs do; a share of the views at most, and with so many left."""


@dataclass(frozen=True, slots=True, eq=False)
class LineView:
    """A stripe on a board: its points in the picture, their uncertainty, the stripe's width, the board's picture.

    Attributes
    ----------
    points_px, std_px
        (N, 2) and (N,).
    width_px
        Standard deviation of the stripe's cross-section.
    gray
        (H, W) uint8, the board in ordinary light; None takes all points.
    """

    name: str
    points_px: Points
    std_px: NDArray[np.float64]
    width_px: float
    gray: NDArray[np.uint8] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PlaneFit:
    """A plane p · X = 1 with what carries it.

    Attributes
    ----------
    plane
        (3,) p, 1/mm.
    covariance
        (3, 3) of p from the scatter of the stripes; what the poses leave unknown is not in it.
    points_px, points_mm
        One (n, 2) and (n, 3) array a view, the points that serve.
    residual_mm
        One (n,) array a view, distance from the plane.
    rms_mm
        Of all residuals.
    """

    plane: NDArray[np.float64]
    covariance: NDArray[np.float64]
    points_px: tuple[Points, ...]
    points_mm: tuple[NDArray[np.float64], ...]
    residual_mm: tuple[NDArray[np.float64], ...]
    rms_mm: float


def clear_points(view: LineView, lens: Lens) -> Points:
    """Return the points of a stripe on a board that serve: in plain surroundings, on one straight line.

    Raises
    ------
    CalibrationRefused
        With too few of them.
    """
    points = view.points_px
    if view.gray is not None and len(points) >= LEAST_STRIPE_POINTS:
        # The rim of the paper, lit by a thick stripe, is straight and plain too, but leads another way.
        ideal = lens.undistort(points)
        course = robust_line(ideal, max(1.0, view.width_px))
        along = np.abs(course.line.offset(ideal)) < COURSE_WIDTHS * view.width_px + 2.0
        points = _plain(replace(view, points_px=points[along], std_px=view.std_px[along]), view.gray)
    if len(points) < LEAST_STRIPE_POINTS:
        raise CalibrationRefused(
            f"the stripe on {view.name} is clear of the borders between squares at only {len(points)} points: take "
            "larger squares, a thinner stripe or a shorter exposure"
        )
    ideal = lens.undistort(points)
    fit = robust_line(ideal, max(0.15, 0.02 * view.width_px))
    away = np.abs(fit.line.offset(ideal))
    kept = points[away < max(4.0 * fit.residual_std, 0.3)]
    if len(kept) < max(LEAST_STRIPE_POINTS, 0.5 * len(points)):
        raise CalibrationRefused(
            f"the stripe on {view.name} is not straight: the board must be flat and the picture must show one line"
        )
    step = max(1, math.ceil(len(kept) / MOST_STRIPE_POINTS))
    return np.asarray(kept[::step])


def _plain(view: LineView, gray: NDArray[np.uint8]) -> Points:
    """Return the points around which the board is of one tone, those on the light tone when there are enough."""
    x, y = np.rint(view.points_px).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < gray.shape[1]) & (y < gray.shape[0])
    points, x, y = view.points_px[inside], x[inside], y[inside]
    if not len(points):
        return np.asarray(points)
    calm = cv2.GaussianBlur(gray, (0, 0), 1.0)
    tone = calm[y, x].astype(float)
    high_tone = float(np.percentile(tone, 95))
    light = tone > 0.5 * (float(np.percentile(tone, 5)) + high_tone)

    def plain(reach: float) -> NDArray[np.bool_]:
        half = math.ceil(reach * view.width_px) + 2
        kernel = np.ones((2 * half + 1, 2 * half + 1), np.uint8)
        low, high = cv2.erode(calm, kernel)[y, x].astype(float), cv2.dilate(calm, kernel)[y, x].astype(float)
        return np.asarray(high - low < PLAIN_SHARE * high_tone)

    dark = np.zeros(len(points), bool)
    chosen = dark
    for reach in LIGHT_REACHES:
        chosen = light & plain(reach)
        if np.count_nonzero(chosen) < ENOUGH_STRIPE_POINTS:
            dark = dark if dark.any() else ~light & plain(DARK_REACH)
            chosen = chosen | dark
        if np.count_nonzero(chosen) >= ENOUGH_STRIPE_POINTS:
            break
    return np.asarray(points[chosen])


def on_board(
    points_px: Points, lens: Lens, turn: NDArray[np.float64], place: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return where the rays of pixels meet a board, (N, 3) camera coordinates in mm."""
    rays = _rays(lens.undistort(points_px), lens)
    normal = turn[:, 2]
    depth = float(normal @ place) / (rays @ normal)
    return np.asarray(rays * depth[:, None])


def _rays(ideal_px: Points, lens: Lens) -> NDArray[np.float64]:
    matrix = lens.camera_matrix
    x = (ideal_px[:, 0] - matrix[0, 2]) / matrix[0, 0]
    y = (ideal_px[:, 1] - matrix[1, 2]) / matrix[1, 1]
    return np.column_stack([x, y, np.ones(len(ideal_px))])


def plane_through(points: NDArray[np.float64], weights: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Return p of the plane p · X = 1 with the least (weighted) squared distances."""
    w = np.ones(len(points)) if weights is None else weights
    middle = (w @ points) / w.sum()
    _, _, axes = np.linalg.svd((points - middle) * np.sqrt(w)[:, None], full_matrices=False)
    return np.asarray(axes[2] / float(axes[2] @ middle))


def distances(points: NDArray[np.float64], plane: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the signed distance of each point from a plane, mm."""
    return np.asarray((points @ plane - 1.0) / np.linalg.norm(plane))


def _robust_plane(
    points_mm: Sequence[NDArray[np.float64]], pixel_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return all points, the share of each in its view, and the plane p · X = 1 through them."""
    together = np.vstack(points_mm)
    share = np.concatenate([np.full(len(points), 1.0 / len(points)) for points in points_mm])
    plane = plane_through(together, share)
    for _ in range(6):
        away = distances(together, plane)
        scale = max(1.4826 * float(np.median(np.abs(away))), 0.02 * pixel_mm)
        weights = share * np.where(np.abs(away) < 6 * scale, (1 - (away / (6 * scale)) ** 2) ** 2, 0.0)
        plane = plane_through(together, weights)
    return together, share, plane


def views_of_one_plane(points_mm: Sequence[NDArray[np.float64]], pixel_mm: float) -> list[int]:
    """Return the places of the views whose stripes lie on one plane; the others show another pose, or no stripe."""
    kept = list(range(len(points_mm)))
    while len(kept) > LEAST_VIEWS_LEFT and len(points_mm) - len(kept) < MOST_STRANGERS * len(points_mm):
        plane = _robust_plane([points_mm[i] for i in kept], pixel_mm)[2]
        worst = max(kept, key=lambda i: _rms(points_mm[i], plane))
        if _rms(points_mm[worst], plane) < 0.5 * STRANGER_PX * pixel_mm:
            break
        rest = [i for i in kept if i != worst]
        plane = _robust_plane([points_mm[i] for i in rest], pixel_mm)[2]
        others = float(np.median([_rms(points_mm[i], plane) for i in rest]))
        if _rms(points_mm[worst], plane) < max(STRANGER_PX * pixel_mm, STRANGER_RATIO * others):
            break
        kept = rest
    return kept


def _rms(points_mm: NDArray[np.float64], plane: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(distances(points_mm, plane) ** 2)))


def fit_plane(points_px: Sequence[Points], points_mm: Sequence[NDArray[np.float64]], pixel_mm: float) -> PlaneFit:
    """Fit the light's plane to the points of several views, each view counting alike.

    Parameters
    ----------
    pixel_mm
        Size of a pixel at the boards.

    Raises
    ------
    CalibrationRefused
        When the views do not span a plane, or their points do not lie in one.
    """
    together, share, plane = _robust_plane(points_mm, pixel_mm)
    away = distances(together, plane)
    rms = float(np.sqrt(share @ away**2 / share.sum()))
    bounds = np.cumsum([len(points) for points in points_mm])[:-1]
    residuals = tuple(np.split(away, bounds))
    _refuse_undetermined(points_mm, residuals, plane, pixel_mm)
    if rms > LARGEST_RESIDUAL_PX * pixel_mm:
        raise CalibrationRefused(
            f"the stripes lie {rms:.2f} mm (rms) off a plane, more than {LARGEST_RESIDUAL_PX:g} pixels: the laser or "
            "the camera moved between the pictures, or a stripe belongs to another pose"
        )
    covariance = _covariance(points_mm, residuals, plane)
    return PlaneFit(plane, covariance, tuple(points_px), tuple(points_mm), residuals, rms)


def _refuse_undetermined(
    points_mm: Sequence[NDArray[np.float64]],
    residuals: Sequence[NDArray[np.float64]],
    plane: NDArray[np.float64],
    pixel_mm: float,
) -> None:
    """Refuse stripes that lie on one line in space: any plane through that line would fit."""
    if len(points_mm) < 2:
        raise CalibrationRefused(
            "a laser plane needs stripes on at least two different poses of the board and one was given: lift or tilt "
            "the board and take another pair of pictures"
        )
    share = np.concatenate([np.full(len(points), 1.0 / len(points)) for points in points_mm])
    together = np.vstack(points_mm)
    centred = (together - (share @ together) / share.sum()) * np.sqrt(share / share.sum())[:, None]
    along, across, _ = (float(v) for v in np.linalg.svd(centred, compute_uv=False))
    views = np.array([math.hypot(float(np.mean(r)), 0.05 * pixel_mm) for r in residuals])
    tilt = math.degrees(math.atan2(float(np.sqrt(np.mean(views**2))), across * math.sqrt(len(views))))
    if across < LEAST_SPREAD_SHARE * along or tilt > LARGEST_TILT_STD_DEG:
        raise CalibrationRefused(
            f"the stripes of all poses lie within {across:.2f} mm of one line in space, so the laser plane's tilt "
            "about it is not determined: lift, lower or tilt the board by a tenth of its size or more between poses"
        )


def _covariance(
    points_mm: Sequence[NDArray[np.float64]], residuals: Sequence[NDArray[np.float64]], plane: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the covariance of p when points of one view are off together (cluster-robust sandwich)."""
    size = float(np.linalg.norm(plane))
    bread = np.zeros((3, 3))
    meat = np.zeros((3, 3))
    for points, residual in zip(points_mm, residuals, strict=True):
        rows = points / size / math.sqrt(len(points))
        bread += rows.T @ rows
        pull = rows.T @ (residual / math.sqrt(len(points)))
        # Each view by itself, and its points as independent ones: neither is ever wholly right.
        meat += np.outer(pull, pull) + float(np.var(residual)) * rows.T @ rows / len(points)
    inverse = np.linalg.inv(bread)
    views = len(points_mm)
    return np.asarray(inverse @ meat @ inverse) * views / max(1, views - 1)
