"""Bridge on drawn butt welds and undercuts; hook, bevel blade and feeler on drawn grooves: against closed forms."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from measurement import measure
from measurement.gauges import GaugeReading, NoReading, read, readings
from measurement.gauges.bridge import BridgeGauge
from measurement.gauges.contact import Tip, resting_line
from measurement.gauges.joint_gauges import BevelBlade, GapFeeler, HookGauge
from vision.section import PreparedEdge, Section

POINT = Tip(half_angle_deg=1.0, shank_mm=0.0)
ASTRIDE = BridgeGauge("bridge", (-15.0, 15.0), POINT)


def reading(gauge, found, quantity, values=None):
    taken = read(gauge, found, quantity, measure(found) if values is None else values)
    assert isinstance(taken, GaugeReading), taken
    return taken


def with_groove(found, side, corners):
    """Cut a groove into one plate: corners as distance from the toe and depth."""
    plate, toe = getattr(found.face, side), getattr(found.face, f"toe_{side}")
    line = plate.fit.line
    out = line.normal if side == "right" else -line.normal
    along = line.along(plate.points) - float(line.along(toe))
    cut = [toe + x * line.direction - depth * out for x, depth in corners]
    # dense between the corners, so that what is measured finds enough points
    dense = np.vstack([np.linspace(a, b, 21)[:-1] for a, b in itertools.pairwise(cut)] + [cut[-1:]])
    points = np.vstack([plate.points[along < corners[0][0]], dense, plate.points[along > corners[-1][0]]])
    fit = replace(plate.fit, inliers=np.ones(len(points), bool))
    return replace(found, face=replace(found.face, **{side: replace(plate, fit=fit, points=points)}))


def test_resting_line_is_the_hull_edge_under_the_hand():
    rng = np.random.default_rng(4)
    for _ in range(20):
        points = rng.normal(size=(200, 2))
        slope, height, _ = resting_line(points, 0.1)
        above = points[:, 1] - (height + slope * points[:, 0])
        assert above.max() < 1e-9
        touching = points[above > -1e-9]
        assert touching[:, 0].min() <= 0.1 <= touching[:, 0].max()
    with pytest.raises(ValueError, match="both sides"):
        resting_line(np.array([[0.0, 0.0], [1.0, 0.0]]), 2.0)


@pytest.mark.parametrize("height", [0.5, 2.0, 3.0])
def test_bridge_over_plates_in_line(draw, height):
    found = draw.butt(10.0, height, root_height=1.0)
    assert reading(ASTRIDE, found, "reinforcement").reading == pytest.approx(height, abs=1e-4)
    assert reading(ASTRIDE, found, "root_reinforcement").reading == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("offset", [0.5, 1.0, -1.5])
def test_bridge_across_misaligned_plates(draw, offset):
    """It stands on the outer end of the foot on the lower plate and the inner end of the foot on the higher one.

    Those are 30 mm apart along the bridge, the outer end 16.5 mm from the needle, which points at the top of the cap.
    """
    width, height = 10.0, 2.0
    taken = reading(ASTRIDE, draw.butt(width, height, misalignment=offset), "reinforcement")
    slope = math.atan(abs(offset) / width)
    top = np.array([-height * math.sin(slope), abs(offset) / 2 + height * math.cos(slope)])
    sine = abs(offset) / 30.0
    cosine = math.sqrt(1 - sine**2)
    start = top[0] + (top[1] * sine - 16.5) / cosine
    expected = -(top[0] - start) * sine + top[1] * cosine
    assert taken.reading == pytest.approx(expected, abs=2e-3)
    assert "not in line" in taken.why


@pytest.mark.parametrize("feet", [(-12.0, 18.0), (-20.0, 12.0)])
@pytest.mark.parametrize("offset", [0.8, -1.5])
def test_bridge_with_uneven_feet_across_misaligned_plates(draw, feet, offset):
    """A flat needle over a round cap: in the frame of the bridge the cap is a circle about M."""
    found = draw.butt(10.0, 2.0, misalignment=offset)
    taken = reading(BridgeGauge("bridge", feet, Tip(width_mm=2.0)), found, "reinforcement")
    left, right = found.face.toe_left, found.face.toe_right
    chord = right - left
    radius = (float(chord @ chord) / 4 + 4.0) / 4.0
    normal = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    middle = (left + right) / 2 - (radius - 2.0) * normal
    # the foot on the lower plate stands on its left end when the right plate is the higher one, and so the other does
    ends = [foot - math.copysign(1.5, offset) for foot in feet]
    sine = offset / (ends[1] - ends[0])
    along = np.array([math.sqrt(1 - sine**2), sine])
    top = middle + radius * normal
    start = np.array([top[0] + ((top[1] - left[1]) * sine + ends[0]) / along[0], left[1]])
    aside = float((middle - start) @ along) + ends[0]
    height = float((middle - start) @ np.array([-along[1], along[0]]))
    assert taken.reading == pytest.approx(height + math.sqrt(radius**2 - max(abs(aside) - 1.0, 0.0) ** 2), abs=2e-3)


@pytest.mark.parametrize("tilt_deg", [2.0, 4.0])
def test_bridge_across_peaked_plates(draw, tilt_deg):
    """On plates bent up by an angle the bridge stands on the ends of its feet; checked by the distance to its line."""
    found = draw.butt(10.0, 2.0, tilt_deg=tilt_deg)
    taken = reading(ASTRIDE, found, "reinforcement")
    first, last, touched = taken.contacts[0], taken.contacts[-2], taken.contacts[-1]
    along = (last - first) / np.hypot(*(last - first))
    height = float(np.array([-along[1], along[0]]) @ (touched - first))
    assert taken.reading == pytest.approx(height, abs=1e-6)
    # the left foot stands on its outer end, 16.5 mm from the needle, on the level plate
    assert first[1] == pytest.approx(0.0, abs=1e-6)
    assert float((touched - first) @ along) == pytest.approx(16.5, abs=1e-4)
    # the right one touches the rising plate with its outer end, 33 mm farther on
    assert last[1] == pytest.approx(math.tan(math.radians(tilt_deg)) * last[0], abs=1e-6)
    assert float((last - first) @ along) == pytest.approx(33.0, abs=1e-4)


@pytest.mark.parametrize("radius", [0.0, 0.1, 0.25, 0.5])
@pytest.mark.parametrize("side", ["left", "right"])
def test_round_needle_in_a_v_shaped_undercut(draw, side, radius):
    """A ball between two walls of half angle phi: its lowest point hangs R (1 / sin phi - 1) above the bottom."""
    found = with_groove(draw.butt(10.0, 1.0), side, [(0.2, 0.0), (0.7, 0.5), (1.2, 0.0)])
    gauge = BridgeGauge("needle", (3.0, 23.0), Tip(radius_mm=radius, half_angle_deg=15.0))
    taken = reading(gauge, found, f"undercut_{side}")
    phi = math.atan2(0.5, 0.5)
    assert taken.reading == pytest.approx(0.5 - radius * (1 / math.sin(phi) - 1), abs=2e-4)
    assert taken.true == pytest.approx(0.5, abs=0.02)
    assert ("too blunt" in taken.why) == (radius > 0.05)


@pytest.mark.parametrize("radius", [0.8, 1.2])
def test_ball_wider_than_the_undercut_rests_on_its_rims(draw, radius):
    found = with_groove(draw.butt(10.0, 1.0), "left", [(0.2, 0.0), (0.7, 0.5), (1.2, 0.0)])
    gauge = BridgeGauge("needle", (4.0, 24.0), Tip(radius_mm=radius, half_angle_deg=15.0))
    taken = reading(gauge, found, "undercut_left")
    assert taken.reading == pytest.approx(radius - math.sqrt(radius**2 - 0.25), abs=2e-4)


def test_sharp_cone_wider_than_the_undercut(draw):
    """A cone of half angle 60° in a V of 45° rests on the rims: half the width times cot 60°."""
    found = with_groove(draw.butt(10.0, 1.0), "right", [(0.2, 0.0), (0.7, 0.5), (1.2, 0.0)])
    gauge = BridgeGauge("needle", (3.0, 23.0), Tip(half_angle_deg=60.0, shank_mm=2.0))
    assert reading(gauge, found, "undercut_right").reading == pytest.approx(0.5 / math.tan(math.radians(60)), abs=2e-4)


@pytest.mark.parametrize("half", [0.1, 0.16, 0.3, 0.45])
def test_needle_in_a_slot_finds_its_middle(draw, half):
    """Between upright walls a ball rests on the rims; a slot as wide as the ball's cone takes it in to that cone."""
    radius, cone, depth, middle = 0.15, math.radians(20.0), 1.2, 0.6
    corners = [(middle - half, 0.0), (middle - half + 1e-6, depth), (middle + half - 1e-6, depth), (middle + half, 0.0)]
    found = with_groove(draw.butt(10.0, 1.0), "right", corners)
    taken = reading(BridgeGauge("needle", (3.0, 23.0), Tip(radius_mm=radius, half_angle_deg=20.0)), found,
                    "undercut_right")  # fmt: skip
    tangent = radius * math.cos(cone)
    on_rims = radius - math.sqrt(radius**2 - min(half, radius) ** 2)
    on_cone = radius * (1 - math.sin(cone)) + (half - tangent) / math.tan(cone)
    assert taken.reading == pytest.approx(min(depth, on_rims if half <= tangent else on_cone), abs=2e-3)


def test_needle_in_a_pit_that_is_steep_on_one_side(draw):
    """A ball of radius R touches an upright wall and a slope of angle a when it stands R (1 / cos a - 1 + tan a) up."""
    radius, depth, run = 0.2, 0.6, 1.2
    found = with_groove(draw.butt(10.0, 1.0), "right", [(6.0, 0.0), (6.0 + 1e-6, depth), (6.0 + run, 0.0)])
    tip = Tip(radius_mm=radius, half_angle_deg=1.0, shank_mm=0.4)
    gauge = BridgeGauge("pit bridge", (-4.0, 4.0), tip, foot_mm=2.0)
    slope = math.atan2(depth, run)
    lifted = radius * (1 / math.cos(slope) - 1 + math.tan(slope))
    assert reading(gauge, found, "pit_depth").reading == pytest.approx(depth - lifted, abs=5e-3)


def test_spatter_under_a_foot_of_the_needle_bridge(draw):
    """A bump of height h under the near foot: the bridge stands on it and on its far end 24.5 mm from the needle."""
    height, spot = 0.3, 0.7
    found = with_groove(draw.butt(10.0, 1.0), "left", [(0.2, 0.0), (spot, 0.5), (1.2, 0.0)])
    at = spot + 3.0
    found = with_groove(found, "left", [(at - 0.2, 0.0), (at, -height), (at + 0.2, 0.0)])
    taken = reading(BridgeGauge("needle", (3.0, 23.0), POINT), found, "undercut_left")
    # in plate coordinates: line from the bump (3.7, h) down to the far end of the far foot
    slope = -height / (spot + 24.5 * math.cos(math.atan(height / 21.5)) - at)
    lifted = height + slope * (spot - at)
    assert taken.reading == pytest.approx((0.5 + lifted) / math.hypot(1.0, slope), abs=2e-3)
    assert "tilts the bridge" in taken.why


def test_bridge_too_narrow_and_nothing_to_read(draw):
    wide = draw.butt(32.0, 3.0)
    taken = read(ASTRIDE, wide, "reinforcement", measure(wide))
    assert isinstance(taken, NoReading)
    assert "wider bridge" in taken.reason
    plain = draw.butt(10.0, 2.0)
    for taken in readings(plain, measure(plain)):
        assert isinstance(taken, NoReading) == (taken.quantity not in ("reinforcement", "root_reinforcement"))
    high = draw.butt(20.0, 9.0)
    assert "arch" in read(ASTRIDE, high, "reinforcement", measure(high)).reason
    no_root = replace(plain, root_side=None)
    assert "root side" in read(ASTRIDE, no_root, "root_reinforcement", measure(no_root)).reason


def test_pit_of_a_plate(draw):
    found = with_groove(draw.butt(10.0, 1.0), "right", [(6.0, 0.0), (6.5, 0.5), (7.0, 0.0)])
    gauge = BridgeGauge("pit bridge", (-4.0, 4.0), Tip(radius_mm=0.2, half_angle_deg=15.0), foot_mm=2.0)
    taken = reading(gauge, found, "pit_depth")
    assert taken.reading == pytest.approx(0.5 - 0.2 * (math.sqrt(2) - 1), abs=2e-4)


def groove(draw, *, bevel_deg=30.0, land=1.0, gap=3.0, thickness=10.0, drop=0.0, tilt_deg=0.0):
    """Draw a V groove; the right member lies lower by ``drop`` and falls off by ``tilt_deg`` about its root edge."""

    def edge(side, turn_deg):
        turn = math.radians(turn_deg)
        along = side * np.array([math.cos(turn), side * math.sin(turn)])
        up = np.array([-math.sin(turn), math.cos(turn)])
        root = np.array([side * gap / 2, -thickness - (drop if side > 0 else 0.0)])
        top = root + land * up
        outer = top + (thickness - land) * (up + math.tan(math.radians(bevel_deg)) * along)
        fits = [draw.exact_fit(outer, along), draw.exact_fit(root, along)]
        return PreparedEdge(
            fits[0], fits[1], draw.exact_fit(top, outer - top), draw.exact_fit(root, up), outer, top, root
        )

    return Section(
        "groove", point_std_mm=0.01, resolution_mm=0.02, edge_left=edge(-1.0, 0.0), edge_right=edge(1.0, -tilt_deg)
    )


@pytest.mark.parametrize("turn", [0.0, 0.9, 3.0])
@pytest.mark.parametrize(("drop", "thickness"), [(0.0, 10.0), (1.2, 8.0), (-0.7, 12.0)])
def test_hook_on_parallel_members(draw, drop, thickness, turn):
    found = draw.turned(groove(draw, drop=drop, thickness=thickness), turn)
    assert reading(HookGauge(), found, "root_misalignment").reading == pytest.approx(-drop, abs=1e-9)
    assert reading(HookGauge(), found, "root_misalignment").difference == pytest.approx(0.0, abs=1e-6)
    for side in ("left", "right"):
        assert reading(HookGauge(), found, f"thickness_{side}").reading == pytest.approx(thickness, abs=1e-9)


def test_hook_on_a_member_that_falls_off_touches_with_its_end(draw):
    """The inside falls off by tan(tilt) from the root edge to the end of the hook, 5 mm from the middle of the gap."""
    taken = reading(HookGauge(reach_mm=5.0), groove(draw, tilt_deg=4.0), "root_misalignment")
    assert taken.reading == pytest.approx(-math.tan(math.radians(4)) * (5.0 - 1.5), abs=0.02)
    assert "not parallel" in taken.why


def test_hook_needs_a_gap_to_pass_and_an_inside(draw):
    closed = groove(draw, gap=1.0)
    assert "does not pass" in read(HookGauge(), closed, "root_misalignment", measure(closed)).reason
    found = groove(draw)
    blind = replace(found, edge_right=replace(found.edge_right, inside=None))
    assert "not visible" in read(HookGauge(), blind, "root_misalignment", measure(blind)).reason
    alone = replace(found, edge_left=None)
    for taken in readings(alone, measure(alone)):
        assert isinstance(taken, NoReading) == (taken.quantity != "bevel_angle_right"), taken
    short = read(HookGauge(reach_mm=1.0), found, "thickness_left", measure(found))
    assert isinstance(short, NoReading)


@pytest.mark.parametrize("angle", [22.5, 30.0, 37.5, -5.0])
def test_bevel_blade(draw, angle):
    found = draw.turned(groove(draw, bevel_deg=angle), 0.4)
    for side in ("left", "right"):
        taken = reading(BevelBlade(), found, f"bevel_angle_{side}")
        assert taken.reading == pytest.approx(angle, abs=1e-9)
        assert taken.difference == pytest.approx(0.0, abs=1e-6)
        assert abs(taken.step_reading - angle) <= 0.5
        assert taken.unit == "deg"
    square = replace(found, edge_left=replace(found.edge_left, bevel=None))
    assert "square" in read(BevelBlade(), square, "bevel_angle_left", {}).reason


@pytest.mark.parametrize(
    ("gap", "words"),
    [
        (0.5, "under 1/16 in"),
        (1.5, "under 1/16 in"),
        (25.4 / 16, "1/16 in to 3/32 in"),
        (1.65, "1/16 in to 3/32 in"),
        (25.4 * 3 / 32, "1/16 in to 3/32 in"),
        (2.35, "1/16 in to 3/32 in"),
        (2.45, "over 3/32 in"),
        (4.0, "over 3/32 in"),
    ],
)
def test_stepped_feeler(draw, gap, words):
    """Bands of common practice (no source): under 1/16, 1/16 to 3/32, over 3/32 in."""
    taken = reading(GapFeeler(), groove(draw, gap=gap), "root_gap")
    assert taken.step_text == words
    assert taken.reading == pytest.approx(gap, abs=1e-9)


def test_feeler_passes_the_narrowest_place(draw):
    """Lands of 1 mm, one 1.4 mm lower: corner to corner, 0.4 mm apart in height; bevels lie farther off."""
    taken = reading(GapFeeler(), groove(draw, gap=2.0, land=1.0, drop=1.4, bevel_deg=60.0), "root_gap")
    assert taken.reading == pytest.approx(math.hypot(2.0, 0.4), abs=1e-6)
    assert taken.true == pytest.approx(2.0, abs=1e-6)
