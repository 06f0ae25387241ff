"""Beside an undercut a gentle face in a coarse, grainy picture may lead into the groove; its toe lies on this side."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.camera import Camera
from benchmarks.render.geometry import PlateEnd, Toe
from benchmarks.render.scene import Exposure, Look, paint
from calibration.model import from_pixel_size
from core.quantity import Quantity
from measurement import measure
from vision.find import find_welds

MM_PER_PX = 0.09


@pytest.mark.parametrize("seed", [2, 5, 7, 15])
def test_the_toe_of_a_gentle_cap_lies_at_the_rim_of_its_undercut(seed: int) -> None:
    groove = Toe(0.57, 1.3, 0.4)
    drawing = butt(
        thickness_left_mm=8.7,
        thickness_right_mm=8.7,
        weld=ButtShape(4.5, 4.5, 0.5, left=groove, right=groove),
        end_left=PlateEnd(20),
        end_right=PlateEnd(19),
    )
    camera = Camera(700, 500, MM_PER_PX, 3.0 * seed)
    off = camera.centre_px - camera.to_px(np.array([drawing.focus_mm]))[0]
    camera = Camera(700, 500, MM_PER_PX, 3.0 * seed, (float(off[0]) + 0.37, float(off[1]) - 0.21))
    rng = np.random.default_rng(seed)
    gray = paint(drawing, camera, Look(scratches=3), Exposure(blur_px=1.6), rng, roughness_mm=0.012).astype(float)
    grainy = np.clip(gray + np.random.default_rng(seed).normal(0, 7, gray.shape), 0, 255).astype(np.uint8)
    stored = cv2.imencode(".jpg", grainy, [cv2.IMWRITE_JPEG_QUALITY, 70])[1]
    (weld,) = find_welds(np.asarray(cv2.imdecode(stored, 0), np.uint8), from_pixel_size(MM_PER_PX)).welds
    width = measure(weld.section)["cap_width"]
    assert isinstance(width, Quantity)
    assert width.expanded_uncertainty is not None
    # The face was led up to 0.7 mm too far, known to 2 or 3 mm: what lies in the groove then passed for the face.
    assert abs(width.value - drawing.welds[0].values["cap_width"]) < 0.35
    assert width.expanded_uncertainty < 1.5
