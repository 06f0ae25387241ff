"""Laps seen from above: what is told where the upper plate's edge is not seen, and what is not."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from core.errors import NothingMeasurable
from core.geometry import rotate
from core.quantity import NotMeasurable, Quantity
from inspection.gap_doubt import with_gaps
from measurement import measure
from vision.cloud import Cloud, sections
from vision.cloud_profile import profile_of_slab
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWeld
from vision.profile_file import ProfileFile, profile_from_points
from vision.profile_side import find_welds_in_file

THICK, LEG_UP, LEG_DOWN, BULGE = 10.0, 6.0, 7.0, 0.3
STEP_MM, NOISE_MM = 0.12, 0.03


def face() -> np.ndarray:
    share = np.linspace(0, 1, 200)[:, None]
    chord = np.array([LEG_DOWN, -LEG_UP])
    out = np.array([LEG_UP, LEG_DOWN]) / math.hypot(LEG_UP, LEG_DOWN)
    return np.array([0.0, LEG_UP]) + share * chord + 4 * BULGE * share * (1 - share) * out


def outline(lean_deg: float = 0.0, corner_mm: float = 0.0) -> np.ndarray:
    """Return a lap's surface as seen from above, the upper plate on the left; its foot leans in under the rim."""
    rim = (THICK - LEG_UP) * math.tan(math.radians(lean_deg))
    turn = np.linspace(0, math.pi / 2, 20)
    rounded = np.column_stack([np.sin(turn) - 1, np.cos(turn) - 1]) * corner_mm + [rim, THICK]
    weld = face()
    return np.vstack([[[-25.0, THICK]], rounded, weld[weld[:, 0] >= rim], [[30.0, 0.0]]])


def seen_from_above(line: np.ndarray, seed: int, *, tilt_deg: float = 0.0, step_mm: float = STEP_MM) -> np.ndarray:
    """Return scattered points of what is uppermost along each line of sight."""
    rng = np.random.default_rng(seed)
    turned = rotate(line, math.radians(tilt_deg))
    x = np.arange(turned[:, 0].min() + rng.uniform(0.1, 0.3), turned[:, 0].max() - 0.1, step_mm)
    top = np.full(len(x), -np.inf)
    for first, last in pairwise(turned):
        low, high = sorted((first[0], last[0]))
        over = (x >= low) & (x <= high) & (high > low)
        across = last[0] - first[0]
        if over.any():
            height = first[1] + (x[over] - first[0]) * (last[1] - first[1]) / across
            top[over] = np.maximum(top[over], height)
    points = np.column_stack([x, top + rng.normal(0, NOISE_MM, len(x))])
    return rotate(points, -math.radians(tilt_deg))


def throat_from(root_mm: float) -> float:
    return float(np.hypot(*(face() - [root_mm, 0.0]).T).min())


def weld_of(points: np.ndarray, joint: str = "auto") -> FoundWeld:
    profile = profile_from_points(points)
    (weld,) = with_gaps(find_welds_in_profile(profile, joint=joint), profile).welds
    return weld


TRUE = {
    "leg_left": LEG_UP,
    "leg_right": LEG_DOWN,
    "perpendicular_leg_left": LEG_UP,
    "face_width": math.hypot(LEG_UP, LEG_DOWN),
    "convexity": BULGE,
    "throat": throat_from(0.0),
}


@pytest.mark.parametrize("lean_deg", [0.0, 3.0])
@pytest.mark.parametrize("tilt_deg", [-3.0, 0.0, 4.0])
@pytest.mark.parametrize("corner_mm", [0.0, 0.8])
def test_what_is_told_holds_the_truth(lean_deg: float, tilt_deg: float, corner_mm: float) -> None:
    seed = round(10 * lean_deg + tilt_deg + 100 * corner_mm + 50)
    weld = weld_of(seen_from_above(outline(lean_deg, corner_mm), seed, tilt_deg=tilt_deg))
    assert weld.section.joint == "lap"
    assert [flag.code for flag in weld.section.flags] == ["edge_not_seen"]
    values = measure(weld.section)
    # The edge leans about its toe: the face stays where it is, its root goes the other way than its rim.
    foot = LEG_UP * math.tan(math.radians(lean_deg))
    for name, true in (TRUE | {"leg_right": LEG_DOWN + foot, "throat": throat_from(-foot)}).items():
        value = values[name]
        assert isinstance(value, Quantity), name
        assert abs(value.value - true) <= 1.2 * value.expanded_uncertainty, name
        assert value.expanded_uncertainty < 1.2, name


def test_what_needs_the_edge_to_be_seen_is_not_measurable() -> None:
    values = measure(weld_of(seen_from_above(outline(), 1)).section)
    for name in ("joint_angle", "undercut_left", "undercut_width_left", "toe_radius_left", "overlap_left"):
        assert isinstance(values[name], NotMeasurable), name
        assert "edge" in values[name].reason, name
    assert isinstance(values["undercut_right"], Quantity)


def test_the_root_is_less_sure_than_the_toe_on_the_edge() -> None:
    values = measure(weld_of(seen_from_above(outline(), 2)).section)
    # An edge that leans by 5 degrees moves its foot by half a millimetre on 6 mm, its toe by little.
    assert values["leg_left"].expanded_uncertainty < 0.5 * values["leg_right"].expanded_uncertainty
    assert values["leg_right"].expanded_uncertainty > 0.3


def test_the_upper_plate_on_the_right() -> None:
    mirrored = seen_from_above(outline(corner_mm=0.5), 3)[::-1] * np.array([-1.0, 1.0])
    values = measure(weld_of(mirrored).section)
    for name, true in (("leg_right", LEG_UP), ("leg_left", LEG_DOWN)):
        assert abs(values[name].value - true) <= values[name].expanded_uncertainty, name
    assert isinstance(values["undercut_right"], NotMeasurable)


NOT_LAPS = {
    "no weld": [[-25, 10], [0, 10], [0.001, 0], [30, 0]],
    "bevelled plate on a bench": [[-25, 10], [-7, 10], [0, 2], [0.001, 0], [30, 0]],
    "broken edge": [[-25, 10], [-1.5, 10], [0, 8.5], [0.001, 0], [30, 0]],
    "two steps": [[-25, 10], [0, 10], [0.001, 5], [5, 5], [5.001, 0], [30, 0]],
}


@pytest.mark.parametrize("kind", NOT_LAPS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_steps_without_a_weld_are_no_laps(kind: str, seed: int) -> None:
    profile = profile_from_points(seen_from_above(np.array(NOT_LAPS[kind], float), seed))
    with pytest.raises(NothingMeasurable):
        # which tries it upside down, too
        find_welds_in_file(ProfileFile(profile, kind, "", ()))


def test_a_cloud_from_above_is_measured_whatever_air_is_given() -> None:
    rng = np.random.default_rng(4)
    rows = [
        np.insert(seen_from_above(outline(corner_mm=0.4), seed, step_mm=0.2), 1, 0.2 * seed, axis=1)
        for seed in range(60)
    ]
    points = np.vstack(rows) + rng.normal(0, 0.01, (sum(map(len, rows)), 3))
    for air in (None, (0.0, 0.0, 1.0)):
        found = sections(Cloud(points), 3.0, seam=(0, 1, 0), air=air)
        told = 0
        for section in found:
            values = measure(with_gaps_of(section.profile).section)
            for name in ("leg_left", "leg_right", "throat", "face_width"):
                assert abs(values[name].value - TRUE[name]) <= 1.2 * values[name].expanded_uncertainty, (air, name)
            told += 1
        assert told == len(found) >= 3


def with_gaps_of(profile) -> FoundWeld:
    (weld,) = with_gaps(find_welds_in_profile(profile, joint="lap"), profile).welds
    return weld


def test_surfaces_reach_to_their_rims_where_one_ends_above_the_other() -> None:
    rng = np.random.default_rng(5)
    upper = np.column_stack([rng.uniform(-10, 0.3, 2000), rng.normal(2, 0.03, 2000)])
    lower = np.column_stack([rng.uniform(0.3, 10, 2000), rng.normal(0, 0.03, 2000)])
    points = profile_of_slab(np.vstack([upper, lower])).profile.points_mm
    assert points[points[:, 1] > 1.5, 0].max() == pytest.approx(0.3, abs=0.12)
    assert points[points[:, 1] < 0.5, 0].min() == pytest.approx(0.3, abs=0.12)


def filled(bulge_mm: float) -> np.ndarray:
    """Return a lap whose weld reaches the rim of the upper plate, 9 mm beside its toe on the lower one."""
    share = np.linspace(0, 1, 200)[:, None]
    out = np.array([THICK, 9.0]) / math.hypot(THICK, 9.0)
    weld = np.array([0.0, THICK]) + share * [9.0, -THICK] + 4 * bulge_mm * share * (1 - share) * out
    return np.vstack([[[-25.0, THICK]], weld, [[30.0, 0.0]]])


@pytest.mark.parametrize("bulge_mm", [-0.4, 0.4])
def test_a_weld_over_the_whole_edge_tells_what_does_without_it(bulge_mm: float) -> None:
    weld = weld_of(seen_from_above(filled(bulge_mm), 6), "lap")
    assert "edge_filled" in [flag.code for flag in weld.section.flags]
    values = measure(weld.section)
    truth = {
        "perpendicular_leg_left": THICK,
        "face_width": math.hypot(THICK, 9.0),
        "convexity": max(bulge_mm, 0.0),
        "concavity": max(-bulge_mm, 0.0),
    }
    for name, true in truth.items():
        assert abs(values[name].value - true) <= values[name].expanded_uncertainty < 0.7, name
    for name in ("leg_right", "throat", "size", "joint_angle", "toe_angle_left", "weld_area", "undercut_left"):
        assert isinstance(values[name], NotMeasurable), name
        assert "rim" in values[name].reason


def test_a_weld_over_the_whole_edge_is_only_taken_for_one_where_a_lap_is_asked_for() -> None:
    profile = profile_from_points(seen_from_above(filled(0.2), 7))
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(profile)
    (weld,) = find_welds_in_file(ProfileFile(profile, "", "", ()), joint="lap").welds
    # Heights may be depths: the same file upside down is as much of a lap.
    assert {"edge_filled", "air_side_doubtful"} <= {flag.code for flag in weld.flags}


def test_an_edge_too_low_to_be_told_is_no_weld_over_the_whole_edge() -> None:
    low = outline()
    low[low[:, 1] == THICK, 1] = LEG_UP + 0.5
    with pytest.raises(NothingMeasurable):
        weld_of(seen_from_above(low, 8), "lap")


def on_a_bench(line: np.ndarray) -> np.ndarray:
    """Return a lap whose lower plate, 6 mm thick, ends 20 mm beside the root over a bench."""
    return np.vstack([line[:-1], [[20.0, 0.0], [20.001, -6.0], [45.0, -6.0]]])


@pytest.mark.parametrize("tilt_deg", [0.0, 5.0, 30.0, 40.0])
@pytest.mark.parametrize("joint", ["auto", "lap"])
def test_the_bench_beyond_the_lower_plate_is_no_plate_of_the_weld(tilt_deg: float, joint: str) -> None:
    points = seen_from_above(on_a_bench(outline(corner_mm=0.3)), round(tilt_deg), tilt_deg=tilt_deg)
    weld = weld_of(points, joint)
    assert weld.section.joint == "lap"
    values = measure(weld.section)
    for name in ("leg_left", "leg_right", "throat", "face_width"):
        assert abs(values[name].value - TRUE[name]) <= 1.2 * values[name].expanded_uncertainty < 1.3, name


def test_an_edge_that_is_seen_tells_the_joint_angle_also_over_a_bench() -> None:
    weld = weld_of(seen_from_above(on_a_bench(outline()), 9, tilt_deg=40.0))
    assert not weld.section.face.inferred
    angle = measure(weld.section)["joint_angle"]
    assert abs(angle.value - 90.0) <= 1.2 * angle.expanded_uncertainty < 4.0


def test_a_cloud_over_a_bench_shows_its_air_from_the_side_of_the_weld() -> None:
    line = on_a_bench(outline())
    rows = [np.insert(seen_from_above(line, seed, step_mm=0.2), 1, 0.2 * seed, axis=1) for seed in range(60)]
    found = sections(Cloud(np.vstack(rows)), 3.0, seam=(0, 1, 0))
    assert found.info.air @ np.array([1.0, 0.0, 1.0]) / math.sqrt(2.0) > 0.95
    # 4 mm of edge are missing there: as many empty columns part no surface from what it leads to.
    told = [measure(with_gaps_of(section.profile).section) for section in found]
    assert len(told) >= 3
    for values in told:
        for name in ("leg_left", "leg_right", "throat"):
            assert abs(values[name].value - TRUE[name]) <= 1.2 * values[name].expanded_uncertainty, name
