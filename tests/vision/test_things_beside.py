"""A rule that touches a section, and a second section in the picture, are told."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.geometry import PlateEnd
from vision.find import find_welds
from vision.found import FoundWelds

CAP = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
BUTT = butt(thickness_left_mm=10, thickness_right_mm=10, weld=CAP, end_left=PlateEnd(15), end_right=PlateEnd(15))


def codes(found: FoundWelds) -> set[str]:
    return {flag.code for weld in found.welds for flag in weld.flags}


@pytest.mark.parametrize("level", [110, 250])
def test_a_rule_against_the_root_side_is_told(photograph, level: int) -> None:
    photo = photograph(BUTT, rotation_deg=0, seed=4)
    metal = np.flatnonzero((photo.gray > 120).sum(axis=1) > 40)
    gray = photo.gray.copy()
    top = int(metal.max()) - 3
    cv2.rectangle(gray, (100, top), (1100, top + 110), level, -1)
    assert not codes(find_welds(photo.gray, photo.calibration)) & {"unlike_parts", "another_section"}
    assert "unlike_parts" in codes(find_welds(gray, photo.calibration))


@pytest.mark.parametrize("turn_deg", [0, 20])
def test_a_second_section_is_told(photograph, turn_deg: float) -> None:
    photo = photograph(BUTT, rotation_deg=turn_deg, seed=4)
    both = np.vstack([photo.gray, photo.gray])
    assert "another_section" in codes(find_welds(both, photo.calibration))


def test_a_rule_beside_a_section_is_no_second_one(photograph) -> None:
    photo = photograph(BUTT, rotation_deg=3, seed=4)
    gray = photo.gray.copy()
    cv2.rectangle(gray, (60, 760), (1140, 860), 245, -1)
    for tick in range(80, 1130, 22):
        cv2.line(gray, (tick, 760), (tick, 795), 20, 3)
    assert "another_section" not in codes(find_welds(gray, photo.calibration))
