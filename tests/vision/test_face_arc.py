"""Where an arc through a face meets a plate: against the circle it was drawn from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Line
from core.quantity import Quantity
from measurement import measure
from vision.face_arc import arc_through, of_either, where_met
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

RADIUS_MM = 9.0


def cap(half_deg: float, turn_deg: float, hollow: bool = False) -> tuple[np.ndarray, Line, float]:
    """Return the first 80 % of an arc over a chord along x, its plate's line, and the place of the toe on that.

    All of it is turned about the toe.
    """
    angles = np.radians(np.linspace(-half_deg, 0.6 * half_deg, 200))
    points = RADIUS_MM * np.column_stack([np.sin(angles), np.cos(angles)])
    toe = points[0].copy()
    points -= toe
    if hollow:
        points[:, 1] *= -1
    turn = math.radians(turn_deg)
    c, s = math.cos(turn), math.sin(turn)
    points = points @ np.array([[c, s], [-s, c]])
    plate = Line.through(np.array([-5.0 * c, -5.0 * s]), np.array([0.0, 0.0]))
    return points, plate, float(plate.along(np.zeros(2)))


@pytest.mark.parametrize("half_deg", [6.0, 20.0, 40.0])
@pytest.mark.parametrize("turn_deg", [-35.0, 0.0, 60.0])
@pytest.mark.parametrize("hollow", [False, True])
def test_an_arc_meets_its_plate_at_its_toe(half_deg: float, turn_deg: float, hollow: bool) -> None:
    points, plate, toe = cap(half_deg, turn_deg, hollow)
    arc = arc_through(points[10:])
    assert arc is not None
    assert abs(arc.bend) == pytest.approx(1 / RADIUS_MM, rel=1e-6)
    met = where_met(arc, plate, toe - 0.2, 1.0)
    assert met is not None
    place, slope_deg, std = met
    assert place == pytest.approx(toe, abs=1e-6)
    assert slope_deg == pytest.approx(half_deg, abs=1e-5)
    assert std < 1e-6


def test_a_straight_face_is_an_arc_without_a_bend() -> None:
    points = np.column_stack([np.linspace(1, 6, 50), 0.5 * np.linspace(1, 6, 50)])
    arc = arc_through(points)
    assert arc is not None
    plate = Line.through(np.array([-2.0, 0.0]), np.zeros(2))
    met = where_met(arc, plate, float(plate.along(np.array([0.5, 0.0]))), 1.0)
    assert met is not None
    assert met[0] == pytest.approx(float(plate.along(np.zeros(2))))
    assert met[1] == pytest.approx(math.degrees(math.atan(0.5)))


def test_the_uncertainty_is_how_far_it_strays() -> None:
    points, plate, toe = cap(25.0, 10.0)
    rng = np.random.default_rng(3)
    places, stds = [], []
    for _ in range(300):
        arc = arc_through(points[10:] + rng.normal(0, 0.03, points[10:].shape))
        assert arc is not None
        met = where_met(arc, plate, toe, 1.0)
        assert met is not None
        places.append(met[0] - toe)
        stds.append(met[2])
    assert float(np.std(places)) == pytest.approx(float(np.mean(stds)), rel=0.15)
    assert abs(float(np.mean(places))) < 3 * float(np.std(places)) / math.sqrt(300)


def test_the_form_that_fits_counts_and_both_where_neither_does_better() -> None:
    """Points that do not scatter tell an arc from a parabola; the way between them is doubt all the same."""
    points, _, _ = cap(30.0, 0.0)
    arc = arc_through(points)
    assert arc is not None
    assert arc.likelier > 50
    x = points[:, 0]
    parabola = arc_through(np.column_stack([x, 3.0 - 0.07 * (x - 5.0) ** 2]))
    assert parabola is not None
    assert parabola.likelier < arc.likelier
    place, slope, std = of_either((1.0, 20.0, 0.02), (1.1, 24.0, 0.02), 0.0)
    assert (place, slope) == (pytest.approx(1.05), pytest.approx(22.0))
    assert std == pytest.approx(math.sqrt(0.02**2 + 0.05**2 + 0.05**2))
    assert of_either((1.0, 20.0, 0.02), (1.1, 24.0, 0.02), 40.0)[0] == pytest.approx(1.0)
    assert of_either((1.0, 20.0, 0.02), (1.1, 24.0, 0.02), -40.0)[0] == pytest.approx(1.1)


def test_a_round_cap_of_points_that_scatter_is_as_wide_as_it_is() -> None:
    """Means of a cloud's section scatter by 0.03 mm: parabolas made such caps 0.1 mm too wide on average."""
    rng = np.random.default_rng(11)
    off = []
    for _ in range(12):
        half, rise = rng.uniform(5, 7), rng.uniform(1.8, 2.4)
        radius = (half**2 + rise**2) / (2 * rise)
        x = np.arange(-25.0, 25.0, 0.13)
        height = np.where(np.abs(x) < half, np.sqrt(np.maximum(radius**2 - x**2, 0.0)) - (radius - rise), 0.0)
        points = np.column_stack([x, height + rng.normal(0, 0.03, len(x))])
        profile = Profile(points, np.full(len(x), 0.03), False, np.zeros(len(x), bool), 0.13, blur_mm=0.04)
        (weld,) = find_welds_in_profile(profile, joint="butt").welds
        width = measure(weld.section)["cap_width"]
        assert isinstance(width, Quantity)
        off.append(width.value - 2 * half)
    assert abs(float(np.mean(off))) < 0.06
