"""From a laser line in the picture to a profile in mm: open, left to right, the air above."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.errors import CalibrationRefused
from core.geometry import Points, step_lengths
from core.medians import median
from vision.profile import Gap, Profile
from vision.stripe import Stripe

EVERY = 16
ROUNDING = {"gaussian": 0.5, "centroid": 0.8}
"""A line rounds a corner as a blur of this share of its width would, by what its centre is taken with (judged on drawn
frames)."""

LEAST_GAP_STEPS = 4.0
"""Points farther apart than this many usual steps have something missing between them."""


def check_frame(calibration: Calibration, shape: tuple[int, ...]) -> None:
    """Make sure that a rig's calibration is for frames of this shape.

    Raises
    ------
    CalibrationRefused
        When it is no rig's, or one for another size of frame.
    """
    if calibration.kind != "laser":
        raise CalibrationRefused(
            f"a laser frame needs the calibration of its rig, and this one is of kind {calibration.kind!r}: make it "
            "with 'toeline calibrate laser'"
        )
    lens = calibration.lens
    if lens is not None and (lens.height_px, lens.width_px) != tuple(shape[:2]):
        raise CalibrationRefused(
            f"the rig was calibrated with frames of {lens.width_px} x {lens.height_px} px and this one has "
            f"{shape[1]} x {shape[0]}: use the camera setting of the calibration"
        )


def profile_from_stripe(stripe: Stripe, calibration: Calibration) -> Profile:
    """Return the profile of a stripe in the plane of the laser's light."""
    points_px, std_px = stripe.points_px, stripe.std_px
    points = calibration.to_mm(points_px)
    gaps, ends = stripe.gaps, stripe.ends
    if points[-1, 0] < points[0, 0]:
        points, points_px, std_px = points[::-1], points_px[::-1], std_px[::-1]
        last = len(points) - 2
        gaps = tuple(gap.__class__(last - gap.after, gap.length_px, gap.reason) for gap in reversed(gaps))
        ends = {len(points) - 1 - at: shifts for at, shifts in ends.items()}
    pixel = calibration.mm_per_px(points_px.mean(axis=0))
    steps = step_lengths(points)
    usual = median(steps)
    known = {gap.after: gap.reason for gap in gaps}
    inner = [
        Gap(int(after), float(steps[after]), known.get(int(after), "points of the line are missing here"))
        for after in np.flatnonzero(steps > LEAST_GAP_STEPS * usual)
    ]
    rims = [Gap(g.after, g.length_px * pixel, g.reason) for g in gaps if g.after in (-1, len(points) - 1)]
    everywhere = sorted([*rims, *inner], key=lambda gap: gap.after)
    return Profile(
        points_mm=points,
        std_mm=_across(points, points_px, std_px, calibration, stripe),
        closed=False,
        cut=np.zeros(len(points), bool),
        resolution_mm=usual,
        points_px=points_px,
        relative_std=calibration.relative_components(points_px[:: max(1, len(points_px) // 50)]),
        blur_mm=ROUNDING[stripe.estimator] * stripe.blur_px * pixel,
        correlation_points=stripe.together,
        gaps=tuple(everywhere),
        points_alone=True,
        end_shifts_mm=_shifts(points_px, ends, calibration),
        band_mm=ROUNDING[stripe.estimator] * stripe.band_px * pixel,
    )


def _shifts(points_px: Points, ends: Mapping[int, Points], calibration: Calibration) -> dict[int, Points]:
    """Return by how much each end of a surface may lie elsewhere (2, 2), mm: a pixel differs by its direction."""
    if not ends:
        return {}
    shifts = np.stack([*ends.values()])
    at = points_px[[*ends]][:, None]
    moved = calibration.to_mm(np.stack([at + 0.5 * shifts, at - 0.5 * shifts]).reshape(-1, 2)).reshape(2, -1, 2, 2)
    return dict(zip(ends, moved[0] - moved[1], strict=True))


def _across(
    points: Points, points_px: Points, std_px: NDArray[np.float64], calibration: Calibration, stripe: Stripe
) -> NDArray[np.float64]:
    """Return the standard uncertainty of each point across the surface, mm.

    A point is uncertain along its column (or row); what counts is the part of that square to the surface.
    """
    axis = np.array([0.0, 0.5]) if stripe.orientation == "rows" else np.array([0.5, 0.0])
    # How mm go with pixels changes slowly over the picture: every so many points are enough.
    count = len(points_px)
    some = np.append(np.arange(0, count - 1, EVERY), count - 1)
    beside = calibration.to_mm(np.concatenate([points_px[some] + axis, points_px[some] - axis]))
    step = beside[: len(some)] - beside[len(some) :]
    moved_x, moved_y = (np.interp(np.arange(count), some, step[:, i]) for i in (0, 1))
    x, y = _spread(points, min(7, max(1, (count - 1) // 2))).T
    across = np.abs(moved_x * y - moved_y * x) / np.maximum(np.sqrt(x * x + y * y), 1e-12)
    # On a steep stretch points were taken the other way: never less than half of the step counts.
    return np.asarray(std_px * np.maximum(across, 0.5 * np.sqrt(moved_x * moved_x + moved_y * moved_y)))


def _spread(points: Points, reach: int) -> Points:
    """Return the way from the point ``reach`` before each to the one as far behind, from or to the end beyond it."""
    way = np.empty_like(points)
    way[reach:-reach] = points[2 * reach :] - points[: -2 * reach]
    way[:reach] = points[reach : 2 * reach] - points[0]
    way[-reach:] = points[-1] - points[-2 * reach : -reach]
    return way
