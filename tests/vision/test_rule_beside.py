"""A rule that lies against a section, as bright as its metal: it is told by its ticks and left out."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from calibration.model import from_pixel_size
from core.geometry import Line
from vision.find import find_welds
from vision.rule_beside import has_ticks


def fillet():
    return tee(
        through_thickness_mm=9,
        standing_thickness_mm=8,
        right=FilletShape(6.2, 7.1, bulge_mm=0.5),
        through_left=PlateEnd(14),
        through_right=PlateEnd(17),
        standing=PlateEnd(12),
    )


def cap():
    weld = ButtShape(4.5, 4.5, 1.2, (2.0, 2.0), 0.7)
    return butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, end_left=PlateEnd(20), end_right=PlateEnd(20))


def with_rule(photo, top_mm: float, *, spacing_mm: float = 1.0, tone: int = 215) -> NDArray[np.uint8]:
    """Lay a rule into a picture whose upper edge is the line y = top_mm of the section, its ticks along it."""

    def fixed(x: float, y: float) -> tuple[int, int]:
        return tuple(np.rint(photo.camera.to_px(np.array([[x, top_mm + y]]))[0] * 16).astype(int).tolist())

    gray = photo.gray.copy()
    rule = np.array([fixed(-80, 0), fixed(80, 0), fixed(80, -8), fixed(-80, -8)], np.int32)
    cv2.fillPoly(gray, [rule], tone, cv2.LINE_AA, 4)
    for number, x in enumerate(np.arange(-80, 80, spacing_mm)):
        long = -3.0 if number % 10 == 0 else -1.5
        cv2.line(gray, fixed(x, 0), fixed(x, long), 30, 3, cv2.LINE_AA, 4)
    blurred = cv2.GaussianBlur(gray, (0, 0), 0.8)
    lain = np.zeros(gray.shape, np.uint8)
    cv2.fillPoly(lain, [rule], 1, cv2.LINE_8, 4)
    return np.where(cv2.dilate(lain, np.ones((5, 5), np.uint8)) > 0, blurred, photo.gray).astype(np.uint8)


@pytest.mark.parametrize("tone", [185, 215])
def test_a_rule_under_a_tee_is_left_out_and_told(photograph, tone: int) -> None:
    photo = photograph(fillet(), rotation_deg=3.0)
    (weld,) = find_welds(with_rule(photo, -9.0, tone=tone), photo.calibration).welds
    (plain,) = find_welds(photo.gray, photo.calibration).welds
    assert weld.section.joint == "tee"
    assert "rule_beside" in {flag.code for flag in weld.flags}
    assert "rule_beside" not in {flag.code for flag in plain.flags}
    for name, point in plain.points_px.items():
        assert math.dist(weld.points_px[name], point) < 1.2, name


def test_what_rests_on_the_edge_at_a_rule_is_not_measured(photograph) -> None:
    """The rule lies against the top of a root bead, which has no edge of its own there."""
    photo = photograph(cap(), rotation_deg=2.0)
    (weld,) = find_welds(with_rule(photo, -10.6), photo.calibration).welds
    assert weld.section.joint == "butt"
    assert "rule_beside" in {flag.code for flag in weld.flags}
    assert "root_reinforcement" in weld.section.unseen
    (plain,) = find_welds(photo.gray, photo.calibration).welds
    for name in ("toe_left", "toe_right"):
        assert math.dist(weld.points_px[name], plain.points_px[name]) < 1.2, name


def stripes(spacing_px: float, width_px: float) -> NDArray[np.uint8]:
    across = np.arange(1200) % spacing_px
    row = np.where(across < width_px, 60, 200) + np.random.default_rng(3).normal(0, 3, 1200)
    return np.tile(row.astype(np.uint8), (60, 1))


@pytest.mark.parametrize(
    ("spacing_px", "width_px", "ticks"),
    [(25.0, 4.0, True), (12.5, 4.0, True), (25.4, 4.0, True), (31.0, 4.0, False), (18.0, 4.0, False)],
)
def test_ticks_are_a_known_distance_apart(spacing_px: float, width_px: float, ticks: bool) -> None:
    calibration = from_pixel_size(0.04)
    line = Line.through(*calibration.to_mm(np.array([[5.0, 10.0], [1190.0, 10.0]])))
    span = tuple(line.along(calibration.to_mm(np.array([[5.0, 10.0], [1190.0, 10.0]]))).tolist())
    assert has_ticks(stripes(spacing_px, width_px), line, span, calibration) is ticks


def test_saw_marks_are_no_ticks() -> None:
    calibration = from_pixel_size(0.04)
    noise = cv2.GaussianBlur(np.random.default_rng(5).normal(0, 1, (1, 1200)), (0, 0), 4.0)
    gray = np.tile(np.clip(150 + 40 * noise / noise.std(), 0, 255).astype(np.uint8), (60, 1))
    line = Line.through(*calibration.to_mm(np.array([[5.0, 10.0], [1190.0, 10.0]])))
    span = tuple(line.along(calibration.to_mm(np.array([[5.0, 10.0], [1190.0, 10.0]]))).tolist())
    assert not has_ticks(gray, line, span, calibration)
