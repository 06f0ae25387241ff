"""A plain butt weld is measured in any grain: a toe that one model does not meet is no reason to give up."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.camera import Camera
from benchmarks.render.geometry import PlateEnd
from benchmarks.render.scene import Exposure, Look, paint
from calibration.model import from_pixel_size
from vision.find import find_welds


@pytest.mark.parametrize("seed", range(1, 13))
def test_butt_weld_of_near_tones(seed: int) -> None:
    weld = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
    ends = {"end_left": PlateEnd(21), "end_right": PlateEnd(20)}
    drawing = butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, offset_mm=0.7, **ends)
    camera = Camera(1400, 1050, 0.035)
    off = camera.centre_px - camera.to_px(np.array([drawing.focus_mm]))[0]
    camera = Camera(1400, 1050, 0.035, 0.0, (float(off[0]), float(off[1])))
    look = Look(background=0.1, plate=0.62, weld=0.56, haz=0.59)
    gray = paint(drawing, camera, look, Exposure(blur_px=0.9), np.random.default_rng(seed), roughness_mm=0.004)
    (found,) = find_welds(np.asarray(gray, np.uint8), from_pixel_size(0.035)).welds
    assert found.section.joint == "butt"


@pytest.mark.parametrize("seed", range(16))
def test_butt_weld_in_any_grain(photograph, seed: int) -> None:
    weld = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
    ends = {"end_left": PlateEnd(21), "end_right": PlateEnd(20)}
    joint = butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, offset_mm=0.7, **ends)
    photo = photograph(joint, size_px=(1400, 1050), mm_per_px=0.035, seed=seed)
    (found,) = find_welds(photo.gray, photo.calibration).welds
    assert found.section.joint == "butt"
    assert found.section.root_side is not None
