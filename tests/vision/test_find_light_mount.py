"""A section in a light mount on a dark bench: the mount stands out most, the section lies in it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.geometry import PlateEnd
from vision.find import find_welds

BUTT = butt(
    thickness_left_mm=6,
    thickness_right_mm=6,
    weld=ButtShape(5.0, 5.4, 1.4, root_half_mm=(1.6, 1.9), root_bulge_mm=0.5),
    end_left=PlateEnd(14),
    end_right=PlateEnd(14),
)


@pytest.mark.parametrize(("radius_px", "bench"), [(432, 12), (405, 12), (378, 12)])
def test_a_section_in_a_light_mount_on_a_dark_bench_is_found(photograph, radius_px: int, bench: int) -> None:
    photo = photograph(BUTT, look="dark on bright", seed=3)
    height, width = photo.gray.shape
    mount = np.zeros((height, width), np.uint8)
    cv2.circle(mount, (width // 2, height // 2), radius_px, 255, -1)
    light = 220.0 - 0.45 * (220.0 - photo.gray)  # metal nearer in tone to the mount than to the bench
    share = cv2.GaussianBlur(mount, (0, 0), 1.0) / 255.0
    gray = np.asarray(np.rint(share * light + (1.0 - share) * bench), np.uint8)
    found = find_welds(gray, photo.calibration)
    assert [weld.section.joint for weld in found.welds] == ["butt"]
    alone = find_welds(np.asarray(np.rint(light), np.uint8), photo.calibration).welds[0]
    for name, point in alone.points_px.items():
        assert found.welds[0].points_px[name] == pytest.approx(point, abs=0.5)
