"""Seat and leg blades on drawn fillets, against closed forms of plane triangles and circles, and against shapely."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from measurement import measure
from measurement.gauges import CAUTION, GaugeReading, NoReading, read, readings
from measurement.gauges.blades import INCH_BLADES, METRIC_BLADES
from measurement.gauges.contact import Tip
from measurement.gauges.metal import metal_of
from measurement.gauges.seat import SeatGauge

SHARP = SeatGauge(tip=Tip(half_angle_deg=1.0, shank_mm=0.0))
SEAT = SeatGauge()


def with_bump(found, side, distance, height, width=0.2):
    """Put a pointed bump on one plate, its top at a distance from the toe."""
    plate, toe = getattr(found.face, side), getattr(found.face, f"toe_{side}")
    line = plate.fit.line
    out = line.normal if side == "right" else -line.normal
    along = line.along(plate.points) - float(line.along(toe))
    at = [distance - width, distance, distance + width]
    tops = [toe + x * line.direction + y * out for x, y in zip(at, (0.0, height, 0.0), strict=True)]
    points = np.vstack([plate.points[along < at[0]], tops, plate.points[along > at[2]]])
    fit = replace(plate.fit, inliers=np.ones(len(points), bool))
    return replace(found, face=replace(found.face, **{side: replace(plate, fit=fit, points=points)}))


def reading(gauge, found, quantity="throat"):
    taken = read(gauge, found, quantity, measure(found))
    assert isinstance(taken, GaugeReading), taken
    return taken


@pytest.mark.parametrize("turn", [0.0, 1.1, -2.4])
@pytest.mark.parametrize(("leg", "sagitta"), [(6.0, 0.0), (8.0, 0.7), (5.0, 0.3)])
def test_seat_on_a_square_joint_reads_the_throat(draw, leg, sagitta, turn):
    taken = reading(SEAT, draw.turned(draw.fillet(90, leg, leg, sagitta), turn))
    assert taken.reading == pytest.approx(leg / math.sqrt(2) + sagitta, abs=1e-4)
    assert taken.parts == ()
    assert taken.difference == pytest.approx(0.0, abs=2e-4)


@pytest.mark.parametrize(("psi_deg", "touches_mm"), [(95.0, 15.0), (92.0, 15.0), (85.0, 35.0), (88.0, 35.0)])
def test_seat_on_a_joint_that_is_not_square(draw, psi_deg, touches_mm):
    """Wide joints are touched by the inner ends of the legs, narrow ones by the outer ends.

    Ends at a distance c from the corner stand c sin 45° to the side of the bisector, and there the plates lie
    c sin 45° cot(psi / 2) above the root; the corner lies c cos 45° below the ends.
    """
    leg, sagitta = 6.0, 0.4
    taken = reading(SHARP, draw.fillet(psi_deg, leg, leg, sagitta))
    half = math.radians(psi_deg / 2)
    corner = touches_mm * math.sqrt(0.5) * (1 / math.tan(half) - 1)
    assert taken.reading == pytest.approx(leg * math.cos(half) + sagitta - corner, abs=1e-4)
    ends = np.hypot(*(taken.contacts[:2] - [0.0, corner]).T)
    assert ends == pytest.approx([touches_mm, touches_mm], abs=0.15)
    assert "not square" in taken.why
    assert sum(part.amount for part in taken.parts) == pytest.approx(taken.difference, abs=0.02)


@pytest.mark.parametrize(("psi_deg", "stands_mm"), [(86.0, 35.0), (95.0, 15.0)])
@pytest.mark.parametrize(("legs", "sagitta"), [((6.0, 9.0), 0.0), ((9.0, 5.5), 0.6), ((6.0, 6.0), -0.5)])
def test_wide_slide_on_a_joint_that_is_not_square(draw, psi_deg, stands_mm, legs, sagitta):
    """Flat, convex and concave faces: the slide comes down on the highest place of the face within its width."""
    taken = reading(SEAT, draw.fillet(psi_deg, *legs, sagitta))
    half = math.radians(psi_deg / 2)
    ends = [legs[0] * np.array([-math.sin(half), math.cos(half)]), legs[1] * np.array([math.sin(half), math.cos(half)])]
    chord = ends[1] - ends[0]
    x = np.linspace(-1.0, 1.0, 20001)
    if sagitta == 0:
        face = ends[0][1] + chord[1] / chord[0] * (x - ends[0][0])
    else:
        radius = (float(chord @ chord) / 4 + sagitta**2) / (2 * abs(sagitta))
        normal = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
        bulge = math.copysign(1.0, sagitta)
        middle = (ends[0] + ends[1]) / 2 - bulge * (radius - abs(sagitta)) * normal
        face = middle[1] + bulge * np.sqrt(radius**2 - (x - middle[0]) ** 2)
    corner = stands_mm * math.sqrt(0.5) * (1 / math.tan(half) - 1)
    assert taken.reading == pytest.approx(float(face.max()) - corner, abs=3e-4)


def test_wide_slide_on_a_concave_face_rests_on_its_corners(draw):
    leg, sagitta = 8.0, 0.8
    taken = reading(SEAT, draw.fillet(90, leg, leg, -sagitta))
    chord = leg * math.sqrt(2)
    radius = (chord**2 / 4 + sagitta**2) / (2 * sagitta)
    expected = leg / math.sqrt(2) - sagitta + radius - math.sqrt(radius**2 - 1.0)
    assert taken.reading == pytest.approx(expected, abs=1e-4)
    assert "rests on its corner" in taken.why
    assert len(taken.contacts) >= 4


@pytest.mark.parametrize(("legs", "sagitta"), [((6.0, 9.0), 0.9), ((7.0, 7.6), 1.0)])
def test_wide_slide_on_a_convex_face(draw, legs, sagitta):
    """The face is a circle about M: the slide rests on its highest point, or with its corner where that lies beside."""
    taken = reading(SEAT, draw.fillet(90, *legs, sagitta))
    ends = np.array([[-legs[0], legs[0]], [legs[1], legs[1]]]) * math.sqrt(0.5)
    chord = ends[1] - ends[0]
    width = float(np.hypot(*chord))
    radius = (width**2 / 4 + sagitta**2) / (2 * sagitta)
    normal = np.array([-chord[1], chord[0]]) / width
    x, y = ends.mean(axis=0) - (radius - sagitta) * normal
    beside = max(abs(x) - 1.0, 0.0)
    assert taken.reading == pytest.approx(y + math.sqrt(radius**2 - beside**2), abs=2e-4)
    assert taken.difference > 0


def test_slide_along_the_bisector_of_unequal_legs(draw):
    taken = reading(SHARP, draw.fillet(90, 6.0, 10.0))
    assert taken.reading == pytest.approx(math.sqrt(2) * 60 / 16, abs=1e-6)
    assert taken.true == pytest.approx(60 / math.hypot(6, 10), abs=1e-6)
    assert "the legs differ" in taken.why


def test_spatter_under_a_leg_of_the_seat(draw):
    """A bump of height h under the left leg: scalar geometry with the right plate along X and the left along Y."""
    leg, at, height = 6.0, 20.0, 0.5
    found = with_bump(draw.fillet(90, leg, leg), "left", at - leg, height)
    x = y = turn = 0.0
    for _ in range(60):
        far = y + (35.0 - x * math.sin(turn)) / math.cos(turn)
        turn = math.atan(height / (far - at)) / 2
        y = -15.0 * math.sin(turn)
        x = height + (at - y) * math.tan(turn)
    expected = (leg - x - y) / (math.sqrt(2) * math.cos(turn))
    taken = reading(SHARP, found)
    assert taken.reading == pytest.approx(expected, abs=1e-4)
    assert taken.reading < taken.true - 0.2
    assert "under a leg" in taken.why
    assert "rocks" in taken.why


@pytest.mark.parametrize("psi_deg", [85.0, 90.0, 97.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_body_enters_the_metal(draw, psi_deg, seed):
    rng = np.random.default_rng(seed)
    sampling = draw.Sampling(noise=0.01, correlation=4, rng=rng)
    found = draw.fillet(psi_deg, rng.uniform(4, 9), rng.uniform(4, 9), rng.uniform(-0.5, 0.8), sampling)
    found = with_bump(found, "right", rng.uniform(9, 13), rng.uniform(0.1, 0.6))
    taken = reading(SEAT, found)
    points = metal_of(found.face).points
    below = np.array([[points[-1, 0], -200.0], [points[0, 0], -200.0]])
    metal = shapely.make_valid(shapely.Polygon(np.vstack([points, below])))
    for body in taken.outline:
        assert shapely.Polygon(body).is_valid
        assert shapely.Polygon(body).intersection(metal).area < 1e-4
    # and it is down: a hair lower it would
    lowered = shapely.Polygon(taken.outline[1] - [0.0, 0.02])
    assert lowered.intersection(metal).area > 1e-5


@pytest.mark.parametrize("size", METRIC_BLADES.sizes_mm[:10])
def test_blades_at_exact_sizes(draw, size):
    taken = reading(METRIC_BLADES, draw.fillet(90, size, 8.0, 0.2), "leg_left")
    assert (taken.step_reading, taken.step_text) == (size, f"{size:g} mm")
    assert [label for label, fits in taken.fits if fits] == [
        f"{other:g} mm" for other in METRIC_BLADES.sizes_mm if other >= size
    ]
    short = reading(METRIC_BLADES, draw.fillet(90, size - 0.2, 8.0, 0.2), "leg_left")
    assert short.step_reading == (size - 1 if size > 3 else None)


def test_inch_blades_are_called_by_their_fraction(draw):
    taken = reading(INCH_BLADES, draw.fillet(90, 8.0, 0.375 * 25.4), "leg_right")
    assert taken.step_text == "3/8 in"
    taken = reading(INCH_BLADES, draw.fillet(90, 8.0, 7.0), "leg_right")
    assert taken.step_text == "1/4 in"
    assert "it reaches 1/4 in, but not 5/16 in" in taken.why
    assert "under 1/8 in" in reading(INCH_BLADES, draw.fillet(90, 2.5, 3.0), "leg_left").step_text


@pytest.mark.parametrize("psi_deg", [60.0, 75.0, 85.0, 95.0, 110.0, 120.0])
def test_blades_read_square_to_their_plate(draw, psi_deg):
    found = draw.fillet(psi_deg, 9.0, 7.0)
    taken = reading(METRIC_BLADES, found, "leg_left")
    assert taken.reading == pytest.approx(9.0 * math.sin(math.radians(psi_deg)), abs=1e-6)
    assert taken.reading == pytest.approx(measure(found)["perpendicular_leg_left"].value, abs=1e-6)


def test_spatter_under_a_blade(draw):
    """The foot lies from 1 to 11 mm beyond the toe: over a bump at 3 mm, down to its end at 11 mm."""
    height, leg, base = 0.6, 8.0, 6.0
    found = with_bump(draw.fillet(90, leg, base), "right", 3.0, height)
    taken = reading(METRIC_BLADES, found, "leg_left")
    slope = -height / (11.0 - 3.0)
    line_at_root = -slope * (base + 11.0)
    assert taken.reading == pytest.approx((leg - line_at_root) / math.hypot(1.0, slope), abs=1e-6)
    assert "under the foot" in taken.why


def test_turning_and_mirroring_change_nothing(draw):
    found = with_bump(draw.fillet(93, 6.0, 8.0, 0.4), "left", 12.0, 0.3)
    plain = {(r.gauge, r.quantity): r for r in readings(found, measure(found))}
    turned, mirrored = draw.turned(found, 2.0), draw.mirrored(found)
    for taken in readings(turned, measure(turned)):
        if isinstance(taken, GaugeReading):
            assert taken.reading == pytest.approx(plain[taken.gauge, taken.quantity].reading, abs=1e-6)
    swap = {"leg_left": "leg_right", "leg_right": "leg_left"}
    for taken in readings(mirrored, measure(mirrored)):
        if isinstance(taken, GaugeReading):
            name = swap.get(taken.quantity, taken.quantity)
            assert taken.reading == pytest.approx(plain[taken.gauge, name].reading, abs=1e-6)


def test_what_cannot_be_read_says_why(draw):
    big = draw.fillet(90, 16.0, 16.0)
    taken = read(SEAT, big, "throat", measure(big))
    assert isinstance(taken, NoReading)
    assert "larger gauge" in taken.reason
    narrow = draw.fillet(75, 6.0, 6.0)
    assert "stands so far off" in read(SEAT, narrow, "throat", measure(narrow)).reason
    plain = draw.fillet(90, 6.0, 6.0)
    undercut = next(r for r in readings(plain, measure(plain)) if r.quantity == "undercut_left")
    assert isinstance(undercut, NoReading)
    assert "not a reading" in CAUTION


@pytest.mark.parametrize("bad", [{"leg_from_mm": 0.0}, {"leg_to_mm": 10.0}, {"step_mm": 0.0}])
def test_impossible_seats_are_refused(bad):
    with pytest.raises(ValueError, match="seat"):
        SeatGauge(**bad)


@pytest.mark.parametrize(
    ("psi_deg", "leg", "stands"), [(110, 12.8, True), (110, 13.1, False), (104, 13.3, True), (104, 13.6, False)]
)
def test_seat_whose_legs_would_stand_on_the_weld_of_a_wide_joint_reads_nothing(draw, psi_deg, leg, stands):
    """The inner ends stand 15 sin 45° / sin(psi / 2) from the root along the plates: at 12.95 mm, 13.46 mm."""
    taken = read(SEAT, draw.fillet(psi_deg, 8.0, leg), "throat", {})
    assert isinstance(taken, GaugeReading if stands else NoReading)
    assert stands or "reaches under the legs of the seat" in taken.reason


def lapped(found, edge_mm):
    """Make a lap of a square fillet: the left plate is an edge that ends so far beyond its toe."""
    plate = found.face.left
    along = plate.fit.line.along(plate.points) - float(plate.fit.line.along(found.face.toe_left))
    points = plate.points[along <= edge_mm + 1e-9]
    fit = replace(plate.fit, inliers=np.ones(len(points), bool))
    return replace(found, joint="lap", face=replace(found.face, left=replace(plate, fit=fit, points=points)))


def test_a_gauge_does_not_stand_beyond_the_rim_of_a_lapped_plate(draw):
    """An edge of 8 mm below a weld of 6 mm: seat and feet need more; a nose of up to 7 mm still meets it."""
    tee = draw.fillet(90, 6.0, 6.0, 0.3)
    lap = lapped(tee, 2.0)
    values = measure(lap)
    seat = read(SEAT, lap, "throat", values)
    assert isinstance(seat, NoReading)
    assert "the edge of the upper plate ends 2.0 mm beyond the toe" in seat.reason
    assert isinstance(read(SEAT, tee, "throat", values), GaugeReading)
    below = read(METRIC_BLADES, lap, "leg_right", values)
    assert isinstance(below, NoReading)
    assert "the edge of the upper plate is too short" in below.reason
    beside = reading(METRIC_BLADES, lap, "leg_left")
    assert beside.step_reading == 6.0
    assert dict(beside.fits)["7 mm"]
    assert not dict(beside.fits)["9 mm"]  # above the rim the nose meets nothing


def test_every_gauge_of_a_lap_with_hardly_an_edge_reads_or_says_why(draw):
    for edge in (0.0, 0.5, 12.0):
        for turn in (0.0, 0.7):
            lap = draw.turned(lapped(draw.fillet(88, 5.0, 7.0, 0.2), edge), turn)
            taken = readings(lap, measure(lap))
            assert all(item.reason for item in taken if isinstance(item, NoReading))
            assert any(isinstance(item, GaugeReading) for item in taken)
