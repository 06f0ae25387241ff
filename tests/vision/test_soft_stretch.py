"""A stain on the metal at its edge, nearly as dark as the ground: the outline goes along the edge and not round it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from core.geometry import Points
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds


def stained(gray: NDArray[np.uint8], at_px: Points, size_px: tuple[int, int], depth: float) -> NDArray[np.uint8]:
    """Lay a stain with a soft rim on bright metal, that takes so much of its step to the dark ground."""
    ground, metal = (float(level) for level in np.percentile(gray, [2, 98]))
    stain = np.zeros(gray.shape, np.float32)
    cv2.ellipse(stain, tuple(int(v) for v in at_px), size_px, 0, 0, 360, 1.0, -1)
    cover = cv2.GaussianBlur(stain, (0, 0), 6.0)
    of_metal = np.clip((gray - ground) / (metal - ground), 0.0, 1.0)
    return np.asarray(gray - depth * cover * of_metal * (metal - ground), np.uint8)


def fillet_photo(photograph, **look):
    drawing = tee(
        through_thickness_mm=9,
        standing_thickness_mm=8,
        right=FilletShape(7.0, 7.5, bulge_mm=0.4),
        through_left=PlateEnd(16),
        through_right=PlateEnd(18),
        standing=PlateEnd(20),
    )
    photo = photograph(drawing, rotation_deg=5.0, mm_per_px=0.04, **look)
    weld = drawing.welds[0].points_mm
    middle = 0.5 * (weld["toe_left"] + weld["toe_right"])
    return photo, drawing.welds[0].values, photo.camera.to_px(middle)[0]


@pytest.mark.parametrize("depth", [0.75, 0.85])
def test_the_outline_goes_along_the_edge_of_a_stain(photograph, depth: float) -> None:
    photo, true, middle = fillet_photo(photograph)
    (weld,) = find_welds(stained(photo.gray, middle, (30, 30), depth), photo.calibration).welds
    values = measure(weld.section)
    for name in ("throat", "convexity", "weld_area", "leg_left", "face_width"):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert value.expanded_uncertainty is not None
        assert abs(value.value - true[name]) < value.expanded_uncertainty + 0.01, name
    assert "soft_outline" in {flag.code for flag in weld.flags}


@pytest.mark.parametrize("blur_px", [1.8, 2.2])
def test_the_rim_of_a_stain_may_be_nearly_as_sharp_as_a_blurred_edge(photograph, blur_px: float) -> None:
    """Not told by its softness then, but by its bite into the metal and the edge that goes on beside it."""
    photo, true, middle = fillet_photo(photograph, blur_px=blur_px)
    (weld,) = find_welds(stained(photo.gray, middle, (30, 30), 0.7), photo.calibration).welds
    values = measure(weld.section)
    for name in ("throat", "convexity", "weld_area"):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert value.expanded_uncertainty is not None
        assert abs(value.value - true[name]) < value.expanded_uncertainty + 0.01, name
    assert "soft_outline" in {flag.code for flag in weld.flags}


def test_where_the_edge_of_a_stain_is_not_seen_the_face_is_not_told(photograph) -> None:
    photo, true, middle = fillet_photo(photograph)
    (weld,) = find_welds(stained(photo.gray, middle, (30, 30), 1.0), photo.calibration).welds
    values = measure(weld.section)
    for name in ("throat", "convexity", "weld_area"):
        value = values[name]
        assert isinstance(value, NotMeasurable), name
        assert "on the face" in value.reason
    leg = values["leg_left"]
    assert isinstance(leg, Quantity)
    assert abs(leg.value - true["leg_left"]) < 0.06
