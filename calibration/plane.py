"""A target that does not lie in the plane of the section: correction, and what stays unknown.

Sign: the offset is POSITIVE when the section lies NEARER to the camera than the target. With the lens at
distance Z from the section's plane, the target is at Z + offset; what is seen of the section is larger
than the target says, so a length found with the target's scale is multiplied by Z / (Z + offset).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.distance import UNKNOWN_DISTANCE_MM, SeenDistance, distance_of, lens_distance
from calibration.model import Lens
from core.errors import UsageError
from core.geometry import Points

UNKNOWN_OFFSET_STD_MM = 0.5 / math.sqrt(3.0)
"""Assumption, no source: a target set level by eye and finger lies within 0.5 mm of the section's plane
(evenly distributed, JCGM 100:2008, 4.3.7)."""

GIVEN_OFFSET_STD_MM = 0.1
"""Assumption, no source: an offset that a person measured with a caliper."""

LARGEST_OFFSET_PER_FIELD = 0.075
"""Assumption, no source: what lies farther out of the plane than this share of the picture's longer side is seen to be
out of focus. A lens is open by a fiftieth of its distance or more, so an offset of 0.075 of a picture 2000 px wide
blurs by 3 px. It counts under a microscope, where 0.5 mm would be as far off as the picture is wide."""

GIVEN_DISTANCE_REL_STD = 0.05
"""Assumption, no source: where the lens really is inside a camera is known to about 5 % of the distance."""


@dataclass(frozen=True, slots=True)
class PlaneOffset:
    """How far the section lies in front of the target, towards the camera.

    Attributes
    ----------
    offset_mm
        Positive when the section lies nearer to the camera than the target; None when nobody said.
    distance_mm
        From the camera's lens to the plane of the section; None when nobody said.
    offset_std_mm
        Standard uncertainty of the offset; None takes the constants of this module.
    focal_35_mm
        Focal length that the picture's file names, as of a picture 43.3 mm across its corners; None when it names none.
    """

    offset_mm: float | None = None
    distance_mm: float | None = None
    offset_std_mm: float | None = None
    focal_35_mm: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("plane offset", self.offset_mm), ("its uncertainty", self.offset_std_mm)):
            if value is not None and not math.isfinite(value):
                raise UsageError(f"the {name} must be a number of mm, got {value!r}")
        if self.offset_std_mm is not None and self.offset_std_mm < 0:
            raise UsageError(f"the uncertainty of the plane offset must not be negative, got {self.offset_std_mm:g} mm")
        if self.distance_mm is not None and not (math.isfinite(self.distance_mm) and self.distance_mm > 0):
            raise UsageError(f"the camera distance must be more than 0 mm, got {self.distance_mm!r}")
        if self.offset_mm and self.distance_mm is None:
            raise UsageError(
                f"a plane offset of {self.offset_mm:g} mm can only be corrected with the distance of the camera: "
                "give --camera-distance too"
            )
        if self.offset_mm is not None and self.distance_mm is not None and abs(self.offset_mm) > 0.5 * self.distance_mm:
            raise UsageError(
                f"a plane offset of {self.offset_mm:g} mm at a camera distance of {self.distance_mm:g} mm cannot be "
                "right: check both numbers and their units"
            )


@dataclass(frozen=True, slots=True)
class PlaneCorrection:
    """``factor`` multiplies mm found with the target's scale; ``relative_std`` is what stays unknown."""

    factor: float
    relative_std: float
    distance_mm: float
    distance_source: str


def plane_correction(
    plane: PlaneOffset,
    seen: SeenDistance | None = None,
    *,
    lens_distance_mm: float | None = None,
    field_mm: float = math.inf,
) -> PlaneCorrection:
    """Return the correction of the scale for a target in front of or behind the section.

    Parameters
    ----------
    seen
        What the picture says of the distance, used when nobody gave one; None assumes the usual one.
    lens_distance_mm
        Distance of the target that a calibrated lens shows; it goes before what is seen.
    field_mm
        What the picture's longer side shows.

    Notes
    -----
    d(factor)/factor = -d(offset) / (Z + offset) + d(Z) · offset / (Z · (Z + offset)).
    """
    offset = plane.offset_mm or 0.0
    if plane.distance_mm is not None:
        distance, source = plane.distance_mm, "given"
    elif lens_distance_mm is not None:
        distance, source = lens_distance_mm - offset, "from the lens"
    elif seen is not None:
        distance, source = seen.distance_mm, seen.source
    else:
        distance, source = UNKNOWN_DISTANCE_MM, "assumed"
    nearness = 1.0 / (distance + offset)
    if seen is not None and source == seen.source:
        nearness = seen.inverse_rms
    if plane.offset_std_mm is not None:
        offset_std = plane.offset_std_mm
    else:
        assumed = UNKNOWN_OFFSET_STD_MM if plane.offset_mm is None else GIVEN_OFFSET_STD_MM
        offset_std = min(assumed, LARGEST_OFFSET_PER_FIELD * field_mm / math.sqrt(3.0))
    relative = math.hypot(offset_std * nearness, GIVEN_DISTANCE_REL_STD * offset / (distance + offset))
    return PlaneCorrection(distance / (distance + offset), relative, distance, source)


def correction_of(
    plane: PlaneOffset | None,
    px_to_mm: NDArray[np.float64],
    at_px: Points,
    size_px: tuple[int, int],
    lens: Lens | None,
    covariance: NDArray[np.float64] | None = None,
) -> tuple[PlaneCorrection, SeenDistance]:
    """Return the correction for a target as a picture shows it, and what that says of the camera's distance.

    Parameters
    ----------
    plane
        What a person said; None for nothing.
    px_to_mm, covariance, at_px, size_px
        As `calibration.distance.distance_of` takes them.
    """
    said = plane or PlaneOffset()
    seen = distance_of(px_to_mm, covariance, at_px, size_px, lens, said.focal_35_mm)
    far = None if lens is None else lens_distance(lens, px_to_mm)
    field_mm = max(size_px) * _mm_per_px(px_to_mm, at_px)
    return plane_correction(said, seen, lens_distance_mm=far, field_mm=field_mm), seen


def _mm_per_px(px_to_mm: NDArray[np.float64], at_px: Points) -> float:
    """Return the size of a pixel at a point, the geometric mean of both directions."""
    depth = float(px_to_mm[2] @ np.append(at_px, 1.0))
    return math.sqrt(abs(float(np.linalg.det(px_to_mm)) / depth**3))
