"""What looks like a weld and cannot be one is refused; what is one is kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.fitting import LineFit
from core.geometry import Line
from vision.plausible import is_weld
from vision.section import Flag, PlateSurface, PreparedEdge, Section, WeldSurface


def plate(
    start: tuple[float, float], away: tuple[float, float], *, long_mm: float = 10, rough_mm: float = 0.005
) -> PlateSurface:
    along = np.arange(0, long_mm, 0.05)
    points = np.array(start) + along[:, None] * np.array(away)
    return PlateSurface(LineFit(Line(*start, *away), rough_mm, 1e-3, 1e-4, np.ones(len(along), bool)), points)


def fillet(face: list[tuple[float, float]], joint: str = "tee", **of_plates: float) -> Section:
    """A weld with toes at (0, 6) and (6, 0) between plates up and to the right."""
    corners = np.array([(0.0, 6.0), *face, (6.0, 0.0)])
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0, length[-1], 300)
    points = np.column_stack([np.interp(at, length, corners[:, i]) for i in (0, 1)])
    left, right = plate((0.0, 6.0), (0.0, 1.0), **of_plates), plate((6.0, 0.0), (1.0, 0.0), **of_plates)
    return Section(joint, 0.005, 0.03, face=WeldSurface(left, right, points[0], points[-1], points, 0.02, 0.02))  # type: ignore[arg-type]


ROUND = [(6 * np.cos(a), 6 * np.sin(a)) for a in np.linspace(1.5, 0.05, 40)]


@pytest.mark.parametrize("face", [[], [(3.4, 3.4)], ROUND, [(1.5, 1.5)]])
def test_flat_convex_and_concave_welds_are_kept(face: list) -> None:
    assert is_weld(fillet(face))


def test_a_block_in_the_corner_is_no_weld() -> None:
    """A step, as of tiles and windows: nothing but square corners between straight pieces."""
    assert not is_weld(fillet([(6.0, 6.0)]))
    assert not is_weld(fillet([(3.0, 6.0), (3.0, 3.0), (6.0, 3.0)]))


def test_ragged_short_and_tiny_ones_are_no_welds() -> None:
    assert not is_weld(fillet([], rough_mm=0.06))
    assert not is_weld(fillet([], long_mm=3.0))
    assert not is_weld(fillet([], long_mm=1.5))
    assert not is_weld(replace(fillet([]), resolution_mm=0.5))


def test_short_plates_may_be_as_rough_as_rolled_and_cut_surfaces_are() -> None:
    """It was asked of each plate to be straight to a share of its length: of 5 mm that is finer than mill scale."""
    assert is_weld(fillet([], long_mm=5.0, rough_mm=0.018))
    assert not is_weld(fillet([], long_mm=5.0, rough_mm=0.028))


def test_what_edge_points_scatter_is_no_wander_of_a_plate() -> None:
    """Colours are kept coarsely: points of an outline that was told by them scatter by half a pixel and more."""
    noisy = replace(fillet([], rough_mm=0.034), point_std_mm=0.025)
    assert is_weld(noisy)
    assert not is_weld(replace(noisy, wander_mm=0.02))
    assert not is_weld(fillet([], rough_mm=0.034))


def test_an_inner_radius_is_only_a_weld_when_a_person_says_so() -> None:
    """The quarter circle tangent to both plates, as of a rolled angle."""
    section = fillet([(6 - 6 * np.cos(a), 6 - 6 * np.sin(a)) for a in np.linspace(0.02, np.pi / 2 - 0.02, 60)])
    assert not is_weld(section)
    assert is_weld(section, told=True)
    assert is_weld(replace(section, flags=(Flag("toe_ambiguous", ""),)), told=True)


@pytest.mark.parametrize(
    ("angle_deg", "leg_mm", "kept"), [(90, 6, True), (62, 6, True), (45, 6, False), (140, 6, False), (90, 18.5, False)]
)
def test_plates_of_a_fillet_meet_in_a_corner(angle_deg: float, leg_mm: float, kept: bool) -> None:
    """Six millimetres along one plate, the leg given along the other."""
    away = (float(np.cos(np.radians(angle_deg))), float(np.sin(np.radians(angle_deg))))
    toe_left, toe_right = leg_mm * np.array(away), np.array([6.0, 0.0])
    points = toe_left + np.linspace(0, 1, 300)[:, None] * (toe_right - toe_left)
    left, right = plate((toe_left[0], toe_left[1]), away, long_mm=20), plate((6.0, 0.0), (1.0, 0.0), long_mm=20)
    section = Section(
        "tee", 0.005, 0.03, root=np.zeros(2), face=WeldSurface(left, right, toe_left, toe_right, points, 0.02, 0.02)
    )
    assert is_weld(section) is kept
    assert is_weld(section, told=True)


def test_a_slope_of_a_hill_is_no_plate() -> None:
    """It wanders by more than a plate over its own length, though by little over a wide face."""
    assert is_weld(fillet([], long_mm=10, rough_mm=0.02))
    assert not is_weld(fillet([], long_mm=10, rough_mm=0.03), told=True)
    grainy = replace(fillet([], long_mm=10, rough_mm=0.03), resolution_mm=0.1)
    assert is_weld(grainy)


@pytest.mark.parametrize(
    ("joint", "rough_mm", "kept"), [("lap", 0.01, True), ("lap", 0.03, False), ("tee", 0.024, False)]
)
def test_the_short_edge_of_a_lap_may_wander_as_far_as_a_long_plate(joint: str, rough_mm: float, kept: bool) -> None:
    """An edge of 3 mm beside a plate of 20 mm."""
    section = fillet([], long_mm=20)
    face = section.face
    assert face is not None
    short = plate((face.toe_right[0], face.toe_right[1]), (1.0, 0.0), long_mm=3, rough_mm=rough_mm)
    assert is_weld(replace(section, joint=joint, face=replace(face, right=short))) is kept


@pytest.mark.parametrize(("high_mm", "kept"), [(3.0, True), (5.0, False)])
def test_a_dome_on_a_line_is_only_a_weld_when_a_person_says_so(high_mm: float, kept: bool) -> None:
    """The bound for a face of 10 mm is 4 mm: half an ellipse of more is a thing that stands on a plate."""
    angle = np.linspace(np.pi, 0, 300)
    points = np.column_stack([5 * np.cos(angle), high_mm * np.sin(angle)])
    face = WeldSurface(
        plate((-5.0, 0.0), (-1.0, 0.0)), plate((5.0, 0.0), (1.0, 0.0)), points[0], points[-1], points, 0.02, 0.02
    )
    section = Section("butt", 0.005, 0.03, face=face)
    assert is_weld(section) is kept
    assert is_weld(section, told=True)


def member(side: int, top: float, thickness: float) -> PreparedEdge:
    def line(x: float, y: float, dx: float, dy: float) -> LineFit:
        return LineFit(Line(x, y, dx, dy), 0.005, 1e-3, 1e-4, np.ones(50, bool))

    outer, bottom = np.array([side * 1.0, top]), np.array([side * 1.0, top - thickness])
    return PreparedEdge(
        line(*outer, side, 0.0), line(*bottom, side, 0.0), None, line(*bottom, 0.0, 1.0), outer, outer, bottom
    )


@pytest.mark.parametrize(
    ("top", "thickness", "kept"),
    [(0.0, 10, True), (2.0, 8, True), (0, 4, False), (9.0, 10, False), (4.0, 10, False), (-4.0, 6, True)],
)
def test_members_of_a_joint_face_each_other(top: float, thickness: float, kept: bool) -> None:
    section = Section("groove", 0.005, 0.03, edge_left=member(-1, 0.0, 10), edge_right=member(1, top, thickness))
    assert is_weld(section) is kept


@pytest.mark.parametrize(("shift", "kept"), [((0.0, 0.0), True), ((0.4, 0.4), True), ((0.0, 0.6), False)])
def test_square_edges_stand_parallel(shift: tuple[float, float], kept: bool) -> None:
    """Gap at the top and at the bottom: 0.6 mm more at one end of 10 mm is more than 3 degrees."""
    right = member(1, 0.0, 10)
    right = replace(
        right,
        outer_corner=np.add(right.outer_corner, (shift[0], 0.0)),
        land_bottom=np.add(right.land_bottom, (shift[1], 0.0)),
    )
    section = Section("groove", 0.005, 0.03, edge_left=member(-1, 0.0, 10), edge_right=right)
    assert is_weld(section) is kept
    assert is_weld(section, told=True)


def test_a_wide_space_is_no_gap() -> None:
    far = replace(member(1, 0.0, 10), outer_corner=np.array([5.0, 0.0]), land_bottom=np.array([5.0, -10.0]))
    section = Section("groove", 0.005, 0.03, edge_left=member(-1, 0.0, 10), edge_right=far)
    assert not is_weld(section)
    assert is_weld(section, told=True)
    assert is_weld(replace(section, edge_left=replace(member(-1, 0.0, 10), bevel=section.edge_left.land)))


@pytest.mark.parametrize(("step_mm", "kept"), [(0.0, True), (-2.0, True), (5.0, True), (-8.0, False), (7.6, False)])
def test_plates_of_a_butt_weld_face_each_other(step_mm: float, kept: bool) -> None:
    """Plates of 10 mm whose surfaces lie 8 mm apart are two that lie on each other."""

    def other_side(x: float, top: float) -> LineFit:
        return LineFit(Line(x, top - 10.0, -np.sign(x), 0.0), 0.005, 1e-3, 1e-4, np.ones(50, bool))

    face = np.column_stack([np.linspace(-6, 6, 300), np.linspace(0.0, step_mm, 300)])
    left, right = plate((-6.0, 0.0), (-1.0, 0.0)), plate((6.0, step_mm), (1.0, 0.0))
    surface = WeldSurface(left, right, face[0], face[-1], face, 0.02, 0.02)
    sides = {"opposite_left": other_side(-6.0, 0.0), "opposite_right": other_side(6.0, step_mm)}
    section = Section("butt", 0.005, 0.03, face=surface, **sides)
    assert is_weld(section) is kept
    assert is_weld(replace(section, opposite_left=None))


@pytest.mark.parametrize(("past_mm", "kept"), [(0.3, True), (0.9, False)])
def test_root_edges_do_not_pass_one_another(past_mm: float, kept: bool) -> None:
    """Root faces that touch are told a little past one another; those that pass were led past the end of a plate."""
    right = replace(member(1, 0.0, 10), land_bottom=np.array([-1.0 - past_mm, -10.0]))
    section = Section("groove", 0.005, 0.03, edge_left=member(-1, 0.0, 10), edge_right=right)
    assert is_weld(section, told=True) is kept
