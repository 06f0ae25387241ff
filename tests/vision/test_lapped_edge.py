"""Plates welded to another one along both edges, and laps with little of the lower plate beyond the weld."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from shapely.geometry import box

from benchmarks.render.fillets import FilletShape, _add_fillet
from benchmarks.render.geometry import Drawing, DrawnWeld, union
from core.geometry import Points
from vision.find import find_welds
from vision.lapped_edge import carries_plate
from vision.plate_line import Detail
from vision.structure import recognise, shape_of

UP, DOWN, LEFT, RIGHT = (0.0, 1.0), (0.0, -1.0), (-1.0, 0.0), (1.0, 0.0)
Fillet = tuple[tuple[float, float], tuple[float, float], tuple[float, float], FilletShape]


def welded(*boxes: tuple[float, float, float, float], fillets: list[Fillet]) -> Drawing:
    """Return plates, given as boxes (x0, y0, x1, y1), with fillets: root, direction left, direction right, shape."""
    metal = union(*(box(*each) for each in boxes)).buffer(1e-6)
    welds: list[DrawnWeld] = []
    for root, left, right, shape in fillets:
        metal, weld, _ = _add_fillet(metal, "lap", np.array(root), np.array(left), np.array(right), shape)
        welds.append(weld)
    return Drawing(metal, welds=tuple(welds))


def double_lap(beyond: float) -> Drawing:
    """Return two plates of 7 mm that lap over 15 mm, welded on both sides, one going on by ``beyond``."""
    upper = (-24.0, 0.0, 7.5, 7.0)
    lower = (-7.5, -7.0, 7.5 + beyond, 0.0)
    right = ((7.5, 0.0), UP, RIGHT, FilletShape(4.5, 5.0, 0.3))
    left = ((-7.5, 0.0), DOWN, LEFT, FilletShape(4.0, 5.5, 0.3))
    return welded(upper, lower, fillets=[left, right])


def doubler() -> Drawing:
    """Return a plate of 24 x 5 mm on one of 9 mm, welded along both edges."""
    right = ((12.0, 0.0), UP, RIGHT, FilletShape(3.5, 4.0, 0.2))
    left = ((-12.0, 0.0), LEFT, UP, FilletShape(4.2, 3.0, 0.2))
    return welded((-26, -9, 26, 0), (-12, 0, 12, 5), fillets=[left, right])


@pytest.mark.parametrize(
    ("drawing", "turn"), [(double_lap(18.0), 0), (double_lap(9.5), 20), (doubler(), 0), (doubler(), 147)]
)
def test_both_welds_of_lapped_plates_are_found(photograph, drawing, turn):
    taken = photograph(drawing, rotation_deg=turn, mm_per_px=0.055)
    found = find_welds(taken.gray, taken.calibration)
    assert [weld.section.joint for weld in found.welds] == ["lap", "lap"]
    for weld, truth in zip(found.welds, taken.truth_px(), strict=True):
        for name, point in truth.items():
            assert np.hypot(*(np.array(weld.points_px[name]) - point)) < 1.5, name


def outline(*corners: tuple[float, float]) -> Points:
    """Return a closed outline through corners, in steps of 0.05 mm."""
    ring = np.array([*corners, corners[0]], float)
    steps = [
        np.linspace(a, b, max(2, round(float(np.hypot(*(b - a))) / 0.05)), endpoint=False) for a, b in pairwise(ring)
    ]
    return np.vstack(steps)


def shape(*corners: tuple[float, float]):
    points = outline(*corners)
    return shape_of(points, np.zeros(len(points), bool), Detail(0.005, 0.05, 0.03), closed=True, tolerance=0.06)


def test_a_plate_welded_over_its_whole_edges_is_no_butt_weld():
    """Its edges are hidden by the welds; the flat top is four times as wide as the plates are thick."""
    top = 36.0
    plate = shape(
        (-60, 0), (-top / 2 - 4, 0), (-top / 2, 3.5), (top / 2, 3.5), (top / 2 + 4, 0), (60, 0), (60, -9), (-60, -9)
    )  # fmt: skip
    assert recognise((plate,), "butt") is None


def test_a_cap_ground_flat_is_a_butt_weld():
    cap = shape((-60, 0), (-8, 0), (-5, 1.5), (5, 1.5), (8, 0), (60, 0), (60, -9), (-60, -9))
    found = recognise((cap,), "butt")
    assert found is not None
    assert found.kind == "butt"
    pair = found.butts[0]
    assert not carries_plate(cap.points, pair.first, pair.second, cap.runs, 9.0)
