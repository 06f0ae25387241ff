"""What views of a board leave open of a lens, on corners projected through a known one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.corners import FoundBoard
from calibration.lens import calibrate_lens, fit_lens, read_lens, write_lens
from calibration.model import Lens
from calibration.unseen import lens_growth_per_px2
from core.errors import CalibrationRefused

SIZE = (1600, 1200)
GRID = np.stack(np.meshgrid(np.arange(9.0), np.arange(6.0)), axis=-1).reshape(-1, 2) * 10.0
TRUE = Lens(
    np.array([[1900.0, 0, 806.0], [0, 1900.0, 594.0], [0, 0, 1.0]]), np.array([-0.08, 0.03, 3e-4, -2e-4, 0.02]), *SIZE
)


def view(rng, aside=0.3, lens=TRUE, noise_px=0.05, distance_mm=150.0):
    """Return a board of 80 x 50 mm seen askew, ``aside`` of the picture's size beside its middle at most."""
    turn, _ = cv2.Rodrigues(np.append(rng.uniform(-0.5, 0.5, 2), rng.uniform(-3, 3)))
    where = rng.uniform(-aside, aside, 2) * distance_mm * np.array(SIZE) / 1900.0
    place = np.append(where, rng.uniform(0.9, 1.2) * distance_mm) - turn @ np.array([40.0, 25.0, 0.0])
    points = np.column_stack([GRID, np.zeros(len(GRID))]) @ turn.T + place
    seen, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), lens.camera_matrix, lens.distortion)
    seen = seen.reshape(-1, 2) + rng.normal(0, noise_px, (len(GRID), 2))
    inside = ((seen > 0) & (seen < np.array(SIZE))).all(axis=1)
    return FoundBoard(seen[inside], GRID[inside], np.flatnonzero(inside), {})


def fitted(seed, count, aside, more=()):
    rng = np.random.default_rng(seed)
    views = [view(rng, aside) for _ in range(count)] + [view(rng, aside, lens) for lens in more]
    return fit_lens(views, [f"v{i}" for i in range(len(views))], [], SIZE[::-1])


def displacement(lens):
    """Return how far the corners of the picture are off, relative to their radius, in a plane's view of its middle."""
    x, y = np.meshgrid(np.linspace(0.0, SIZE[0] - 1, 21), np.linspace(0.0, SIZE[1] - 1, 15))
    spots = np.column_stack([x.ravel(), y.ravel()])
    exact = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-12)
    ideal = cv2.undistortPoints(
        spots.reshape(-1, 1, 2), TRUE.camera_matrix, TRUE.distortion, P=TRUE.camera_matrix, criteria=exact
    ).reshape(-1, 2)
    found = lens.undistort(spots)
    middle = np.abs(spots - np.array(SIZE) / 2).max(axis=1) < 360
    view, _ = cv2.findHomography(found[middle], ideal[middle])
    mapped = np.column_stack([found, np.ones(len(found))]) @ view.T
    off = np.hypot(*(mapped[:, :2] / mapped[:, 2:] - ideal).T)
    return float(off[[0, 20, -21, -1]].mean() / np.hypot(*SIZE) * 2)


@pytest.mark.parametrize(("count", "aside"), [(4, 0.3), (6, 0.05), (14, 0.35)])
def test_what_is_left_open_at_the_corners_is_about_what_they_are_off(count, aside):
    off, stated = [], []
    for seed in range(10):
        fit = fitted(seed, count, aside)
        off.append(displacement(fit.calibration.lens))
        stated.append(fit.calibration.lens.corner_std)
    assert np.mean(np.array(off) < 2.0 * np.hypot(stated, 0.0005)) >= 0.8
    assert np.sqrt(np.mean(np.square(off))) > 0.1 * np.sqrt(np.mean(np.square(stated)))


def test_views_of_the_middle_alone_leave_the_corners_open():
    middle, whole = (fitted(1, 6, aside).calibration.lens for aside in (0.02, 0.35))
    assert middle.corner_std > 3 * whole.corner_std
    assert lens_growth_per_px2(*SIZE, middle) > lens_growth_per_px2(*SIZE, whole)
    assert lens_growth_per_px2(*SIZE, None) > lens_growth_per_px2(*SIZE, whole)


def test_a_term_that_the_views_do_not_show_is_not_fitted():
    assert fitted(2, 12, 0.02).calibration.std["k3"] == 0.0
    assert fitted(2, 40, 0.42).calibration.std["k3"] > 0.0


def test_a_view_of_another_zoom_is_left_out_and_named():
    zoomed = Lens(np.diag([1.15, 1.15, 1.0]) @ TRUE.camera_matrix, TRUE.distortion, *SIZE)
    alone = fitted(3, 7, 0.3)
    fit = fitted(3, 7, 0.3, [zoomed])
    assert fit.calibration.views == alone.calibration.views
    assert np.allclose(fit.calibration.lens.camera_matrix, alone.calibration.lens.camera_matrix)
    ((name, reason),) = fit.calibration.left_out
    assert name == "v7"
    assert "does not fit the lens of the others" in reason
    assert not alone.calibration.left_out


def test_a_view_of_another_size_is_left_out_unless_sizes_are_mixed(monkeypatch):
    rng = np.random.default_rng(4)
    seen = [view(rng) for _ in range(6)]
    grays = [np.zeros(SIZE[::-1], np.uint8) for _ in seen]
    grays[2] = grays[2][::2, ::2]

    def find(pictures, board, names):
        assert len({p.shape for p in pictures}) == 1
        return [v for v, g in zip(seen, grays, strict=True) if g.shape == SIZE[::-1]], list(names), []

    monkeypatch.setattr("calibration.lens.find_boards", find)
    found = calibrate_lens(grays, board=None)
    assert found.views == ("view 1", "view 2", "view 4", "view 5", "view 6")
    assert found.left_out == (("view 3", "it has 800 x 600 px and the others 1600 x 1200"),)
    with pytest.raises(CalibrationRefused, match="different sizes"):
        calibrate_lens([*grays[:3], grays[2]], board=None)


def test_the_lens_file_keeps_what_is_left_open(tmp_path):
    path = tmp_path / "lens.json"
    made = fitted(5, 5, 0.3).calibration
    write_lens(path, made)
    assert read_lens(path).lens.corner_std == made.lens.corner_std > 0
    path.write_text(path.read_text().replace('"corner_std"', '"other"'))
    assert read_lens(path).lens.corner_std == 0.0
