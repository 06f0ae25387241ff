"""Pieces as they are cut out of thick plate: short, with ragged ends."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.butts import ButtShape, butt
from calibration.model import from_pixel_size
from core.quantity import Quantity
from measurement import measure
from vision.find import find_welds

MM_PER_PX = 0.05


def painted(polygons: list[NDArray[np.float64]], size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """Return bright polygons (N, 2) px on a dark ground."""
    fine = np.full((4 * size_px[1], 4 * size_px[0]), 50, np.uint8)
    for polygon in polygons:
        cv2.fillPoly(fine, [np.rint(4 * polygon).astype(np.int32)], 170)
    gray = cv2.GaussianBlur(cv2.resize(fine, size_px, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    return np.clip(gray + np.random.default_rng(2).normal(0, 1.5, gray.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("length_mm", [22.0, 24.0])
@pytest.mark.parametrize("turn_deg", [0, 25])
def test_a_prepared_piece_may_be_shorter_than_thick(length_mm: float, turn_deg: float) -> None:
    thick, land, gap, bevel = 24.0, 2.0, 3.0, 30.0
    run = (thick - land) * math.tan(math.radians(bevel))
    left = np.array(
        [[-length_mm, 0], [-gap / 2 - run, 0], [-gap / 2, thick - land], [-gap / 2, thick], [-length_mm, thick]]
    )
    turn = math.radians(turn_deg)
    turned = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    members = [(side - [0, thick / 2]) @ turned / MM_PER_PX + [600, 500] for side in (left, left * [-1, 1])]
    (weld,) = find_welds(painted(members, (1200, 1000)), from_pixel_size(MM_PER_PX)).welds
    assert weld.section.joint == "groove"
    values = measure(weld.section)
    for name, true, within in (
        ("bevel_angle_left", bevel, 0.4),
        ("bevel_angle_right", bevel, 0.4),
        ("root_gap", gap, 0.1),
        ("thickness_left", thick, 0.1),
    ):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert value.value == pytest.approx(true, abs=within), name


@pytest.mark.parametrize("length_mm", [18.0, 22.0])
@pytest.mark.parametrize("bevelled", ["left", "right"])
def test_a_square_piece_beside_a_bevelled_one_may_be_as_short(length_mm: float, bevelled: str) -> None:
    """The bevel of one tells that the other is no square of a board."""
    thick, gap, bevel = 24.0, 3.0, 30.0
    run = (thick - 2.0) * math.tan(math.radians(bevel))
    left = np.array(
        [[-30, 0], [-gap / 2 - run, 0], [-gap / 2, thick - 2], [-gap / 2, thick], [-30, thick]], dtype=float
    )
    square = np.array([[gap / 2, 0], [gap / 2 + length_mm, 0], [gap / 2 + length_mm, thick], [gap / 2, thick]])
    way = [1, 1] if bevelled == "left" else [-1, 1]
    pieces = [(piece * way - [0, thick / 2]) / MM_PER_PX + [600, 500] for piece in (left, square)]
    (weld,) = find_welds(painted(pieces, (1200, 1000)), from_pixel_size(MM_PER_PX)).welds
    values = measure(weld.section)
    for name, true, within in ((f"bevel_angle_{bevelled}", bevel, 0.4), ("root_gap", gap, 0.1)):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert value.value == pytest.approx(true, abs=within), name


@pytest.mark.parametrize("seed", range(4))
def test_a_ragged_cut_is_no_other_side_of_a_plate(photograph, seed: int) -> None:
    cap = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
    drawing = butt(thickness_left_mm=11, thickness_right_mm=11, weld=cap)
    photo = photograph(drawing, mm_per_px=MM_PER_PX, seed=1)
    gray = photo.gray.copy()
    rng = np.random.default_rng(seed)
    rows = np.arange(len(gray))
    # Saw-toothed: flat steps along the plate, with flanks across it.
    for edge, way in ((80, 1), (1120, -1)):
        depth = np.repeat(rng.uniform(-22, 22, len(rows) // 9 + 1), 9)[: len(rows)]
        for row, ends in zip(rows, (edge + way * depth).astype(int), strict=True):
            gray[row, : max(ends, 0)] = gray[row, : max(ends, 0)] if way < 0 else 20
            if way < 0:
                gray[row, ends:] = 20
    (weld,) = find_welds(cv2.GaussianBlur(gray, (0, 0), 0.8), photo.calibration).welds
    for side in ("left", "right"):
        value = measure(weld.section)[f"thickness_{side}"]
        assert not isinstance(value, Quantity) or value.value == pytest.approx(11.0, abs=0.1)
