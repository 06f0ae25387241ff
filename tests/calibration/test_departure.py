"""Corners off a plane: noise, curled paper and a bent lens, and what they leave open."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.board import calibrate_board, fit_plane
from calibration.corners import Board, FoundBoard
from calibration.model import length_gradients
from core.errors import CalibrationRefused

COLUMNS, ROWS = 9, 6
GRID = np.stack(np.meshgrid(np.arange(float(COLUMNS)), np.arange(float(ROWS))), axis=-1).reshape(-1, 2) * 10.0
FOCAL, DISTANCE, CENTRE = 3000.0, 200.0, np.array([999.5, 749.5])


def seen(height_mm, seed=0, noise_px=0.03, tilt_deg=5.0):
    """Return corners of paper whose middle stands ``height_mm`` above its rims, curled about a random axis."""
    rng = np.random.default_rng(seed)
    turn, _ = cv2.Rodrigues(np.radians([tilt_deg, -0.5 * tilt_deg, 0.0]))
    middle = GRID.mean(axis=0)
    way = rng.uniform(0.0, np.pi)
    along = (GRID - middle) @ np.array([np.cos(way), np.sin(way)])
    lift = height_mm * (1.0 - (along / np.abs(along).max()) ** 2)
    place = np.array([3.0, -4.0, DISTANCE]) - turn @ np.append(middle, 0.0)
    points = np.column_stack([GRID, -lift]) @ turn.T + place
    return points[:, :2] / points[:, 2:] * FOCAL + CENTRE + rng.normal(0, noise_px, (len(GRID), 2)), turn, place


def length_error(view, turn, place, way):
    """Return the error of a length at the board's middle, in the plane of its rims."""
    ends_mm = GRID.mean(axis=0) + np.array([[-15.0], [15.0]]) * way
    rays = np.column_stack([ends_mm, np.zeros(2)]) @ turn.T + place
    ends = np.column_stack([rays[:, :2] / rays[:, 2:] * FOCAL + CENTRE, np.ones(2)]) @ view.px_to_mm.T
    return float(np.hypot(*np.diff(ends[:, :2] / ends[:, 2:], axis=0)[0]) / 30.0 - 1.0)


def test_noise_is_not_taken_for_a_curl():
    smooth = [fit_plane(seen(0.0, seed, 0.2)[0], GRID).departure for seed in range(40)]
    assert np.mean([d.smooth_px > 0 for d in smooth]) < 0.1
    assert np.mean([d.noise_px for d in smooth]) == pytest.approx(0.2, rel=0.05)


def test_a_few_corners_do_not_tell_them_apart():
    at = np.arange(12)
    off = fit_plane(seen(0.3, 1)[0][at], GRID[at] + np.array([[0.0, 0.1]]) * (at % 2)[:, None]).departure
    assert off.smooth_px == 0.0


@pytest.mark.parametrize("height_mm", [0.1, 0.3, -0.4])
def test_what_curled_paper_moves_is_stated(height_mm):
    """The curl looks like another scale, which 54 corners that scatter by 0.03 px would know to 0.001 %."""
    errors, stds = [], []
    for seed in range(12):
        points, turn, place = seen(height_mm, seed)
        view = fit_plane(points, GRID)
        assert view.departure.smooth_px > 0
        for way in np.eye(2):
            errors.append(length_error(view, turn, place, way))
        spread = length_gradients(view.px_to_mm, points.mean(axis=0), 1.0)
        stds += [float(np.sqrt(np.einsum("i,ij,j->", g, view.covariance, g))) for g in spread[:2]]
    off = np.array(errors) / np.array(stds)
    assert np.mean(np.abs(off) < 2.0) >= 0.9
    assert np.sqrt(np.mean(off**2)) > 0.25, "the stated uncertainty is far too large"


def found_as(monkeypatch, points, grid=GRID):
    monkeypatch.setattr(
        "calibration.board.find_board", lambda gray, board: FoundBoard(points, grid, np.arange(len(grid)), {})
    )
    return calibrate_board(np.zeros((1500, 2000), np.uint8), Board("chessboard", COLUMNS, ROWS, 10.0))


def test_a_curl_is_told_and_a_strong_one_refused(monkeypatch):
    flat = found_as(monkeypatch, seen(0.0)[0])
    curled = found_as(monkeypatch, seen(0.5)[0])
    assert not flat.flags
    assert [code for code, _ in curled.flags] == ["board_not_flat"]
    ends = seen(0.0)[0][[0, -1]]
    assert curled.relative_components(ends)["tilt"] > 3 * flat.relative_components(ends)["tilt"]
    with pytest.raises(CalibrationRefused, match="flatten the board"):
        found_as(monkeypatch, seen(4.0)[0])


def test_corners_that_scatter_are_refused(monkeypatch):
    with pytest.raises(CalibrationRefused, match="scatter by"):
        found_as(monkeypatch, seen(0.0, 3, noise_px=0.8)[0])


def test_a_stretched_print_is_flagged(monkeypatch):
    points = seen(0.0, 2, tilt_deg=0.0)[0]
    assert not found_as(monkeypatch, points).flags
    (flag,) = found_as(monkeypatch, points, GRID * [1.0, 1.008]).flags
    assert flag[0] == "board_stretched"
