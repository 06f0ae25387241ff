"""Welds on a pipe's outside: a cap on a cylinder has its values in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.errors import NothingMeasurable
from core.geometry import rotate
from core.quantity import Quantity
from measurement import measure
from vision.arc_branch import branch_of
from vision.arc_surface import LEAST_SAGITTA_MM, Arc, arc_of, is_straight
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWeld
from vision.profile import Profile

WIDTH_MM, HEIGHT_MM, UNDERCUT_MM = 12.0, 1.6, 0.4


def heights(along: np.ndarray, *, offset_mm: float = 0.0, undercut_mm: float = 0.0) -> np.ndarray:
    """Return heights above the pipe along its surface: a parabola from toe to toe, an undercut of 1.2 mm beside it."""
    half = WIDTH_MM / 2
    step = offset_mm * np.clip((along + half) / WIDTH_MM, 0, 1)
    cap = HEIGHT_MM * np.maximum(1 - (along / half) ** 2, 0)
    groove = undercut_mm * np.maximum(1 - ((along - half - 0.6) / 0.6) ** 2, 0)
    return step + cap - groove


def on_pipe(
    radius_mm: float,
    seed: int = 1,
    *,
    noise_mm: float = 0.01,
    reach_mm: float = 28.0,
    turn_deg: float = 0.0,
    **shape: float,
) -> Profile:
    """Return a profile across a longitudinal seam; heights are radial, so the true values are those of ``heights``."""
    along = np.arange(-reach_mm, reach_mm, 0.05)
    angle = math.pi / 2 - along / radius_mm
    reach = radius_mm + heights(along, **shape)
    points = np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])
    points = rotate(points, math.radians(turn_deg)) + np.random.default_rng(seed).normal(0, noise_mm, points.shape)
    count = len(points)
    return Profile(points, np.full(count, noise_mm), False, np.zeros(count, bool), 0.05)


def the_weld(profile: Profile, diameter_mm: float | None = None) -> FoundWeld:
    (weld,) = find_welds_in_profile(profile, outside_diameter_mm=diameter_mm).welds
    return weld


def codes(weld: FoundWeld) -> list[str]:
    assert [flag.code for flag in weld.flags] == [flag.code for flag in weld.section.flags]
    return [flag.code for flag in weld.flags]


def check(weld: FoundWeld, name: str, true: float, within: float) -> None:
    value = measure(weld.section)[name]
    assert isinstance(value, Quantity), name
    assert value.value == pytest.approx(true, abs=within), name
    assert abs(value.value - true) <= 1.5 * value.expanded_uncertainty, name


@pytest.mark.parametrize("radius_mm", [30.15, 57.15, 84.15, 162.0, 400.0])
@pytest.mark.parametrize("turn_deg", [0.0, 25.0])
def test_cap_on_a_cylinder(radius_mm: float, turn_deg: float) -> None:
    weld = the_weld(on_pipe(radius_mm, turn_deg=turn_deg))
    assert weld.section.joint == "butt"
    assert "curved_surface" in codes(weld)
    check(weld, "reinforcement", HEIGHT_MM, 0.02)
    check(weld, "cap_width", WIDTH_MM, 0.12)
    check(weld, "misalignment", 0.0, 0.03)
    check(weld, "angular_misalignment", 0.0, 0.3)


@pytest.mark.parametrize("radius_mm", [30.15, 162.0])
def test_intervals_of_a_cap_on_a_cylinder_cover(radius_mm: float) -> None:
    """Both plates bend by the same where the radius is off: angles add up, offsets do not."""
    true = {"angular_misalignment": 0.0, "misalignment": 0.0, "reinforcement": HEIGHT_MM}
    held, stated = dict.fromkeys(true, 0), {name: [] for name in true}
    for seed in range(24):
        values = measure(the_weld(on_pipe(radius_mm, seed)).section)
        for name, exact in true.items():
            held[name] += abs(values[name].value - exact) <= values[name].expanded_uncertainty
            stated[name].append(values[name].expanded_uncertainty)
    assert min(held.values()) >= 21
    assert np.median(stated["angular_misalignment"]) < 0.3
    assert np.median(stated["misalignment"]) < 0.015


@pytest.mark.parametrize("radius_mm", [57.15, 162.0])
def test_undercut_and_offset_on_a_pipe(radius_mm: float) -> None:
    weld = the_weld(on_pipe(radius_mm, undercut_mm=UNDERCUT_MM, offset_mm=0.5))
    check(weld, "undercut_right", UNDERCUT_MM, 0.03)
    check(weld, "misalignment", 0.5, 0.04)


def test_without_the_arc_the_cap_would_be_wrong() -> None:
    """The chord between the toes lies below the pipe's surface by w²/8R: that is no weld metal."""
    below = WIDTH_MM**2 / 8 / 57.15
    assert below > 0.3
    weld = the_weld(on_pipe(57.15))
    value = measure(weld.section)["reinforcement"]
    assert abs(value.value - (HEIGHT_MM + below)) > 5 * value.expanded_uncertainty


@pytest.mark.parametrize("radius_mm", [57.15, 84.15, 162.0])
def test_radius_is_found_within_its_uncertainty(radius_mm: float) -> None:
    off = []
    for seed in range(12):
        arc = arc_of(on_pipe(radius_mm, seed, noise_mm=0.02))
        assert arc is not None
        assert not arc.given
        off.append((arc.radius_mm - radius_mm) / arc.radius_std_mm)
    assert np.abs(off).max() < 3.5
    assert 0.2 < np.std(off) < 1.6


def test_given_diameter_is_taken_and_told() -> None:
    profile = on_pipe(84.15, noise_mm=0.05)
    fitted, given = the_weld(profile), the_weld(profile, 168.3)
    assert any("given" in flag.message for flag in given.flags if flag.code == "curved_surface")
    parts = {
        name: {
            part.source: part.standard_uncertainty for part in measure(weld.section)["reinforcement_from_left"].budget
        }
        for name, weld in (("fitted", fitted), ("given", given))
    }
    assert parts["given"]["plate fit"] < parts["fitted"]["plate fit"]
    check(given, "reinforcement", HEIGHT_MM, 0.05)


def test_diameter_of_another_pipe_is_not_used() -> None:
    flat = on_pipe(1e7)
    weld = the_weld(flat, 168.3)
    assert "diameter_not_used" in codes(weld)
    check(weld, "reinforcement", HEIGHT_MM, 0.02)
    assert "diameter_not_used" in codes(the_weld(on_pipe(1e7), 40.0))


def test_straight_plates_stay_straight() -> None:
    for seed in range(10):
        flat = on_pipe(1e7, seed, noise_mm=0.02)
        assert arc_of(flat) is None
    weld = the_weld(flat)
    assert codes(weld) == []


def test_a_hollow_surface_is_no_pipe_seen_from_outside() -> None:
    profile = on_pipe(84.15)
    hollow = Profile(profile.points_mm * [1.0, -1.0], profile.std_mm, False, profile.cut, profile.resolution_mm)
    assert arc_of(hollow) is None


def test_pipe_without_a_weld() -> None:
    angle = np.linspace(2.0, 1.14, 1200)
    points = 84.15 * np.column_stack([np.cos(angle), np.sin(angle)]) + np.random.default_rng(3).normal(
        0, 0.01, (1200, 2)
    )
    with pytest.raises(NothingMeasurable, match="no weld was recognised"):
        find_welds_in_profile(Profile(points, np.full(1200, 0.01), False, np.zeros(1200, bool), 0.06))


def test_rolling_undoes_unrolling() -> None:
    arc = Arc(np.array([3.0, -80.0]), 84.0, 0.1, False, 1.3)
    points = np.random.default_rng(2).uniform(-20, 20, (50, 2))
    assert arc.rolled(arc.unrolled(points)) == pytest.approx(points)


def on_branch(radius_mm: float, seed: int = 1, *, noise_mm: float = 0.01, mirror: bool = False) -> Profile:
    """Return a fillet between a radial wall (on the left) and a pipe: legs 6 mm up the wall, 7 mm along the pipe."""
    wall = np.column_stack([np.zeros(501), np.linspace(26, 6, 501)])
    angle = np.arange(7.0, 30.0, 0.05) / radius_mm
    pipe = radius_mm * np.column_stack([np.sin(angle), np.cos(angle) - 1])
    share = np.linspace(0, 1, 180)[1:-1, None]
    points = np.vstack([wall, wall[-1] + share * (pipe[0] - wall[-1]), pipe])
    points = points * [-1.0, 1.0] if mirror else points
    points = rotate(points[::-1] if mirror else points, math.radians(35.0 if mirror else -35.0))
    points = points + np.random.default_rng(seed).normal(0, noise_mm, points.shape)
    count = len(points)
    return Profile(points, np.full(count, noise_mm), False, np.zeros(count, bool), 0.05)


@pytest.mark.parametrize("radius_mm", [57.15, 84.15, 162.0])
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("given", [False, True])
def test_fillet_at_a_branch(radius_mm: float, mirror: bool, given: bool) -> None:
    weld = the_weld(on_branch(radius_mm, mirror=mirror), 2 * radius_mm if given else None)
    assert "curved_surface" in codes(weld)
    assert "diameter_not_used" not in codes(weld)
    wall, pipe = ("right", "left") if mirror else ("left", "right")
    check(weld, f"leg_{wall}", 6.0, 0.08)
    check(weld, f"leg_{pipe}", 7.0, 0.08)
    check(weld, "joint_angle", 90.0, 0.3)


def test_straight_tees_have_no_branch() -> None:
    for seed in range(8):
        assert branch_of(on_branch(1e7, seed, noise_mm=0.02)) is None
    assert branch_of(on_pipe(84.15)) is None
    profile = on_branch(84.15)
    branch = branch_of(profile)
    assert branch is not None
    assert branch.radius_mm == pytest.approx(84.15, abs=3 * branch.radius_std_mm)
    assert branch.rolled(branch.unrolled(profile.points_mm)) == pytest.approx(profile.points_mm)


@pytest.mark.parametrize("turn", [0.0, 0.8])
@pytest.mark.parametrize("stray", [0.0, 0.25])
def test_what_bends_by_the_least_sagitta_is_never_called_straight(turn: float, stray: float) -> None:
    """The stray part at one end rises off the surface as a weld does, or falls as an undercut."""
    x = np.linspace(-8.0, 8.0, 400)
    for sagitta, straight in ((LEAST_SAGITTA_MM, False), (0.5 * LEAST_SAGITTA_MM, None), (0.0, True)):
        for height in (-0.3, -0.05, 0.05, 0.3, 2.0):
            y = sagitta * (1 - (x / 8.0) ** 2)
            beyond = x > 8.0 - 16.0 * stray
            y[beyond] += height * (x[beyond] - x[beyond][0]) if beyond.any() else 0.0
            found = is_straight(rotate(np.column_stack([x, y]), turn), LEAST_SAGITTA_MM)
            if straight is False or (straight and not stray):
                assert found == straight, (sagitta, height)
