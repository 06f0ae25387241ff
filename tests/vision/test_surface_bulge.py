"""A face that begins as a low bulge on the other side of its plate line: the toe's doubt reaches back over it."""

from __future__ import annotations

import numpy as np
import pytest

from core.geometry import Line
from vision.hidden_start import bulge_before, is_flat

TOWARDS = Line(0.0, 0.0, 1.0, 0.0)
ALONG = np.arange(0.0, 20.0, 0.05)


def plate(bulge_mm: float, *, length_mm: float = 4.0) -> np.ndarray:
    """Points of a plate that end at x = 20, the last ``length_mm`` of them bulged."""
    share = np.clip((ALONG - (20.0 - length_mm)) / length_mm, 0, 1)
    return np.column_stack([ALONG, bulge_mm * np.sin(np.pi * share)])


@pytest.mark.parametrize("sign", [1, -1])
def test_a_bulge_opposite_to_the_face_is_doubt_over_its_length(sign: int) -> None:
    assert bulge_before(plate(-sign * 0.04), TOWARDS, sign, 0.02) == pytest.approx(2.0, abs=0.1)


def test_what_is_no_more_than_wander_or_lies_elsewhere_is_none() -> None:
    assert bulge_before(plate(-0.015), TOWARDS, 1, 0.02) == 0
    assert bulge_before(plate(0.04), TOWARDS, 1, 0.02) == 0
    far = plate(0.0)
    far[100:140, 1] = -0.05
    assert bulge_before(far, TOWARDS, 1, 0.02) == 0


@pytest.mark.parametrize(("depth_mm", "flat"), [(0.05, True), (0.4, False)])
def test_a_hollow_much_wider_than_deep_is_no_groove(depth_mm: float, flat: bool) -> None:
    along = np.arange(0.0, 8.0, 0.02)
    dip = np.where(along > 5.0, -depth_mm * np.sin(np.pi * (along - 5.0) / 3.0), 0.002)
    assert is_flat(np.column_stack([along, dip]), TOWARDS, 1) is flat


def test_points_that_stray_alone_are_no_bulge() -> None:
    strewn = plate(0.0)
    strewn[-30:-5:6, 1] = -0.05
    assert bulge_before(strewn, TOWARDS, 1, 0.02) == 0


def test_short_plate_has_no_bulge() -> None:
    assert bulge_before(plate(-0.04)[-3:], TOWARDS, 1, 0.02) == 0
