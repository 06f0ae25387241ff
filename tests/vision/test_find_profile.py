"""Welds in profiles that are in mm already: closed silhouettes and surfaces seen from one side."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.camera import densify
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing, PlateEnd, rings_of
from core.errors import NothingMeasurable
from core.geometry import rotate
from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

NOISE_MM = 0.006
ENDS = {"through_left": PlateEnd(22), "through_right": PlateEnd(22), "standing": PlateEnd(20)}


def double() -> Drawing:
    left, right = FilletShape(6.0, 7.0, bulge_mm=0.5), FilletShape(5.5, 6.5, bulge_mm=-0.3)
    return tee(through_thickness_mm=10, standing_thickness_mm=8, angle_deg=80, left=left, right=right, **ENDS)


def resampled(points: np.ndarray, step_mm: float) -> np.ndarray:
    """Return an open polyline at even steps."""
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    place = np.arange(0.0, steps[-1], step_mm)
    return np.column_stack([np.interp(place, steps, points[:, i]) for i in (0, 1)])


def profile(points: np.ndarray, *, closed: bool, seed: int = 0, noise_mm: float = NOISE_MM) -> Profile:
    noisy = points + np.random.default_rng(seed).normal(0, noise_mm, points.shape)
    count = len(points)
    return Profile(noisy, np.full(count, noise_mm), closed, np.zeros(count, bool), 0.03)


def silhouette(drawing: Drawing, turn_deg: float = 0.0) -> np.ndarray:
    (ring,) = rings_of(drawing.metal)
    ring = densify(ring, 0.03)
    even = resampled(np.vstack([ring, ring[:1]]), 0.03)
    return rotate(even, math.radians(turn_deg))


def compare(weld, truth, turn_deg: float = 0.0) -> None:
    section = weld.section
    points = {"root": section.root, "toe_left": section.face.toe_left, "toe_right": section.face.toe_right}
    for name, true in truth.points_mm.items():
        if name in points and points[name] is not None:
            assert math.dist(points[name], rotate(true, math.radians(turn_deg))) < 0.04, name
    measured = measure(section)
    for name in ("leg_left", "leg_right", "throat", "convexity", "concavity", "cap_width", "reinforcement"):
        if name in truth.values:
            assert measured[name].value == pytest.approx(truth.values[name], abs=0.04), name


@pytest.mark.parametrize("turn_deg", [0, 90, 200])
@pytest.mark.parametrize("clockwise", [True, False])
def test_closed_profile_in_either_order(turn_deg: float, clockwise: bool) -> None:
    drawing = double()
    points = silhouette(drawing, turn_deg)
    found = find_welds_in_profile(profile(points[::-1] if clockwise else points, closed=True))
    assert [weld.section.joint for weld in found.welds] == ["tee", "tee"]
    truths = list(drawing.welds)
    for weld in found.welds:
        nearest = min(
            truths, key=lambda t: math.dist(rotate(t.points_mm["root"], math.radians(turn_deg)), weld.section.root)
        )
        truths.remove(nearest)
        compare(weld, nearest, turn_deg)
        assert weld.points_px == {}


def open_fillet() -> tuple[np.ndarray, Drawing]:
    """Return the air side of a tee's right weld, from the top of the standing plate to the end of the other."""
    weld = FilletShape(6.0, 7.0, bulge_mm=0.4)
    drawing = tee(through_thickness_mm=10, standing_thickness_mm=8, right=weld, **ENDS)
    ring = silhouette(drawing)[::-1]
    right = (ring[:, 0] > 3.99) & (ring[:, 1] > -0.01) & (ring[:, 1] < 18)
    start = int(np.flatnonzero(right & ~np.roll(right, 1))[0])
    return np.roll(ring, -start, axis=0)[: int(right.sum())], drawing


def test_open_profile_of_a_fillet() -> None:
    points, drawing = open_fillet()
    found = find_welds_in_profile(profile(points, closed=False))
    (weld,) = found.welds
    assert weld.section.joint in ("tee", "lap")
    compare(weld, drawing.welds[0])


def open_butt(turn_deg: float = 0.0) -> tuple[np.ndarray, Drawing]:
    shape = ButtShape(6.0, 7.0, 1.6)
    drawing = butt(thickness_left_mm=10, thickness_right_mm=10, weld=shape, offset_mm=0.6)
    ring = silhouette(drawing)[::-1]
    top = (np.abs(ring[:, 0]) < 25) & (ring[:, 1] > -1)
    start = int(np.flatnonzero(top & ~np.roll(top, 1))[0])
    return rotate(np.roll(ring, -start, axis=0)[: int(top.sum())], math.radians(turn_deg)), drawing


@pytest.mark.parametrize("turn_deg", [0, 12, -20])
def test_open_profile_of_a_butt_weld(turn_deg: float) -> None:
    """Seen from one side there is no root side and no thickness, and neither is made up."""
    points, drawing = open_butt(turn_deg)
    (weld,) = find_welds_in_profile(profile(points, closed=False)).welds
    assert weld.section.joint == "butt"
    assert weld.section.root_side is None
    assert weld.section.opposite_left is None
    compare(weld, drawing.welds[0], turn_deg)
    measured = measure(weld.section)
    assert measured["misalignment"].value == pytest.approx(drawing.welds[0].values["misalignment"], abs=0.04)
    for name in ("thickness_left", "thickness_right", "root_width"):
        assert not hasattr(measured[name], "value")


@pytest.mark.parametrize("seed", range(4))
def test_plain_surfaces_hold_no_weld(seed: int) -> None:
    x = np.arange(-20, 20, 0.03)
    rng = np.random.default_rng(seed)
    wavy = 0.4 * np.sin(x / 3 + rng.uniform(0, 6)) + 0.2 * np.sin(x / 1.1 + rng.uniform(0, 6))
    for z in (0 * x, 0.3 * x, wavy, np.sqrt(900 - x**2)):
        with pytest.raises(NothingMeasurable, match="no weld was recognised in the profile"):
            find_welds_in_profile(profile(np.column_stack([x, z]), closed=False, seed=seed))


def test_joint_that_is_not_there() -> None:
    points, _ = open_butt()
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(profile(points, closed=False), joint="tee")


def test_a_reflection_and_a_facet_are_not_taken_for_the_plates() -> None:
    """Left of a tee, where the plate has left the field, a piece of a reflection goes on at the angle of a plate."""
    reflection = np.array([[-40.0, 0.0], [-32.9, -7.0]])
    line = np.array([[-29.0, 0.0], [-3.6, -26.8], [3.3, -27.6], [28.3, -2.9]])
    points = np.vstack([resampled(piece, 0.05) for piece in (reflection, line)])
    (weld,) = find_welds_in_profile(profile(points, closed=False, noise_mm=0.003), joint="tee").welds
    assert math.dist(weld.section.face.toe_left, line[1]) < 0.05
    assert math.dist(weld.section.face.toe_right, line[2]) < 0.05


def line_profile(points: np.ndarray, noise_mm: float, rng: np.random.Generator) -> Profile:
    """Return points of a laser line that scatter across it by ``noise_mm``, and a few by several times as much."""
    times = np.where(rng.random(len(points)) < 0.06, 2.6, 1.0)
    points = points + np.column_stack([np.zeros(len(points)), noise_mm * times * rng.standard_normal(len(points))])
    count = len(points)
    return Profile(points, np.full(count, noise_mm), False, np.zeros(count, bool), 0.05, points_alone=True)


def test_a_cap_between_plates_whose_points_scatter_much_is_found() -> None:
    """A few points of a speckled line lie beyond what the others scatter: the plates fell to pieces of a few mm."""
    x = np.arange(-35.0, 35.0, 0.05)
    cap = np.column_stack([x, np.where(np.abs(x) < 5.0, 1.6 * (1.0 - (x / 5.0) ** 2), 0.0)])
    found = 0
    for seed in range(6):
        (weld,) = find_welds_in_profile(line_profile(cap, 0.06, np.random.default_rng(seed)), joint="butt").welds
        value = measure(weld.section)["reinforcement"]
        if isinstance(value, Quantity):
            found += 1
            assert abs(value.value - 1.6) < max(0.04, value.expanded_uncertainty)
    assert found >= 4


def test_points_that_scatter_much_about_one_line_are_no_weld() -> None:
    x = np.arange(-35.0, 35.0, 0.05)
    for seed in range(4):
        with pytest.raises(NothingMeasurable):
            find_welds_in_profile(line_profile(np.column_stack([x, 0 * x]), 0.06, np.random.default_rng(seed)))
