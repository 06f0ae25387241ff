"""The ground on one side of a section that crosses the picture is no plate."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from vision.behind_plates import is_inside_out
from vision.find import find_welds
from vision.section import Section
from vision.segmentation import reduce_picture

CAP = ButtShape(5.0, 5.5, 1.4, (2.0, 2.2), 0.8)


def inside_out(section: Section) -> Section:
    """Return the weld as the ground shows it: what was its air is its metal."""
    face = section.face
    turned = replace(
        face,
        left=face.right,
        right=face.left,
        toe_left=face.toe_right,
        toe_right=face.toe_left,
        face=face.face[::-1],
    )
    return replace(section, face=turned, root_side=None, opposite_left=None, opposite_right=None)


@pytest.mark.parametrize("rotation_deg", [0.0, 14.0, 180.0])
@pytest.mark.parametrize("look", ["bright on dark", "dark on bright"])
def test_air_that_ends_at_metal_again_is_the_section(photograph, rotation_deg: float, look: str) -> None:
    drawing = butt(thickness_left_mm=9, thickness_right_mm=9, weld=CAP)
    photo = photograph(drawing, rotation_deg=rotation_deg, look=look, seed=4)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    reduced = reduce_picture(photo.gray)
    assert is_inside_out(inside_out(weld.section), reduced, photo.calibration)
    assert not is_inside_out(weld.section, reduced, photo.calibration)
    one_sided = replace(weld.section, root_side=None, opposite_left=None, opposite_right=None)
    assert not is_inside_out(one_sided, reduced, photo.calibration)


def test_a_blot_beside_a_plate_is_no_strip(photograph) -> None:
    """Something as bright as the metal lies in the air, and not all along."""
    photo = photograph(butt(thickness_left_mm=9, thickness_right_mm=9, weld=CAP), seed=4)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    one_sided = replace(weld.section, root_side=None, opposite_left=None, opposite_right=None)
    gray = photo.gray.copy()
    x, y = np.rint(photo.camera.to_px(np.array([[-12.0, 8.0]]))[0]).astype(int)
    cv2.circle(gray, (int(x), int(y)), 90, int(np.percentile(gray, 95)), -1)
    assert not is_inside_out(one_sided, reduce_picture(gray), photo.calibration)
