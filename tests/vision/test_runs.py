"""Straight runs of outlines whose sides are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Line, rotate
from vision.runs import bridged_runs, straight_runs, turn_deg

STEP_MM = 0.05
NOISE_MM = 0.006
TOLERANCE_MM = 0.05
CORNERS = np.array([[0.0, 0.0], [0.0, 8.0], [20.0, 8.0], [20.0, 20.0], [26.0, 20.0], [26.0, 0.0]])
"""Clockwise, as outlines run: metal on the right."""
SIDES = [8.0, 20.0, 12.0, 6.0, 20.0, 26.0]


def outline(corners: np.ndarray, *, closed: bool = True, seed: int = 0, start: int = 0) -> np.ndarray:
    """Return a polygon at even steps with noise across it, begun anywhere."""
    ends = np.vstack([corners, corners[:1]]) if closed else corners
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ends, axis=0).T))])
    place = np.arange(0.0, steps[-1], STEP_MM)
    points = np.column_stack([np.interp(place, steps, ends[:, i]) for i in (0, 1)])
    points += np.random.default_rng(seed).normal(0, NOISE_MM, points.shape)
    return np.roll(points, start, axis=0)


def runs_of(points: np.ndarray, *, closed: bool = True, cut: np.ndarray | None = None) -> list:
    border = np.zeros(len(points), bool) if cut is None else cut
    return straight_runs(points, border, closed=closed, tolerance=TOLERANCE_MM, shortest=0.5)


@pytest.mark.parametrize("angle_deg", [0, 30, 90, 179, 180, -1, -120])
def test_turn_is_counter_clockwise(angle_deg: float) -> None:
    a = math.radians(angle_deg)
    turn = turn_deg(Line(0, 0, 1, 0), Line(3, 4, math.cos(a), math.sin(a)))
    assert abs(turn) == pytest.approx(abs(angle_deg), abs=1e-9)
    if 0 < abs(angle_deg) < 180:
        assert turn == pytest.approx(angle_deg, abs=1e-9)


@pytest.mark.parametrize("angle_deg", [0, 31, 90, 200])
@pytest.mark.parametrize("start", [0, 77, 300, 1500])
def test_sides_of_a_polygon_wherever_its_outline_begins(angle_deg: float, start: int) -> None:
    points = rotate(outline(CORNERS, start=start), math.radians(angle_deg))
    runs = runs_of(points)
    lengths = [run.length for run in runs]
    shift = min(range(6), key=lambda k: sum(abs(a - b) for a, b in zip(np.roll(lengths, -k), SIDES, strict=True)))
    assert np.roll(lengths, -shift) == pytest.approx(SIDES, abs=0.3)
    for run, following in zip(runs, [*runs[1:], runs[0]], strict=True):
        assert abs(abs(turn_deg(run.line, following.line)) - 90) < 0.3
        index = run.indices(len(points))
        assert np.abs(run.line.offset(points[index[5:-5]])).max() < TOLERANCE_MM
        along = run.line.along(points[index])
        assert along[-1] > along[0]


def test_metal_lies_to_the_right_of_every_run() -> None:
    points = outline(CORNERS)
    middle_of_metal = np.array([23.0, 4.0])
    assert all(float(run.line.offset(middle_of_metal)) < 0 for run in runs_of(points) if run.length > 15)


def test_arc_is_no_long_run() -> None:
    """Pieces of a circle of radius 10 within the tolerance are at most 2 sqrt(2 r 2 t) long, twice merged."""
    angles = np.linspace(0, -2 * np.pi, 1256, endpoint=False)
    points = 10 * np.column_stack([np.cos(angles), np.sin(angles)])
    points += np.random.default_rng(0).normal(0, NOISE_MM, points.shape)
    longest = max((run.length for run in runs_of(points)), default=0.0)
    assert longest < 2 * 2 * math.sqrt(2 * 10 * 2 * TOLERANCE_MM)


def test_no_run_crosses_the_border_of_the_picture() -> None:
    points = outline(CORNERS)
    cut = points[:, 0] < 10.0
    runs = runs_of(points, cut=cut)
    assert any(run.cut for run in runs)
    assert any(not run.cut for run in runs)
    for run in runs:
        assert cut[run.indices(len(points))].mean() == pytest.approx(float(run.cut), abs=0.02)


def test_open_outline_does_not_close() -> None:
    points = outline(CORNERS[1:5], closed=False)
    runs = runs_of(points, closed=False)
    assert [run.length for run in runs] == pytest.approx([20, 12, 6], abs=0.3)
    assert all(0 <= run.start < run.stop < len(points) for run in runs)


def with_bump(height: float, width: float) -> np.ndarray:
    """Return a plate of 30 mm with a bump in its middle and a small rise in height beyond nothing."""
    half = width / 2
    top = [[15 - half, 0], [15 - half / 3, height], [15 + half / 3, height], [15 + half, 0]]
    return outline(np.array([[0.0, 0.0], *top, [30.0, 0.0]], float), closed=False)


@pytest.mark.parametrize("height", [0.4, -0.4])
def test_speck_is_bridged(height: float) -> None:
    points = with_bump(height, 1.2)
    runs = [run for run in runs_of(points, closed=False) if run.length > 5]
    assert len(runs) == 2
    (one,) = [run for run in bridged_runs(points, runs, closed=False, gap=2.0, height=1.0, level=0.1) if run.length > 5]
    assert one.length == pytest.approx(30, abs=0.3)


@pytest.mark.parametrize(("height", "width"), [(2.0, 1.6), (0.6, 6.0)])
def test_weld_is_not_bridged(height: float, width: float) -> None:
    points = with_bump(height, width)
    runs = [run for run in runs_of(points, closed=False) if run.length > 5]
    assert len(bridged_runs(points, runs, closed=False, gap=2.0, height=1.0, level=0.1)) == 2


@pytest.mark.parametrize("offset", [0.3, 1.4])
def test_plates_offset_by_hi_lo_stay_two(offset: float) -> None:
    points = outline(np.array([[0.0, 0.0], [15.0, 0.0], [15.5, offset], [30.0, offset]]), closed=False)
    runs = [run for run in runs_of(points, closed=False) if run.length > 5]
    assert len(bridged_runs(points, runs, closed=False, gap=2.0, height=1.0, level=0.1)) == 2


@pytest.mark.parametrize(("bump_mm", "bend_deg", "parts"), [(0.1, 0.0, 1), (0.1, 1.2, 2), (0.4, 0.0, 2), (0.0, 0.0, 1)])
def test_a_grain_that_joined_a_surface_does_not_part_it(bump_mm: float, bend_deg: float, parts: int) -> None:
    """A box of 40 x 8 mm with a grain of half a millimetre on its upper side, which may be bent there."""
    x, y = np.arange(0.0, 40.0, 0.03), np.arange(0.0, 8.0, 0.03)
    top = 8.0 + bump_mm * np.maximum(0.0, 1 - np.abs(x - 13) / 0.25)
    top -= np.maximum(0.0, x - 13) * math.tan(math.radians(bend_deg))
    sides = [
        np.column_stack([x, top]),
        np.column_stack([np.full(len(y), 40.0), np.linspace(top[-1], 0, len(y))]),
        np.column_stack([x[::-1], 0 * x]),
        np.column_stack([0 * y, y]),
    ]
    points = np.vstack(sides)
    runs = straight_runs(points, np.zeros(len(points), bool), closed=True, tolerance=0.045, shortest=1.0)
    along = [run for run in runs if run.line.dx > 0.9]
    assert len(along) == parts


def test_a_few_points_far_below_a_surface_are_no_end_of_it() -> None:
    """The floor of a U beyond the gap, nearly level there, was taken for the end of the plate."""
    rng = np.random.default_rng(1)
    plate = np.column_stack([np.arange(0.0, 40.0, 0.06), np.zeros(667)])
    floor = np.column_stack([44.0 + 0.06 * np.arange(11), np.linspace(-8.2, -8.1, 11)])
    wall = np.column_stack([np.full(60, 44.7), np.arange(-8.0, -5.0, 0.05)])
    points = np.vstack([plate, floor, wall]) + rng.normal(0, 0.004, (738, 2))
    runs = straight_runs(points, np.zeros(738, bool), closed=False, tolerance=0.05, shortest=0.4)
    assert max(runs, key=lambda run: run.length).stop <= 667
