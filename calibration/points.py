"""A scale from a known length between two marked points."""

from __future__ import annotations

import math

import numpy as np

from calibration.model import Calibration, Lens
from calibration.plane import PlaneOffset, correction_of
from calibration.unseen import TILT_STD_RAD, focal_length_px, lens_growth_per_px2, line_homography, propagate
from core.errors import CalibrationRefused, UsageError
from core.geometry import in_picture

SHORTEST_PX = 20.0


def calibrate_points(
    from_px: tuple[float, float],
    to_px: tuple[float, float],
    length_mm: float,
    *,
    click_std_px: float = 0.5,
    size_px: tuple[int, int] | None = None,
    plane: PlaneOffset | None = None,
    lens: Lens | None = None,
) -> Calibration:
    """Return the scale that two points of the picture and the length between them give.

    Parameters
    ----------
    from_px, to_px
        Points in the picture (x right, y down, pixel centre = integer).
    length_mm
        Their distance on the part.
    click_std_px
        Standard uncertainty of each point along the length.
    size_px
        Width and height of the picture; it sets how fast an unknown lens and an unseen tilt grow with
        the distance. Without it the points' own reach is taken for the picture.

    Raises
    ------
    UsageError
        When a number is not finite, the length is not positive, or a point lies outside the picture.
    CalibrationRefused
        When the points lie closer together than 20 px.
    """
    if not (math.isfinite(length_mm) and length_mm > 0):
        raise UsageError(f"the known length must be more than 0 mm, got {length_mm!r}")
    if not (math.isfinite(click_std_px) and click_std_px > 0):
        raise UsageError(f"the uncertainty of a marked point must be more than 0 px, got {click_std_px!r}")
    ends = np.array([from_px, to_px], float)
    if not np.isfinite(ends).all():
        raise UsageError(f"the marked points must be numbers, got {from_px!r} and {to_px!r}")
    if size_px is not None:
        refuse_points_outside(size_px, from_px, to_px)
    if lens is not None:
        ends = lens.undistort(ends)
    span_px = float(np.hypot(*(ends[1] - ends[0])))
    if span_px < SHORTEST_PX:
        raise CalibrationRefused(
            f"the two points lie only {span_px:.1f} px apart, too little for a scale: mark a longer known length"
        )
    width, height = size_px or tuple(np.maximum(ends.max(axis=0), span_px))
    centre = ends.mean(axis=0)
    direction = (ends[1] - ends[0]) / span_px
    scale = np.diag([length_mm / span_px, -length_mm / span_px, 1.0])
    correction, _ = correction_of(plane, scale, centre, (int(width), int(height)), lens)
    mm_per_px = length_mm / span_px * correction.factor
    tilt = TILT_STD_RAD / focal_length_px(width, height)
    unseen = np.diag([tilt**2, tilt**2, TILT_STD_RAD**4 / 2])
    covariance = propagate(
        lambda p: line_homography(centre, direction, mm_per_px, p[0], p[1], p[2]),
        np.zeros(3),
        unseen,
        np.array([1e-8, 1e-8, 1e-6]),
    )
    middle = 0.5 * (np.asarray(from_px, float) + np.asarray(to_px, float))
    return Calibration(
        "points",
        line_homography(centre, direction, mm_per_px),
        {
            "scale": math.sqrt(2.0) * click_std_px / span_px,
            "tilt": TILT_STD_RAD**2 / math.sqrt(2.0),
            "lens": 0.0,
            "plane offset": correction.relative_std,
        },
        centre_px=(float(middle[0]), float(middle[1])),
        lens_growth_per_px2=lens_growth_per_px2(width, height, lens),
        lens=lens,
        provenance={
            "length_mm": length_mm,
            "from_px": [float(v) for v in from_px],
            "to_px": [float(v) for v in to_px],
            "span_px": span_px,
            "click_std_px": click_std_px,
            "plane_factor": correction.factor,
            "camera_distance_mm": correction.distance_mm,
            "camera_distance_source": correction.distance_source,
        },
        px_to_mm_covariance=covariance,
        size_px=size_px,
    )


def refuse_points_outside(size_px: tuple[int, int], *points_px: tuple[float, float]) -> None:
    """Make sure that points lie in a picture of a width and a height.

    Raises
    ------
    UsageError
        When one lies beyond the edge of the outermost pixels.
    """
    for x, y in points_px:
        if not in_picture(x, y, *size_px):
            raise UsageError(f"the point {x:g},{y:g} does not lie in the picture of {size_px[0]} x {size_px[1]} pixels")
