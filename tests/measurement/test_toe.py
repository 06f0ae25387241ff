"""Toe angle, toe radius and overlap on profiles drawn with them."""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np
import pytest

from core.fitting import LineFit
from core.geometry import Line
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from measurement.tangent import rise_of, tangent_of
from measurement.toe import Toe, overlap, toe_angle
from measurement.toe_radius import _jacobian, _seen
from measurement.uncertainty import Noise
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

LEFT, RIGHT = np.array([-1.0, 0.0]), np.array([1.0, 0.0])


def value(measured, name):
    assert isinstance(measured[name], Quantity), measured[name]
    return measured[name].value


def along_path(path, spacing):
    """Points at equal steps along a polyline."""
    travel = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.linspace(0, travel[-1], max(40, round(travel[-1] / spacing)))
    return np.column_stack([np.interp(at, travel, path[:, 0]), np.interp(at, travel, path[:, 1])])


def trapezoid(draw, rise_deg, radius, sampling, *, width=12.0, height=2.2):
    """A bead with flat flanks that meet the plates in arcs of one radius; corners of flank and plate at ±width/2."""
    rise = math.radians(rise_deg)
    cut = radius * math.tan(rise / 2)
    angle = np.linspace(0, rise, 200)
    arc = np.column_stack([-width / 2 - cut + radius * np.sin(angle), radius * (1 - np.cos(angle))])
    top = np.array([[-width / 2 + height / math.tan(rise), height]])
    left = np.vstack([arc, top])
    path = np.vstack([left, left[::-1] * [-1, 1]])
    found = draw.welded(
        np.array([-width / 2 - cut, 0.0]),
        np.array([width / 2 + cut, 0.0]),
        LEFT,
        RIGHT,
        lambda n: along_path(path, (np.hypot(*np.diff(path, axis=0).T)).sum() / n),
        sampling,
    )
    return draw.section("butt", found, sampling)


@pytest.mark.parametrize("rise_deg", [30, 45, 60])
@pytest.mark.parametrize("radius", [0.5, 1.0])
def test_radius_and_angle_of_a_rounded_toe(draw, rise_deg, radius):
    """Noise 5 µm at 20 µm spacing, as in careful macro pictures."""
    sampling = draw.Sampling(spacing=0.02, noise=0.005, rng=np.random.default_rng(rise_deg), resolution=0.02)
    measured = measure(trapezoid(draw, rise_deg, radius, sampling))
    for side in ("left", "right"):
        found = measured[f"toe_radius_{side}"]
        assert abs(value(measured, f"toe_radius_{side}") - radius) < 1.5 * found.expanded_uncertainty
        assert found.expanded_uncertainty < 0.35
        angle = measured[f"toe_angle_{side}"]
        assert angle.value == pytest.approx(180 - rise_deg, abs=2.0)
        assert "mm of the face" in angle.note


@pytest.mark.parametrize(("rise_deg", "radius"), [(45, 0.4), (60, 0.3), (55, 0.35)])
def test_a_toe_angle_leaves_out_an_arc_too_short_to_give_its_radius(draw, rise_deg, radius):
    """Points 0.1 mm apart, as of a picture taken from afar: fewer than five of them lie on the arc."""
    for seed in range(4):
        sampling = draw.Sampling(spacing=0.1, noise=0.003, rng=np.random.default_rng(seed), resolution=0.1)
        measured = measure(trapezoid(draw, rise_deg, radius, sampling))
        for side in ("left", "right"):
            assert isinstance(measured[f"toe_radius_{side}"], NotMeasurable)
            angle = measured[f"toe_angle_{side}"]
            assert angle.value == pytest.approx(180 - rise_deg, abs=1.5)
            assert abs(angle.value - 180 + rise_deg) < 1.5 * angle.expanded_uncertainty


@pytest.mark.parametrize("radius", [0.4, 0.7, 1.0, 1.4])
@pytest.mark.parametrize("height", [1.2, 2.0, 2.4])
def test_toe_angle_of_a_bent_face_is_that_at_the_toe_without_its_radius(draw, radius, height):
    """A circular cap 10 mm wide whose ends run into the plate by arcs; at their ends it has turned by some degrees."""
    half = 5.0
    cap = (half**2 + height**2) / (2 * height)
    below = cap - height
    middle = math.sqrt((cap + radius) ** 2 - (below + radius) ** 2)  # of the arc, from the cap's middle
    meets = middle * cap / (cap + radius)

    def surface(x):
        on_arc = radius - np.sqrt(np.maximum(radius**2 - (middle - np.abs(x)) ** 2, 0))
        on_cap = np.sqrt(np.maximum(cap**2 - x**2, 0)) - below
        return np.where(np.abs(x) > middle, 0.0, np.where(np.abs(x) > meets, on_arc, on_cap))

    def face(count):
        x = np.linspace(-half, half, 20 * count)
        return along_path(np.column_stack([x, surface(x)]), 2 * half / count)

    sampling = draw.Sampling(spacing=0.02, noise=0.002, rng=np.random.default_rng(12), resolution=0.02)
    toes = np.array([-half, 0.0]), np.array([half, 0.0])
    found = draw.welded(*toes, LEFT, RIGHT, face, sampling, beside=lambda along: surface(half + along))
    measured = measure(draw.section("butt", found, sampling))
    for side in ("left", "right"):
        assert value(measured, f"toe_radius_{side}") == pytest.approx(radius, abs=0.12)
        angle = measured[f"toe_angle_{side}"]
        assert angle.value == pytest.approx(180 - math.degrees(math.asin(half / cap)), abs=1.0)
        assert abs(angle.value - (180 - math.degrees(math.asin(half / cap)))) < 1.6 * angle.expanded_uncertainty


@pytest.mark.parametrize(("width", "height", "radius"), [(12.0, 2.5, 1.0), (12.0, 2.5, 2.0), (14.0, 1.8, 1.5)])
def test_toe_angle_does_not_depend_on_where_the_arc_puts_the_toe(width, height, radius):
    """A profile from end to end: the toe of a wide arc is found where the arc begins, not below the cap's end."""
    half = width / 2
    cap = (half**2 + height**2) / (2 * height)
    below = cap - height
    middle = math.sqrt((cap + radius) ** 2 - (below + radius) ** 2)
    meets = middle * cap / (cap + radius)
    x = np.abs(np.linspace(-25, 25, 50001))
    surface = np.where(x > meets, radius - np.sqrt(np.maximum(radius**2 - (middle - np.minimum(x, middle)) ** 2, 0)),
                       np.sqrt(np.maximum(cap**2 - x**2, 0)) - below)  # fmt: skip
    points = along_path(np.column_stack([np.linspace(-25, 25, 50001), surface]), 0.03)
    points[:, 1] += np.random.default_rng(4).normal(0, 0.002, len(points))
    count = len(points)
    profile = Profile(points, np.full(count, 0.002), False, np.zeros(count, bool), 0.03, points_alone=True)
    measured = measure(find_welds_in_profile(profile, joint="butt").welds[0].section)
    for side in ("left", "right"):
        angle = measured[f"toe_angle_{side}"]
        assert angle.value == pytest.approx(180 - math.degrees(math.asin(half / cap)), abs=0.8)
        assert abs(angle.value - (180 - math.degrees(math.asin(half / cap)))) < angle.expanded_uncertainty


def test_radius_intervals_cover(draw):
    rng = np.random.default_rng(3)
    hits, runs = 0, 60
    for _ in range(runs):
        radius = rng.uniform(0.5, 1.5)
        sampling = draw.Sampling(spacing=0.02, noise=0.005, rng=rng, resolution=0.02)
        measured = measure(trapezoid(draw, rng.uniform(35, 60), radius, sampling))
        for side in ("left", "right"):
            found = measured[f"toe_radius_{side}"]
            assert isinstance(found, Quantity), found
            hits += abs(found.value - radius) <= found.expanded_uncertainty
    assert 0.90 <= hits / (2 * runs) <= 1.0


def test_sharp_toe_gives_an_upper_bound_and_no_radius(draw):
    sampling = draw.Sampling(spacing=0.03, noise=0.01, rng=np.random.default_rng(4), resolution=0.03)
    measured = measure(trapezoid(draw, 45, 0.0, sampling))
    for side in ("left", "right"):
        found = measured[f"toe_radius_{side}"]
        if isinstance(found, NotMeasurable):
            assert "no more than" in found.reason
        else:
            assert found.value < 2.2 * found.standard_uncertainty


def test_slopes_of_the_template_are_those_of_its_distances():
    points = np.linspace(-2, 2, 60) + 1j * np.linspace(0, 1.6, 60) ** 2
    parameters = np.array([0.1, 0.02, 0.8, math.log(0.7), 0.15])
    exact = _jacobian(_seen(parameters, points))
    for index in range(5):
        step = np.zeros(5)
        step[index] = 1e-6
        above, below = _seen(parameters + step, points), _seen(parameters - step, points)
        numeric = (above.residuals - below.residuals) / 2e-6
        assert exact[index] == pytest.approx(numeric, abs=1e-5)


@pytest.mark.parametrize(("toe_std", "told"), [(0.9, True), (0.05, False)])
def test_the_interval_of_a_toe_angle_holds_that_of_a_corner_behind_an_unsure_toe(draw, toe_std, told):
    """The toe was taken 1.3 mm before the corner, where the outline lies along the plate."""
    corner, rise_deg = -4.7, 22.0
    toes = np.array([-6.0, 0.0]), np.array([6.0, 0.0])
    height = 2.0
    top = corner + height / math.tan(math.radians(rise_deg))
    path = np.array([[-6.0, 0.0], [corner, 0.0], [top, height], [4.0, height], [6.0, 0.0]])
    sampling = draw.Sampling(noise=0.005, rng=np.random.default_rng(8))
    spacing = (np.hypot(*np.diff(path, axis=0).T)).sum()
    face = draw.welded(*toes, LEFT, RIGHT, lambda n: along_path(path, spacing / n), sampling)
    measured = measure(draw.section("butt", replace(face, toe_std_left=toe_std), sampling))
    found = measured["toe_angle_left"]
    assert (abs(found.value - (180 - rise_deg)) < found.expanded_uncertainty) == told
    assert measured["toe_angle_right"].expanded_uncertainty < 3.0


def test_overlap_is_the_length_that_hangs_over_the_plate(draw):
    """A bead whose left side is a circle that bulges 0.4 mm over the plate beyond the toe."""
    angle = np.linspace(math.radians(180 + 36.87), 0, 400)
    left = np.column_stack([2.0 * np.cos(angle), 1.2 + 2.0 * np.sin(angle)])
    path = np.vstack([left[left[:, 0] < 0], [[8.0, 0.0]]])
    found = draw.welded(path[0], path[-1], LEFT, RIGHT, lambda n: along_path(path, 0.03))
    measured = measure(draw.section("butt", found))
    assert value(measured, "toe_angle_left") < 90
    assert value(measured, "overlap_left") == pytest.approx(2.0 - 1.6, abs=0.01)
    assert value(measured, "toe_angle_right") > 90
    assert value(measured, "overlap_right") == 0


def nosed(draw, radius, filled_mm):
    """Measure a bead whose left end is a round nose that meets the plate at 150 degrees, the notch below it filled."""
    turn = np.radians(np.linspace(60, -70, 300))
    centre = np.array([-6.0 + radius / 2, radius * math.cos(math.radians(30))])
    nose = centre - radius * np.column_stack([np.cos(turn), np.sin(turn)])
    nose = nose[nose[:, 1] > filled_mm]
    foot = [nose[0, 0] + 0.05, 0.0]
    path = np.vstack([foot, nose, [4.0, 2.0], [6.0, 0.0]])
    sampling = draw.Sampling(noise=0.003, rng=np.random.default_rng(4))
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    ends = np.array(foot), np.array([6.0, 0.0])
    face = draw.welded(*ends, LEFT, RIGHT, lambda n: along_path(path, length / n), sampling)
    section = draw.section("butt", replace(face, toe_std_left=0.1), sampling)
    return measure(replace(section, blur_mm=filled_mm / 2.5))


@pytest.mark.parametrize("radius", [0.7, 1.0])
def test_the_interval_of_a_toe_angle_holds_that_of_the_nose_above_a_filled_notch(draw, radius):
    found = nosed(draw, radius, 0.25)["toe_angle_left"]
    assert abs(found.value - 30.0) < found.expanded_uncertainty


def test_an_overhang_is_told_where_the_toe_angle_may_be_below_90_degrees(draw):
    """Its nose reaches 0.2 mm over the plate; the tangent of so blurred a notch is known to 30 degrees."""
    measured = nosed(draw, 0.7, 0.25)
    angle = replace(measured["toe_angle_left"], value=100.0)
    x = np.concatenate([np.linspace(0, -0.2, 20), np.linspace(-0.2, 4, 200)])
    toe = Toe(np.column_stack([x, np.linspace(0.02, 3, 220)]), np.zeros((0, 2)), 0.05, draw.exact_fit(LEFT, RIGHT), 0.0)
    noise = Noise(0.005, 3.0, 0.0, 0.03, 0.03, {})
    assert overlap(toe, angle, noise).value == pytest.approx(0.2, abs=0.03)
    sure = replace(angle, value=150.0)
    assert overlap(toe, sure, noise).value == 0.0


def test_face_too_short_for_a_tangent(draw):
    found = draw.welded(
        np.array([-0.2, 0.0]),
        np.array([0.2, 0.0]),
        LEFT,
        RIGHT,
        lambda n: draw.arc(np.array([-0.2, 0]), np.array([0.2, 0]), 0.05, n),
    )
    measured = measure(draw.section("butt", found))
    assert isinstance(measured["toe_angle_left"], NotMeasurable)
    assert isinstance(measured["overlap_left"], NotMeasurable)


def test_little_plate_gives_reasons(draw):
    found = draw.butt(12.0, 1.5)
    plates = [replace(p, points=p.points[:3]) for p in (found.face.left, found.face.right)]
    face = replace(found.face, left=plates[0], right=plates[1])
    measured = measure(replace(found, face=face))
    for name in ("undercut_left", "undercut_width_right", "pit_depth", "spatter_height"):
        assert isinstance(measured[name], NotMeasurable)
        assert "plate" in measured[name].reason


@pytest.mark.parametrize("radius", [0.3, 0.6, 1.2, 2.5])
@pytest.mark.parametrize("rise_deg", [30, 50])
def test_the_nearest_start_leads_to_the_radius_that_others_lead_to(draw, rise_deg, radius, monkeypatch):
    module = sys.modules[_seen.__module__]
    fits = []
    plain = module._levenberg_marquardt

    def counted(start, *given, **named):
        fits.append(start)
        return plain(start, *given, **named)

    monkeypatch.setattr(module, "_levenberg_marquardt", counted)

    def measured():
        sampling = draw.Sampling(spacing=0.02, noise=0.001, rng=np.random.default_rng(rise_deg), resolution=0.02)
        fits.clear()
        values = measure(trapezoid(draw, rise_deg, radius, sampling))
        return [value(values, f"toe_radius_{side}") for side in ("left", "right")], len(fits)

    once, few = measured()
    monkeypatch.setattr(module, "POOR", 0.0)
    again, many = measured()
    assert few < many
    assert once == pytest.approx(again, rel=1e-3)
    assert once == pytest.approx([radius, radius], rel=0.05)


def test_a_start_lies_near_the_arc_that_it_is_sought_from():
    """Points of plate, arc and face without noise: of all starts the one of the radius next to theirs is taken."""
    module = sys.modules[_seen.__module__]
    turn = np.radians(40)
    for radius in module.STARTS_MM:
        true = np.array([0.0, 0.0, turn, np.log(radius), 0.0])
        x = np.linspace(-2, 2, 161)
        cut = radius * np.tan(turn / 2)
        arc = radius - np.sqrt(np.maximum(radius**2 - (x + cut) ** 2, 0.0))
        y = np.where(x < -cut, 0.0, np.where(x > cut * np.cos(turn), x * np.tan(turn), arc))
        points = x + 1j * y
        assert np.abs(_seen(true, points).residuals).max() < 1e-9
        assert module._nearest_start(turn, points) == pytest.approx(true)


@pytest.mark.parametrize("bent_mm", [1.0, 2.0, 4.0])
def test_a_tangent_on_a_surface_that_strays_slowly_is_off_by_what_is_stated(bent_mm):
    """The surface strays as one piece over 2 mm; about fitted lines a little more than half of that is seen."""
    step, piece, wander = 0.03, 2.0, 0.005
    x = np.arange(round(bent_mm / step)) * step
    common = np.exp(-np.pi * ((x[:, None] - x) / piece) ** 2) + 1e-9 * np.eye(len(x))
    heights = np.linalg.cholesky(common) @ np.random.default_rng(5).normal(0, wander, (len(x), 400))
    noise = Noise(wander, 1.1 / step, 0.0, 0.0, step, {})
    faces = [np.column_stack([x, height]) for height in heights.T]
    found = [rise_of(tangent_of(face, round(1.0 / step)), len(x), noise) for face in faces]
    off = np.array([rise for rise, _, _ in found])
    stated = float(np.median([std for _, std, _ in found]))
    assert 0.7 < np.sqrt(np.mean(off**2)) / stated < 1.3


def test_a_surface_that_strays_faster_than_its_points_say_is_seen_on_the_plate():
    """One piece of the surface is half as long as its points make known: a tangent strays by half as much again."""
    step, piece, wander, near = 0.03, 1.2, 0.005, 33
    long = np.arange(900) * step
    common = np.exp(-np.pi * ((long[:, None] - long) / piece) ** 2) + 1e-9 * np.eye(len(long))
    heights = np.linalg.cholesky(common) @ np.random.default_rng(6).normal(0, wander, (len(long), 200))
    noise = Noise(wander, 1.4 / step, 0.0, 0.0, step, {})
    off, stated, by_points = [], [], []
    for height in heights.T:
        tangent = tangent_of(np.column_stack([long[:70], height[:70]]), near)
        off.append(rise_of(tangent, 70, noise)[0])
        by_points.append(rise_of(tangent, 70, noise)[1])
        stated.append(rise_of(tangent, 70, noise, height[100:])[1])
    strays = np.sqrt(np.mean(np.square(off)))
    assert strays / np.median(by_points) > 1.4
    assert 0.75 < strays / np.median(stated) < 1.25


def toe_of(face, std):
    """A toe at 0 on a plate of 10 mm, whose face is given."""
    plate = np.column_stack([-np.arange(0.0, 10.0, 0.03), np.zeros(334)])
    return Toe(face, plate, std, line_fit(), 0.0)


def line_fit():
    return LineFit(Line(0.0, 0.0, 1.0, 0.0), 0.002, 0.001, 1e-4, np.ones(334, bool))


def test_no_angle_is_told_at_a_toe_that_may_as_well_lie_beyond_a_corner():
    """The face lies along the plate for 2 mm, then turns to 60 degrees."""
    along = np.arange(0.03, 9.0, 0.03)
    face = np.column_stack([np.minimum(along, 2.0), np.zeros(len(along))])
    face += np.maximum(along - 2.0, 0.0)[:, None] * [math.cos(math.radians(60)), math.sin(math.radians(60))]
    noise = Noise(0.003, 3.0, 0.0, 0.02, 0.03, {})
    found = toe_angle(toe_of(face, 0.6), noise)
    assert isinstance(found, NotMeasurable)
    assert "mark the toe" in found.reason
    assert toe_angle(toe_of(face, 0.02), noise).value == pytest.approx(180.0, abs=0.5)


def test_where_an_arc_is_as_likely_as_none_the_angle_lies_between():
    """Behind a gentle beginning of 0.5 mm the face rises at 40 degrees."""
    along = np.arange(0.03, 9.0, 0.03)
    rise = np.radians(np.where(along < 0.5, 80.0 * along, 40.0))
    face = np.cumsum(0.03 * np.column_stack([np.cos(rise), np.sin(rise)]), axis=0)
    end = face[np.searchsorted(along, 0.5)]
    arc = end - [end[1] / math.tan(math.radians(40)), end[1]], end
    noise, toe = Noise(0.003, 3.0, 0.0, 0.02, 0.03, {}), toe_of(face, 0.02)
    sharp, half, beyond = (toe_angle(toe, noise, arc=arc, arc_share=share) for share in (0.0, 0.5, 1.0))
    assert sharp.value > beyond.value + 2.0
    assert beyond.value == pytest.approx(140.0, abs=1.0)
    assert half.value == pytest.approx((sharp.value + beyond.value) / 2)
    assert half.expanded_uncertainty > abs(sharp.value - beyond.value)


@pytest.mark.parametrize("arc_mm", [0.15, 0.25, 0.35])
def test_a_short_arc_that_bends_the_first_stretch_most_is_allowed_for(arc_mm):
    """Beyond it the face is straight at 40 degrees, as longer stretches tell; nobody looked for the arc."""
    along = np.arange(0.03, 9.0, 0.03)
    rise = np.radians(40.0 * np.minimum(along / arc_mm, 1.0))
    face = np.cumsum(0.03 * np.column_stack([np.cos(rise), np.sin(rise)]), axis=0)
    found = toe_angle(toe_of(face, 0.01), Noise(0.001, 3.0, 0.0, 0.01, 0.03, {}))
    assert abs(found.value - 140.0) < 1.8 * found.expanded_uncertainty < 12.0
