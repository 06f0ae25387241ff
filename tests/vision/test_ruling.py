"""Squared paper under a section: its lines are found and left out, what is no ruling stays."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.backdrops import backdrop
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from vision.find import find_welds
from vision.outline import Outline
from vision.ruling import bridged, find_ruling

INK = 0.35
"""Share of the paper's light that a line takes."""


def ruled_share(height: int, width: int, *, turn_deg: float = 0.0, square_px: float = 57.0) -> NDArray[np.float64]:
    """Return how much of each pixel a squared sheet's lines cover, (H, W)."""
    y, x = np.mgrid[:height, :width].astype(float)
    turn = math.radians(turn_deg)
    across = (x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn))
    away = [np.abs((value + square_px / 2) % square_px - square_px / 2) for value in across]
    return np.clip(2.0 - np.minimum(*away), 0.0, 1.0)


def on_squared_paper(gray: NDArray[np.uint8], **ruling: float) -> NDArray[np.uint8]:
    """Draw lines on the bright ground of a picture, under the dark metal."""
    metal, paper = (float(level) for level in np.percentile(gray, [2, 98]))
    ground = np.clip((gray - metal) / (paper - metal), 0.0, 1.0)
    return np.asarray(gray - INK * paper * ground * ruled_share(*gray.shape, **ruling), np.uint8)


def fillet():
    return tee(
        through_thickness_mm=9,
        standing_thickness_mm=8,
        right=FilletShape(6.2, 7.1, bulge_mm=0.5),
        through_left=PlateEnd(14),
        through_right=PlateEnd(17),
        standing=PlateEnd(15),
    )


@pytest.mark.parametrize("turn_deg", [0.0, 3.0, 11.0])
def test_lines_are_found_whichever_way_they_lie_and_nothing_of_them_is_left(turn_deg: float) -> None:
    plain = np.full((600, 800), 200.0) + np.random.default_rng(1).normal(0, 1.5, (600, 800))
    share = ruled_share(600, 800, turn_deg=turn_deg)
    ruling = find_ruling(np.asarray(plain * (1 - INK * share), np.uint8))
    assert ruling is not None
    once = np.abs(cv2.subtract(ruling.gray, np.asarray(plain, np.uint8)).astype(float))
    assert np.mean(once > 12) < 0.012
    assert len(ruling.lines_px) >= 12
    for x, y, dx, dy, width in ruling.lines_px:
        assert 1.5 < width < 5.0
        along = np.arange(-300.0, 300.0, 7.0)[:, None]
        places = np.rint(np.array([x, y]) + along * np.array([dx, dy])).astype(int)
        seen = ((places >= 0) & (places < (800, 600))).all(axis=1)
        assert share[places[seen, 1], places[seen, 0]].mean() > 0.9


def test_lines_that_meet_in_a_far_point_are_found() -> None:
    """A sheet seen askew: its lines lean to each other."""
    sheet = np.asarray(200 * (1 - INK * ruled_share(700, 900)), np.uint8)
    corners = np.array([(40, 20), (860, 20), (880, 690), (20, 690)], np.float32)
    frame = np.array([(0, 0), (800, 0), (800, 600), (0, 600)], np.float32)
    ruling = find_ruling(cv2.warpPerspective(sheet, cv2.getPerspectiveTransform(corners, frame), (800, 600)))
    assert ruling is not None
    upright = ruling.lines_px[np.abs(ruling.lines_px[:, 3]) > 0.9]
    assert len(upright) >= 11
    assert np.ptp(upright[:, 2]) > 0.03


@pytest.mark.parametrize("kind", ["plain", "stone", "cloth", "card"])
def test_what_is_no_ruling_stays_as_it_is(kind: str) -> None:
    rng = np.random.default_rng(3)
    ground = np.full((600, 800, 3), 0.5) if kind == "plain" else backdrop(kind, 600, 800, rng)
    ground = ground + rng.normal(0, 0.006, ground.shape)
    assert find_ruling(cv2.cvtColor(np.asarray(np.clip(ground, 0, 1) * 255, np.uint8), cv2.COLOR_BGR2GRAY)) is None


def test_strokes_that_lean_either_way_are_no_ruling() -> None:
    gray = np.full((600, 800), 200, np.uint8)
    for x in range(40, 780, 60):
        for y in range(20, 560, 50):
            cv2.line(gray, (x, y), (x + (6 if (x // 60) % 2 else -6), y + 40), 90, 3, cv2.LINE_AA)
    assert find_ruling(gray) is None


def test_a_gap_in_the_metal_is_no_line_of_the_ground() -> None:
    """The gap of a lap lies on the line of a plate's surface: that surface is not to be bridged."""
    gray = np.asarray(200 * (1 - INK * ruled_share(600, 800)), np.uint8)
    gray[150:450, 150:650] = 90
    gray[298:301, 150:500] = 20
    ruling = find_ruling(gray)
    assert ruling is not None
    flat = ruling.lines_px[np.abs(ruling.lines_px[:, 2]) > 0.9]
    assert len(flat) > 5
    assert np.abs(flat[:, 1] - 299).min() > 5


def test_an_outline_is_bridged_where_a_line_crosses_it() -> None:
    ruling = find_ruling(np.asarray(200 * (1 - INK * ruled_share(600, 800)), np.uint8))
    assert ruling is not None
    x, y = np.arange(130.0, 700.0), np.arange(150.0, 450.0)
    sides = [(x, np.full(len(x), 150.0)), (np.full(len(y), 700.0), y)]
    sides += [(x[::-1] + 1, np.full(len(x), 450.0)), (np.full(len(y), 130.0), y[::-1] + 1)]
    points = np.vstack([np.column_stack(side) for side in sides])
    hairy = points.copy()
    on_line = (np.abs(points[:, 0] - 57 * np.rint(points[:, 0] / 57)) < 2) & (points[:, 1] == 150)
    hairy[on_line, 1] -= 6
    outline = Outline(hairy, np.zeros(len(points), bool), 1.0, 0.1, 0.8, -80.0, 1.0)
    found = bridged(outline, ruling).points_px
    assert np.abs(hairy - points).max() == 6
    assert np.abs(found - points).max() < 1e-6


@pytest.mark.parametrize("turn_deg", [0.0, 2.0, 7.0])
def test_a_fillet_on_squared_paper_measures_as_on_plain(photograph, turn_deg: float) -> None:
    photo = photograph(fillet(), look="dark on bright")
    plain, ruled = (
        find_welds(gray, photo.calibration).welds
        for gray in (photo.gray, on_squared_paper(photo.gray, turn_deg=turn_deg))
    )
    assert [weld.section.joint for weld in ruled] == ["tee"]
    for name, point in plain[0].points_px.items():
        assert math.dist(ruled[0].points_px[name], point) < 1.5, name
    faces = [weld.section.face.face for weld in (plain[0], ruled[0])]
    away = np.hypot(*(faces[1][:, None] - faces[0][None]).transpose(2, 0, 1)).min(axis=1)
    assert away.max() < 2.0 * photo.calibration.mm_per_px((600.0, 450.0))
