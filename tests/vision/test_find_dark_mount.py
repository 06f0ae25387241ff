"""Etched weld metal that looks more like the mount than like its plates stays part of the section."""

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.inside import calibration_of, well_outlined
from benchmarks.render.camera import Camera
from benchmarks.render.etch import random_section
from benchmarks.render.etch_paint import Etch, paint_etched
from vision.find import find_welds

EXPECTED = {
    "tee": ["tee"],
    "double_tee": ["tee", "tee"],
    "lap": ["lap"],
    "single_v": ["butt"],
    "double_v": ["butt"],
}


def etched(joint: str, seed: int, **tones: float):
    rng = np.random.default_rng(seed)
    section = random_section(rng, joint, pores=2)
    x0, y0, x1, y1 = section.drawing.metal.bounds
    scale = max(0.03, (x1 - x0) / 1500, (y1 - y0) / 1100)
    plain = Camera(1700, 1275, scale, 3.0)
    shift = plain.centre_px - plain.to_px(np.array([[(x0 + x1) / 2, (y0 + y1) / 2]]))[0]
    camera = replace(plain, shift_px=(float(shift[0]), float(shift[1])))
    return paint_etched(section, replace(Etch(), **tones), camera, rng)


TONES = (
    {"background": 0.05, "parent": 0.58, "haz": 0.47, "weld": 0.27},
    {"background": 0.05, "parent": 0.70, "haz": 0.60, "weld": 0.20},
    {"background": 0.92, "parent": 0.30, "haz": 0.40, "weld": 0.70},
)


@pytest.mark.parametrize(
    ("joint", "tones"),
    [(joint, TONES[(number + turn) % 3]) for number, joint in enumerate(EXPECTED) for turn in (0, 1)],
)
def test_weld_metal_of_another_tone_is_not_left_out(joint: str, tones: dict[str, float]) -> None:
    picture = etched(joint, 31, **tones)
    found = find_welds(picture.picture, calibration_of(picture))
    assert [weld.section.joint for weld in found.welds] == EXPECTED[joint]
    assert well_outlined(picture, found)
