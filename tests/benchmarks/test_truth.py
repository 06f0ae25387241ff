"""The truth is checked against closed forms and against the silhouette that is drawn."""

import math

import numpy as np
import pytest
from shapely.geometry import Polygon

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.camera import Camera, coverage
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import PlateEnd, Toe, circular_arc, rings_of
from benchmarks.render.grooves import Edge, groove


def one_tee(shape: FilletShape, angle_deg: float = 90.0, **more):
    return tee(through_thickness_mm=10, standing_thickness_mm=8, angle_deg=angle_deg, right=shape, **more)


def test_a_flat_equal_fillet_on_a_square_tee_has_the_values_of_a_right_triangle() -> None:
    values = one_tee(FilletShape(6, 6)).welds[0].values
    assert values["size"] == pytest.approx(6)
    assert values["throat"] == pytest.approx(6 / math.sqrt(2))
    assert values["design_throat"] == pytest.approx(6 / math.sqrt(2))
    assert values["face_width"] == pytest.approx(6 * math.sqrt(2))
    assert values["weld_area"] == pytest.approx(18)
    assert values["toe_angle_left"] == pytest.approx(135)


def test_a_hollow_fillet_is_smaller_than_its_legs() -> None:
    values = one_tee(FilletShape(6, 6, -0.5)).welds[0].values
    assert values["concavity"] == pytest.approx(0.5)
    assert values["convexity"] == 0
    assert values["throat"] == pytest.approx(6 / math.sqrt(2) - 0.5)
    assert values["size"] == pytest.approx(6 - 0.5 * math.sqrt(2))


@pytest.mark.parametrize("angle_deg", [62.0, 90.0, 113.0])
def test_the_skewed_legs_follow_the_joint_angle(angle_deg: float) -> None:
    right, left = FilletShape(5, 7, 0.3), FilletShape(6, 4)
    drawing = one_tee(right, angle_deg, left=left)
    first, second = drawing.welds
    assert first.values["joint_angle"] == pytest.approx(180 - angle_deg)
    assert second.values["joint_angle"] == pytest.approx(angle_deg)
    assert second.values["perpendicular_leg_right"] == pytest.approx(7 * math.sin(math.radians(angle_deg)))
    flat = first.values
    side = math.sqrt(36 + 16 - 48 * math.cos(math.radians(180 - angle_deg)))
    assert flat["face_width"] == pytest.approx(side)


def test_seen_face_up_the_standing_plate_is_left_of_the_right_weld() -> None:
    weld = one_tee(FilletShape(5, 7)).welds[0]
    assert weld.points_mm["toe_left"] == pytest.approx([4, 5])
    assert weld.points_mm["toe_right"] == pytest.approx([11, 0])


@pytest.mark.parametrize(("width", "height"), [(14.0, 1.5), (9.0, 2.2)])
def test_a_circular_cap_meets_its_closed_forms(width: float, height: float) -> None:
    shape = ButtShape(width / 2, width / 2, height)
    values = butt(thickness_left_mm=10, thickness_right_mm=10, weld=shape).welds[0].values
    assert values["cap_width"] == pytest.approx(width)
    assert values["reinforcement"] == pytest.approx(height)
    # tangent-chord angle of a circular segment: tan(angle / 2) = 2 h / w
    flank = 2 * math.degrees(math.atan(2 * height / width))
    assert values["toe_angle_left"] == pytest.approx(180 - flank, abs=0.15)


def test_a_face_that_dips_below_the_plates_has_toe_angles_above_180_degrees() -> None:
    values = butt(thickness_left_mm=10, thickness_right_mm=10, weld=ButtShape(6, 6, -0.5)).welds[0].values
    dip = 2 * math.degrees(math.atan(2 * 0.5 / 12))
    assert values["underfill"] == pytest.approx(0.5)
    assert values["toe_angle_left"] == pytest.approx(180 + dip, abs=0.1)
    assert values["toe_angle_right"] == pytest.approx(180 + dip, abs=0.1)


def test_hi_lo_and_peaking_are_signed_as_defined() -> None:
    shape = ButtShape(6, 6, 1.0, (2, 2), 0.8)
    values = butt(thickness_left_mm=10, thickness_right_mm=12, weld=shape, offset_mm=0.7).welds[0].values
    assert values["misalignment"] == pytest.approx(0.7)
    assert values["root_misalignment"] == pytest.approx(0.7 - 2.0)
    assert values["reinforcement_from_left"] > values["reinforcement"] > values["reinforcement_from_right"]
    peaked = butt(thickness_left_mm=10, thickness_right_mm=10, weld=shape, peaking_deg=3).welds[0].values
    assert peaked["angular_misalignment"] == pytest.approx(3)


@pytest.mark.parametrize("kind", ["tee", "lap", "butt"])
def test_the_face_that_is_drawn_is_the_face_of_the_truth(kind: str) -> None:
    """Count the area of the silhouette with and without the weld: the difference is the weld's own."""
    end = PlateEnd(30)
    if kind == "tee":
        with_weld = one_tee(FilletShape(6, 7, 0.5), 80, standing=end, through_left=end, through_right=end)
        without = one_tee(FilletShape(1e-4, 1e-4), 80, standing=end, through_left=end, through_right=end)
        expected = with_weld.welds[0].values["weld_area"]
    elif kind == "lap":
        make = {"lower_thickness_mm": 8, "upper_thickness_mm": 9, "lower_end": end, "upper_end": end}
        with_weld = lap(weld=FilletShape(6, 7, 0.5), **make)
        without = lap(weld=FilletShape(1e-4, 1e-4), **make)
        expected = with_weld.welds[0].values["weld_area"]
    else:
        shape = ButtShape(7, 7, 1.5, (2, 2), 0.8)
        with_weld = butt(thickness_left_mm=10, thickness_right_mm=10, weld=shape, end_left=end, end_right=end)
        without = butt(
            thickness_left_mm=10, thickness_right_mm=10, weld=ButtShape(7, 7, 0), end_left=end, end_right=end
        )
        cap = Polygon(circular_arc(np.array([0.0, 0]), np.array([14.0, 0]), 1.5)).area
        expected = cap + Polygon(circular_arc(np.array([0.0, 0]), np.array([4.0, 0]), 0.8)).area
    assert with_weld.metal.area - without.metal.area == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("peak", [None, 0.3, 0.5])
def test_an_undercut_reaches_its_depth_below_the_plate_line_and_starts_at_the_toe(peak: float | None) -> None:
    toe = Toe(undercut_depth_mm=0.5, undercut_width_mm=1.4, undercut_peak=peak)
    drawing = one_tee(FilletShape(6, 6, right=toe))
    camera = Camera(800, 800, 0.02, shift_px=(-500.0, 0.0))
    share = coverage([camera.to_px(ring) for ring in rings_of(drawing.metal)], 800, 800)
    toe_px = camera.to_px(np.array([drawing.welds[0].points_mm["toe_right"]]))[0]
    surface = round(float(toe_px[1]))
    columns = slice(round(float(toe_px[0])), round(float(toe_px[0])) + 90)
    depth = (1 - share[surface : surface + 60, columns]).sum(axis=0) * 0.02
    assert depth.max() == pytest.approx(0.5, abs=0.02)
    assert np.count_nonzero(depth > 0.015) * 0.02 == pytest.approx(1.4, abs=0.06)


def test_a_toe_radius_is_drawn_as_a_circle_tangent_to_the_plate() -> None:
    sharp = one_tee(FilletShape(6, 6)).metal
    rounded = one_tee(FilletShape(6, 6, right=Toe(radius_mm=1.0))).metal
    # between two lines that meet at 135 degrees through the air: r² (cot(67.5°) - 22.5° in radians)
    expected = 1 / math.tan(math.radians(67.5)) - math.radians(22.5)
    assert rounded.area - sharp.area == pytest.approx(expected, rel=0.02)


def test_an_overlap_hangs_over_the_plate_by_its_length() -> None:
    weld = one_tee(FilletShape(6, 6, right=Toe(overlap_mm=0.5)))
    assert weld.welds[0].values["toe_angle_right"] == pytest.approx(30, abs=1)
    ring = max(rings_of(weld.metal), key=len)
    beside = ring[(ring[:, 1] > 0.05) & (ring[:, 1] < 3)]
    assert beside[:, 0].max() == pytest.approx(4 + 6 + 0.5, abs=0.01)


def test_a_groove_has_the_angles_and_gaps_it_was_given() -> None:
    drawing = groove(
        thickness_left_mm=10, thickness_right_mm=12, left=Edge("bevel", 30, 2), right=Edge("j", 15, 2, 4),
        root_gap_mm=3, offset_mm=0.5,
    )  # fmt: skip
    values, points = drawing.welds[0].values, drawing.welds[0].points_mm
    assert values["groove_angle"] == 45
    assert values["root_misalignment"] == pytest.approx(-1.5)
    assert points["outer_corner_left"] == pytest.approx([-1.5 - 8 * math.tan(math.radians(30)), 0])
    assert len(rings_of(drawing.metal)) == 2
