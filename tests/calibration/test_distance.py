"""The distance of a camera from views of a plane whose pose and focal length are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.board import fit_plane
from calibration.distance import distance_of, lens_distance, likely_focal
from calibration.model import Lens
from calibration.plane import PlaneOffset, plane_correction
from calibration.points import calibrate_points

SIZE = (2000, 1500)
GRID = np.stack(np.meshgrid(np.arange(9.0), np.arange(6.0)), axis=-1).reshape(-1, 2) * 10.0


def corners(tilt_deg, distance_mm, focal_px, noise_px=0.03, seed=0, stretch=1.0):
    """Return where corners 10 mm apart are seen, the distance of their plane, and the camera."""
    turn, _ = cv2.Rodrigues(np.radians([tilt_deg * 0.8, tilt_deg * 0.6, 0.0]))
    place = np.array([5.0, -4.0, distance_mm]) - turn @ np.array([40.0, 25.0, 0.0])
    camera = np.array([[focal_px, 0.0, 999.5], [0.0, focal_px, 749.5], [0.0, 0.0, 1.0]])
    printed = np.column_stack([GRID * [stretch, 1.0], np.zeros(len(GRID))])
    seen = (printed @ turn.T + place) @ camera.T
    noise = np.random.default_rng(seed).normal(0.0, noise_px, (len(GRID), 2))
    return seen[:, :2] / seen[:, 2:] + noise, float(abs(turn[:, 2] @ place)), camera


@pytest.mark.parametrize(("distance_mm", "focal_px"), [(110.0, 1500.0), (150.0, 2400.0), (700.0, 9000.0)])
def test_squares_seen_askew_tell_the_distance(distance_mm, focal_px):
    for seed in range(4):
        points, true, camera = corners(22.0, distance_mm, focal_px, seed=seed)
        view = fit_plane(points, GRID)
        seen = distance_of(view.px_to_mm, view.covariance, points.mean(axis=0), SIZE)
        assert seen.source == "seen in the picture"
        assert seen.distance_mm == pytest.approx(true, rel=0.12)
        assert 1.0 / seen.inverse_rms == pytest.approx(true, rel=0.15)
        assert lens_distance(Lens(camera, np.zeros(5), *SIZE), view.px_to_mm) == pytest.approx(true, rel=1e-3)


def test_a_board_seen_square_leaves_it_open():
    points, true, _ = corners(0.0, 100.0, 1500.0)
    view = fit_plane(points, GRID)
    seen = distance_of(view.px_to_mm, view.covariance, points.mean(axis=0), SIZE)
    assert seen.source == "assumed"
    assert 1.0 / seen.inverse_rms < seen.distance_mm
    assert true < seen.distance_mm < 300.0, "a field of 130 mm is nearer than 300 mm with most lenses"


def test_noise_of_the_corners_is_not_taken_for_a_distance():
    """At 3 degrees corners that scatter by half a pixel show no converging: nothing far off may be believed."""
    for seed in range(6):
        points, true, _ = corners(3.0, 250.0, 3000.0, noise_px=0.5, seed=seed)
        view = fit_plane(points, GRID)
        seen = distance_of(view.px_to_mm, view.covariance, points.mean(axis=0), SIZE)
        assert 0.4 < seen.distance_mm / true < 2.0


def test_a_small_field_is_taken_from_nearer_than_a_large_one():
    parts = []
    for length in (30.0, 300.0):
        calibration = calibrate_points((100.0, 700.0), (1900.0, 700.0), length, size_px=SIZE)
        parts.append(calibration.relative_std["plane offset"])
    assert parts[0] > 1.5 * parts[1]


def stretch_of(tilt_deg, stretch, seed=0, with_lens=False):
    """Return what a print that is longer along its rows is told to be, in standard deviations, and by how much."""
    points, _, camera = corners(tilt_deg, 200.0, 3000.0, seed=seed, stretch=stretch)
    lens = Lens(camera, np.zeros(5), *SIZE) if with_lens else None
    view = fit_plane(points, GRID)
    seen = distance_of(view.px_to_mm, view.covariance, points.mean(axis=0), SIZE, lens)
    return seen.stretch / seen.stretch_std, seen.stretch


@pytest.mark.parametrize(("tilt_deg", "with_lens"), [(0.0, False), (3.0, True), (15.0, True)])
def test_a_stretched_print_is_told_where_the_tilt_is_known(tilt_deg, with_lens):
    for seed in range(5):
        assert stretch_of(tilt_deg, 1.0, seed, with_lens)[0] < 3.0
        sure, found = stretch_of(tilt_deg, 1.008, seed, with_lens)
        assert sure > 3.5
        assert found == pytest.approx(0.008, rel=0.4)


def test_a_tilt_of_a_camera_nobody_calibrated_is_no_stretched_print():
    assert max(stretch_of(tilt, 1.0, seed)[0] for tilt in (8.0, 15.0, 30.0) for seed in range(6)) < 3.0


def test_a_focal_length_in_the_file_tells_the_distance_of_a_board_seen_square():
    """26 mm of 43.3 mm is 1500 px of the 2500 px across these corners."""
    points, true, _ = corners(0.0, 100.0, 1500.0)
    view = fit_plane(points, GRID)
    seen = distance_of(view.px_to_mm, view.covariance, points.mean(axis=0), SIZE, focal_35_mm=26.0)
    assert seen.source == "from the focal length in the file"
    assert seen.distance_mm == pytest.approx(true, rel=0.15)
    plain = calibrate_points((100.0, 700.0), (1900.0, 700.0), 120.0, size_px=SIZE)
    named = calibrate_points((100.0, 700.0), (1900.0, 700.0), 120.0, size_px=SIZE, plane=PlaneOffset(focal_35_mm=26.0))
    assert named.relative_std["plane offset"] > 1.2 * plain.relative_std["plane offset"]


def test_likely_focal_lengths_are_those_of_random_trials():
    """Perspective to tilt goes with the focal length, the error of a length with its square: means of a log-normal."""
    likely = likely_focal(0.04, SIZE)
    focal = np.exp(np.random.default_rng(3).normal(np.log(likely.median_px), likely.log_std, 400_000))
    assert likely.making_tilt_px**2 == pytest.approx(float(np.mean(focal**2)), rel=0.02)
    assert 2.0 * likely.making_tilt_std == pytest.approx(float(np.std(focal**2) / np.mean(focal**2)), rel=0.05)
    assert likely.making_perspective_px**-2.0 == pytest.approx(float(np.mean(focal**-2.0)), rel=0.02)


def test_a_small_field_makes_long_focal_lengths_likely_and_a_file_names_one():
    small, large = likely_focal(0.02, SIZE), likely_focal(0.08, SIZE)
    assert small.median_px == pytest.approx(2.0 * large.median_px)
    named = likely_focal(0.04, SIZE, 28.0)
    assert named.median_px == pytest.approx(28.0 / 43.3 * 2500.0, rel=0.1)
    assert named.log_std < 0.15
    assert likely_focal(1e-5, SIZE).median_px <= 12.0 * SIZE[0] * 1.001


def test_what_is_in_focus_under_a_microscope_is_in_the_plane():
    """Of a field of 1 mm half a millimetre is far out of focus; of one of 60 mm it is not."""
    assumed = plane_correction(PlaneOffset(), field_mm=60.0).relative_std
    assert assumed == plane_correction(PlaneOffset()).relative_std
    assert plane_correction(PlaneOffset(), field_mm=1.0).relative_std < 0.16 * assumed
    assert plane_correction(PlaneOffset(0.0, 40.0), field_mm=1.0).relative_std < 0.0012
    assert plane_correction(PlaneOffset(0.0, 40.0, 0.5), field_mm=1.0).relative_std == pytest.approx(0.5 / 40.0)
