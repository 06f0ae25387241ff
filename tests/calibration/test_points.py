"""Scale from two points, and the target out of plane."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.plane import PlaneOffset, plane_correction
from calibration.points import calibrate_points
from core.errors import CalibrationRefused, UsageError


@pytest.mark.parametrize("angle_deg", range(0, 360, 45))
def test_length_between_the_points_is_the_known_one(angle_deg):
    start = np.array([700.0, 500.0])
    end = start + 400 * np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    calibration = calibrate_points(tuple(start), tuple(end), 20.0, size_px=(1400, 1000))
    ends = calibration.to_mm(np.array([start, end]))
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(20.0, rel=1e-12)
    axes = calibration.to_mm(np.array([[0.0, 0.0], [10.0, 0.0], [0.0, -10.0]])) - calibration.to_mm(
        np.array([[0.0, 0.0]])
    )
    assert axes[1] == pytest.approx([0.5, 0.0], abs=1e-12)
    assert axes[2] == pytest.approx([0.0, 0.5], abs=1e-12)


def test_uncertainty_of_the_clicks_and_of_what_is_not_seen():
    calibration = calibrate_points((100.0, 100.0), (500.0, 100.0), 20.0, click_std_px=0.8, size_px=(1000, 800))
    assert calibration.relative_std["scale"] == pytest.approx(np.sqrt(2) * 0.8 / 400)
    near = calibration.relative_components(np.array([[300.0, 100.0]]))
    far = calibration.relative_components(np.array([[900.0, 700.0]]))
    assert far["tilt"] > 5 * near["tilt"]
    assert far["lens"] > near["lens"] == pytest.approx(0.0)
    spread = calibration.covariance(np.array([[300.0, 100.0], [900.0, 700.0]]))
    assert np.trace(spread[0]) == pytest.approx(0.0, abs=1e-12)
    assert np.trace(spread[1]) > 0


def test_short_and_impossible_lengths_are_refused():
    with pytest.raises(CalibrationRefused, match="px apart"):
        calibrate_points((10.0, 10.0), (15.0, 10.0), 20.0)
    for wrong in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(UsageError):
            calibrate_points((10.0, 10.0), (500.0, 10.0), wrong)
    with pytest.raises(UsageError):
        calibrate_points((10.0, float("nan")), (500.0, 10.0), 20.0)


@pytest.mark.parametrize("end", [(1000.0, 10.0), (500.0, -1.0), (500.0, 800.0)])
def test_a_point_beyond_the_picture_marks_nothing(end: tuple[float, float]) -> None:
    with pytest.raises(UsageError, match="does not lie in the picture of 1000 x 800 pixels"):
        calibrate_points((10.0, 10.0), end, 20.0, size_px=(1000, 800))
    assert calibrate_points((10.0, 10.0), (999.4, 799.4), 20.0, size_px=(1000, 800)).kind == "points"


def test_section_nearer_than_the_target_is_measured_smaller():
    """1 mm at 300 mm is one part in 300: a pinhole camera sees size / distance."""
    near = calibrate_points((0.0, 0.0), (400.0, 0.0), 20.0, plane=PlaneOffset(1.0, 300.0))
    level = calibrate_points((0.0, 0.0), (400.0, 0.0), 20.0)
    at = np.array([200.0, 0.0])
    assert near.mm_per_px(at) / level.mm_per_px(at) == pytest.approx(300.0 / 301.0, rel=1e-12)
    assert plane_correction(PlaneOffset(-1.0, 300.0)).factor == pytest.approx(300.0 / 299.0)


def test_what_is_unknown_of_the_plane_is_stated():
    assert plane_correction(PlaneOffset()).relative_std == pytest.approx(0.5 / np.sqrt(3) / 300)
    assert plane_correction(PlaneOffset(distance_mm=600.0)).relative_std == pytest.approx(0.5 / np.sqrt(3) / 600)
    assert plane_correction(PlaneOffset(0.0, 300.0, 0.0)).relative_std == 0.0
    assert (
        plane_correction(PlaneOffset(10.0, 300.0)).relative_std > plane_correction(PlaneOffset(1.0, 300.0)).relative_std
    )
    assert plane_correction(PlaneOffset(), lens_distance_mm=150.0).relative_std == pytest.approx(0.5 / np.sqrt(3) / 150)
    for wrong in ((1.0, None), (float("nan"), 300.0), (200.0, 300.0), (0.0, -5.0), (0.0, 300.0, -1.0)):
        with pytest.raises(UsageError):
            PlaneOffset(*wrong)
