"""Boards drawn through a known view: corners, frame, uncertainty, and what must be refused."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.board import calibrate_board, fit_plane
from calibration.corners import TRIED_DICTIONARIES, Board, find_board
from calibration.model import Lens
from calibration.plane import PlaneOffset
from core.errors import CalibrationRefused, UsageError

IN_PLANE = PlaneOffset(0.0, 300.0, 0.0)
SIZE = (900, 700)


def scene(
    draw,
    pattern,
    columns=8,
    rows=5,
    *,
    tilt=(8.0, -6.0),
    roll_deg=0.0,
    px_per_mm=5.0,
    centre=(450.0, 350.0),
    seed=0,
    **look,
):
    maker = {"chessboard": draw.chessboard, "charuco": draw.charuco, "circles": draw.circles}[pattern]
    drawing = {
        key: look.pop(key) for key in ("dictionary", "legacy", "ratio", "border", "light", "dark") if key in look
    }
    raster, first = maker(columns, rows, **drawing)
    middle = (first[0] + 5.0 * (columns - 1), first[1] + 5.0 * (rows - 1))
    view = draw.view(*tilt, roll_deg, px_per_mm, 2000.0, centre, middle)
    return draw.seen(raster, 8, view, SIZE, seed=seed, **look), view, first


def length_errors(draw, calibration, view, seed=0, count=6, reach=150.0):
    rng = np.random.default_rng(seed)
    result = []
    for _ in range(count):
        start = np.array([450.0, 350.0]) + rng.uniform(-reach, reach, 2)
        angle = rng.uniform(0, 2 * np.pi)
        ends = np.array([start, start + 100 * np.array([np.cos(angle), np.sin(angle)])])
        true = np.hypot(*np.diff(draw.through(np.linalg.inv(view), ends), axis=0)[0])
        found = np.hypot(*np.diff(calibration.to_mm(ends), axis=0)[0])
        parts = calibration.relative_components(ends)
        result.append((found / true - 1, np.hypot(parts["scale"], parts["tilt"])))
    return np.array(result)


@pytest.mark.parametrize("pattern", ["chessboard", "charuco", "circles"])
@pytest.mark.parametrize("roll_deg", [0, 37, 90, 140, 180, 270])
def test_tilt_is_removed_and_the_frame_is_that_of_the_picture(draw, pattern, roll_deg):
    gray, view, _ = scene(draw, pattern, roll_deg=roll_deg)
    calibration = calibrate_board(gray, Board(pattern, 8, 5, 10.0))
    assert np.abs(length_errors(draw, calibration, view)[:, 0]).max() < 0.0015
    axes = calibration.to_mm(np.array([[450.0, 350.0], [460.0, 350.0], [450.0, 340.0]]))
    right, up = axes[1] - axes[0], axes[2] - axes[0]
    assert right[0] > 0.9 * np.hypot(*right)
    assert up[1] > 0.9 * np.hypot(*up)


@pytest.mark.parametrize("pattern", ["chessboard", "charuco", "circles"])
def test_corners_have_no_offset(draw, pattern):
    """A shift by half a pixel, known of some releases of the detectors, would show here."""
    shifts = []
    for seed in range(4):
        gray, view, first = scene(draw, pattern, tilt=(5, 5), centre=(450 + 0.3 * seed, 350 - 0.2 * seed), seed=seed)
        board = Board(pattern, 8, 5, 10.0)
        found = np.array(calibrate_board(gray, board).provenance["corners_px"])
        true = draw.through(view, board.points_mm() + first)
        nearest = true[np.linalg.norm(found[:, None] - true[None], axis=2).argmin(axis=1)]
        assert np.sqrt(np.mean((found - nearest) ** 2)) < 0.06
        shifts.append((found - nearest).mean(axis=0))
    assert np.abs(np.mean(shifts, axis=0)).max() < 0.03


@pytest.mark.parametrize("pattern", ["chessboard", "charuco"])
def test_scale_lies_inside_its_uncertainty(draw, pattern):
    rng = np.random.default_rng(5)
    rows = []
    for seed in range(16):
        gray, view, _ = scene(
            draw,
            pattern,
            tilt=tuple(rng.uniform(-14, 14, 2)),
            roll_deg=rng.uniform(0, 360),
            px_per_mm=rng.uniform(3.5, 6.5),
            seed=seed,
            noise=rng.uniform(1, 6),
            blur_px=rng.uniform(0.4, 1.3),
        )
        calibration = calibrate_board(gray, Board(pattern, 8, 5, 10.0), plane=IN_PLANE, board_rel_std=0.0)
        rows.append(length_errors(draw, calibration, view, seed, reach=250.0))
    errors, stds = np.concatenate(rows).T
    assert np.mean(np.abs(errors) < 2 * stds) >= 0.93
    assert np.sqrt(np.mean((errors / stds) ** 2)) > 0.3, "the stated uncertainty is far too large"


def test_partly_hidden_charuco_serves(draw):
    gray, view, _ = scene(draw, "charuco", roll_deg=25)
    gray[:, 480:] = 90
    calibration = calibrate_board(gray, Board("charuco", 8, 5, 10.0))
    assert 8 <= calibration.provenance["points"] < 40
    assert np.abs(length_errors(draw, calibration, view, reach=60.0)[:, 0]).max() < 0.004


def test_board_small_and_at_the_edge(draw):
    for pattern in ("chessboard", "charuco"):
        gray, view, first = scene(draw, pattern, px_per_mm=2.2, centre=(120.0, 590.0), tilt=(3.0, 4.0), blur_px=0.5)
        calibration = calibrate_board(gray, Board(pattern, 8, 5, 10.0))
        ends = draw.through(view, np.array([first, (first[0] + 70, first[1])]))
        assert np.hypot(*np.diff(calibration.to_mm(ends), axis=0)[0]) == pytest.approx(70.0, rel=0.003)
        near, far = (calibration.relative_components(np.array([p])) for p in ([120.0, 590.0], [800.0, 100.0]))
        assert far["tilt"] > 2 * near["tilt"]
        assert far["lens"] > 10 * max(near["lens"], 1e-9)


@pytest.mark.parametrize("dictionary", ["DICT_5X5_100", "DICT_6X6_250", "DICT_APRILTAG_36h11"])
@pytest.mark.parametrize("ratio", [0.6, 0.8])
def test_other_dictionaries_and_markers_are_found(draw, dictionary, ratio):
    gray, view, _ = scene(draw, "charuco", 6, 4, dictionary=dictionary, ratio=ratio, px_per_mm=7.0)
    calibration = calibrate_board(gray, Board("charuco", 6, 4, 10.0))
    assert calibration.provenance["points"] == 24
    assert np.abs(length_errors(draw, calibration, view)[:, 0]).max() < 0.002


def test_legacy_layout_is_found(draw):
    gray, view, _ = scene(draw, "charuco", 6, 5, legacy=True)
    calibration = calibrate_board(gray, Board("charuco", 6, 5, 10.0))
    assert calibration.provenance["detail"]["legacy_layout"] is True
    assert np.abs(length_errors(draw, calibration, view)[:, 0]).max() < 0.002


def test_white_border_is_not_taken_for_squares(draw):
    """A board of 8 x 5 corners asked for as 10 x 7 would have its outermost ring in the border."""
    gray, _, _ = scene(draw, "chessboard", tilt=(0.0, 0.0))
    for columns, rows in ((10, 7), (9, 6), (10, 5)):
        with pytest.raises(CalibrationRefused):
            calibrate_board(gray, Board("chessboard", columns, rows, 10.0))


def test_distortion_is_refused_without_a_lens_and_mapped_with_it(draw):
    gray, view, first = scene(draw, "chessboard", px_per_mm=7.0, tilt=(4.0, 3.0))
    camera = np.array([[2000.0, 0, 450], [0, 2000.0, 350], [0, 0, 1]])
    lens = Lens(camera, np.array([-0.9, 0.0, 0.0, 0.0, 0.0]), *SIZE)
    grid = np.stack(np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1])), axis=-1).reshape(-1, 2).astype(float)
    source = lens.undistort(grid).reshape(SIZE[1], SIZE[0], 2).astype(np.float32)
    bent = cv2.remap(gray, source[..., 0], source[..., 1], cv2.INTER_CUBIC)
    board = Board("chessboard", 8, 5, 10.0)
    with pytest.raises(CalibrationRefused, match="--lens"):
        calibrate_board(bent, board)
    calibration = calibrate_board(bent, board, lens=lens)
    ends = lens.distort(draw.through(view, np.array([first, (first[0] + 70, first[1] + 40)])))
    assert np.hypot(*np.diff(calibration.to_mm(ends), axis=0)[0]) == pytest.approx(np.hypot(70, 40), rel=0.001)
    assert np.allclose(calibration.to_px(calibration.to_mm(ends)), ends, atol=1e-3)
    assert calibration.provenance["camera_distance_source"] == "from the lens"
    assert calibration.provenance["camera_distance_mm"] == pytest.approx(2000.0 / 7.0, rel=0.02)


def test_lens_of_another_picture_size_is_refused(draw):
    gray, _, _ = scene(draw, "chessboard")
    lens = Lens(np.diag([2000.0, 2000.0, 1.0]), np.zeros(5), 640, 480)
    with pytest.raises(CalibrationRefused, match="640 x 480"):
        calibrate_board(gray, Board("chessboard", 8, 5, 10.0), lens=lens)


def test_printed_bar_scales_the_squares(draw):
    gray, _, _ = scene(draw, "charuco")
    board = Board("charuco", 8, 5, 10.0)
    plain, scaled = calibrate_board(gray, board), calibrate_board(gray, board, measured_bar_mm=97.0)
    at = np.array([450.0, 350.0])
    assert scaled.mm_per_px(at) / plain.mm_per_px(at) == pytest.approx(0.97, rel=1e-9)
    with pytest.raises(UsageError, match="bar"):
        calibrate_board(gray, board, measured_bar_mm=9.7)


def test_no_board_and_impossible_boards():
    gray = np.full((300, 400), 128, np.uint8)
    for pattern in ("chessboard", "charuco", "circles"):
        with pytest.raises(CalibrationRefused, match="no "):
            calibrate_board(gray, Board(pattern, 8, 5, 10.0))
    for wrong in (
        {"columns": 1},
        {"square_mm": 0.0},
        {"square_mm": float("nan")},
        {"dictionary": "DICT_X"},
        {"pattern": "x"},
    ):
        with pytest.raises(UsageError):
            Board(**{"pattern": "charuco", "columns": 8, "rows": 5, "square_mm": 10.0, **wrong})


def test_corners_on_a_line_or_too_few_are_refused():
    line = np.column_stack([np.arange(10.0) * 30, np.zeros(10)])
    with pytest.raises(CalibrationRefused, match="one line"):
        fit_plane(line + 100, line / 30)
    with pytest.raises(CalibrationRefused, match="only 4"):
        fit_plane(line[:4] + 100, line[:4])


def test_markers_that_lie_otherwise_are_told_and_other_dictionaries_not_tried(draw, monkeypatch):
    raster, _ = draw.charuco(8, 5)
    gray = draw.seen(raster, 8, draw.view(px_per_mm=6.0, middle=(50.0, 35.0)), size=(1200, 900))
    assert len(calibrate_board(gray, Board("charuco", 8, 5, 10.0)).provenance["corners_px"]) == 40
    tried = []
    known = cv2.aruco.getPredefinedDictionary

    def counted(number):
        tried.append(number)
        return known(number)

    monkeypatch.setattr(cv2.aruco, "getPredefinedDictionary", counted)
    # Of two sizes of the picture the second is looked at for the dictionary that the first showed; then a mirrored one.
    with pytest.raises(CalibrationRefused, match="markers are seen, but they do not lie as on one"):
        calibrate_board(gray, Board("charuco", 5, 8, 10.0))
    assert len(tried) == 1 + len(TRIED_DICTIONARIES) + 1 + 1
    assert tried[-2] == cv2.aruco.DICT_4X4_250


@pytest.mark.parametrize(("columns", "rows"), [(8, 5), (11, 7)])
def test_a_mirrored_board_is_told(draw, columns, rows):
    raster, _ = draw.charuco(columns, rows)
    gray = draw.seen(
        np.ascontiguousarray(raster[:, ::-1]), 8, draw.view(px_per_mm=6.0, middle=(60.0, 45.0)), size=(900, 700)
    )
    with pytest.raises(CalibrationRefused, match="mirrored"):
        calibrate_board(gray, Board("charuco", columns, rows, 10.0))


def test_a_board_that_needs_a_closer_look_gets_it_in_the_reduced_picture(draw, monkeypatch):
    """Looking at 12 megapixels takes twenty times as long as looking at a picture of 800 px."""
    raster, first = draw.chessboard(8, 5)
    view = draw.view(2.0, 3.0, 10.0, 24.0, 6000.0, (2000.0, 1500.0), (first[0] + 35.0, first[1] + 20.0))
    gray = draw.seen(raster, 8, view, (4000, 3000), supersample=1)
    looked, look = [], cv2.findChessboardCornersSB

    def closely_only(picture, size, flags):
        looked.append(max(picture.shape))
        return look(picture, size, flags=flags) if flags & cv2.CALIB_CB_EXHAUSTIVE else (False, None)

    monkeypatch.setattr(cv2, "findChessboardCornersSB", closely_only)
    assert find_board(gray, Board("chessboard", 8, 5, 10.0)).points_px.shape == (40, 2)
    assert max(looked) <= 1600
