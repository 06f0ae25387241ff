"""A thin tail of weld metal beyond the tip of a line makes the tip doubtful; streaks of the plate do not."""

import cv2
import numpy as np
import pytest

from vision.fusion_sheet import Sheet
from vision.fusion_tail import tail_px, with_tail

WELD, PLATE = 170.0, 120.0


def picture(*, tail_px: float, streak: float = 0.0) -> np.ndarray:
    """Return weld metal above a corner at (150, 150) that a tail leads down from, blurred, with grain."""
    plane = np.full((320, 300), PLATE, np.float32)
    if streak:
        plane[:, 147:153] += streak
    cv2.fillPoly(plane, [np.array([[40, 0], [150, 150], [260, 0]])], WELD)
    if tail_px:
        cv2.fillPoly(plane, [np.array([[145, 140], [155, 140], [151, 150 + tail_px], [149, 150 + tail_px]], int)], WELD)
    plane = cv2.GaussianBlur(plane, (0, 0), 1.5)
    rng = np.random.default_rng(6)
    return np.clip(plane + 4 * cv2.GaussianBlur(rng.standard_normal(plane.shape), (0, 0), 1.0), 0, 255).astype(np.uint8)


def line() -> np.ndarray:
    """Return the line from the left down to the corner and up to the right, two pixels from point to point."""
    down = np.column_stack([np.linspace(50, 150, 90), np.linspace(14, 150, 90)])
    up = np.column_stack([np.linspace(150, 250, 90), np.linspace(150, 14, 90)])
    return np.vstack([down, up[1:]])


def found(gray: np.ndarray, outside: float) -> tuple[int, float]:
    whole, none = np.ones(gray.shape, np.uint8), np.zeros(gray.shape, np.uint8)
    sheet = Sheet(gray.astype(np.float32), whole, whole, none, none, WELD, np.zeros(2), 1.0)
    return tail_px(gray, sheet, line(), 1.9, 1.5, outside, 1.0)


# The numbers (x, y) of a picture run down: on the way to the right metal outside lies to their left.
OUTSIDE = 1.0


@pytest.mark.parametrize("length", [30, 55])
def test_a_tail_is_seen_about_to_its_end(length: int) -> None:
    tip, tail = found(picture(tail_px=length), OUTSIDE)
    assert abs(tip - 89) <= 4
    assert tail == pytest.approx(length, abs=9)


def test_a_bare_tip_and_a_streak_of_the_plate_are_no_tails() -> None:
    assert found(picture(tail_px=0), OUTSIDE)[1] == 0.0
    assert found(picture(tail_px=0, streak=9.0), OUTSIDE)[1] == 0.0


def test_the_tip_is_as_doubtful_as_its_tail_is_long() -> None:
    gray = picture(tail_px=40)
    whole, none = np.ones(gray.shape, np.uint8), np.zeros(gray.shape, np.uint8)
    sheet = Sheet(gray.astype(np.float32), whole, whole, none, none, WELD, np.zeros(2), 1.0)
    std = with_tail(gray, sheet, line(), np.ones(179), 1.9, 1.5, OUTSIDE, 1.0)
    assert std[89] == pytest.approx(0.6 * 40, rel=0.3)
    assert (std[:60] == 1.0).all()
    assert (std[120:] == 1.0).all()
