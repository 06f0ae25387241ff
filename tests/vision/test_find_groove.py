"""Preparations of ISO 9692-1 as weldx draws them, photographed, found and measured."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.camera import Camera, add_noise, blur, coverage, densify, to_integers
from benchmarks.render.geometry import PlateEnd
from benchmarks.render.grooves import Edge, groove
from calibration.model import from_pixel_size
from core.quantity import NotMeasurable
from measurement import measure
from vision.find import find_welds

MM_PER_PX = 0.05
ENDS = {"end_left": PlateEnd(16), "end_right": PlateEnd(15)}


@pytest.fixture(scope="module")
def weldx_members():
    """Return a function from a preparation to its members' polygons in mm; warnings are of weldx's own imports."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from weldx import Q_
        from weldx.welding.groove.iso_9692_1 import get_groove

    def draw(groove_type: str, **sizes: float) -> list[np.ndarray]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            units = {name: Q_(size, "deg" if name.endswith("angle") else "mm") for name, size in sizes.items()}
            profile = get_groove(groove_type=groove_type, **units).to_profile(width_default=Q_(15, "mm"))
            return [np.asarray(shape.rasterize(Q_(0.05, "mm")).to("mm").magnitude, float).T for shape in profile.shapes]

    return draw


def photographed(members: list[np.ndarray], turn_deg: float) -> np.ndarray:
    camera = Camera(1200, 900, MM_PER_PX, turn_deg, (0.3, 90.6))
    rings = [camera.to_px(densify(ring, 0.2)) for ring in members]
    light = sum(coverage([ring], 900, 1200) for ring in rings)
    picture = add_noise(blur(0.1 + 0.6 * light, 0.8), np.random.default_rng(4), read=0.004, shot=0.006)
    return np.asarray(to_integers(picture, 8), np.uint8)


def values_of(gray: np.ndarray) -> dict:
    (weld,) = find_welds(gray, from_pixel_size(MM_PER_PX)).welds
    assert weld.section.joint == "groove"
    return measure(weld.section)


def close(measured: dict, expected: dict[str, float]) -> None:
    for name, value in expected.items():
        item = measured[name]
        assert not isinstance(item, NotMeasurable), (name, item)
        limit = 0.3 if item.unit == "deg" else 0.04
        assert item.value == pytest.approx(value, abs=limit), name
        assert abs(item.value - value) <= max(1.5 * item.expanded_uncertainty, 0.01), name


@pytest.mark.parametrize("turn_deg", [0.0, 23.0, -40.0])
@pytest.mark.parametrize(
    ("thickness", "angle", "face", "gap"), [(10, 60, 2.0, 3.0), (8, 50, 1.0, 2.0), (12, 45, 1.5, 2.5)]
)
def test_single_v(weldx_members, thickness: float, angle: float, face: float, gap: float, turn_deg: float) -> None:
    """ISO 9692-1 no. 1.3: thickness t, groove angle alpha, gap b, root face c."""
    members = weldx_members("VGroove", workpiece_thickness=thickness, groove_angle=angle, root_face=face, root_gap=gap)
    expected = {f"bevel_angle_{side}": angle / 2 for side in ("left", "right")}
    expected |= {f"root_face_{side}": face for side in ("left", "right")}
    expected |= {f"preparation_depth_{side}": thickness - face for side in ("left", "right")}
    expected |= {f"thickness_{side}": thickness for side in ("left", "right")}
    expected |= {"groove_angle": angle, "root_gap": gap, "misalignment": 0.0, "root_misalignment": 0.0}
    close(values_of(photographed(members, turn_deg)), expected)


def test_single_bevel(weldx_members) -> None:
    """ISO 9692-1 no. 1.9.1, half V: the square member's edge stands at 0 degrees and is called square."""
    members = weldx_members("HVGroove", workpiece_thickness=9, bevel_angle=45, root_face=1.5, root_gap=2.5)
    measured = values_of(photographed(members, 5.0))
    steep, square = sorted(("left", "right"), key=lambda side: -measured[f"bevel_angle_{side}"].value)
    expected = {f"bevel_angle_{steep}": 45.0, f"root_face_{steep}": 1.5, f"bevel_angle_{square}": 0.0, "root_gap": 2.5}
    close(measured, expected | {"thickness_left": 9.0, "thickness_right": 9.0, "groove_angle": 45.0})
    assert "square edge" in measured[f"bevel_angle_{square}"].note


def test_square_edges(weldx_members) -> None:
    """ISO 9692-1 no. 1.2.1: no bevel is made up where there is none."""
    members = weldx_members("IGroove", workpiece_thickness=6, root_gap=3)
    measured = values_of(photographed(members, -8.0))
    close(measured, {"root_gap": 3.0, "thickness_left": 6.0, "thickness_right": 6.0, "misalignment": 0.0})
    for side in ("left", "right"):
        angle = measured[f"bevel_angle_{side}"]
        assert abs(angle.value) <= max(angle.expanded_uncertainty, 0.05)
        assert "square edge" in angle.note


@pytest.mark.parametrize("offset_mm", [-0.9, 0.0, 1.2])
@pytest.mark.parametrize(("turn_deg", "look"), [(0, "bright on dark"), (172, "dark on bright")])
def test_corners_and_hi_lo(photograph, offset_mm: float, turn_deg: float, look: str) -> None:
    drawing = groove(
        thickness_left_mm=10,
        thickness_right_mm=10.5,
        left=Edge("bevel", 30, 1.6),
        right=Edge("bevel", 37, 2.2),
        root_gap_mm=2.4,
        offset_mm=offset_mm,
        **ENDS,
    )
    photo = photograph(drawing, rotation_deg=turn_deg, look=look)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    truth = photo.truth_px()[0]
    for side in ("left", "right"):
        assert math.dist(weld.points_px[f"outer_corner_{side}"], truth[f"outer_corner_{side}"]) < 1.0
        assert math.dist(weld.points_px[f"land_bottom_{side}"], truth[f"root_edge_{side}"]) < 1.0
    close(measure(weld.section), dict(drawing.welds[0].values))


def test_closed_joint_is_no_groove(photograph) -> None:
    """A welded butt joint must not pass for an open one, nor the other way round."""
    cap = ButtShape(6, 6, 1.5, root_half_mm=(2, 2), root_bulge_mm=0.7)
    photo = photograph(butt(thickness_left_mm=10, thickness_right_mm=10, weld=cap, **ENDS))
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    assert weld.section.joint == "butt"


def test_a_short_land_on_a_large_plate_is_not_lost(photograph) -> None:
    """It is too short to be sought among the straight runs of the whole outline; its place tells it."""
    sides = {"left": Edge("bevel", 35.0, 0.75), "right": Edge("bevel", 30.0, 2.0)}
    ends = {"end_left": PlateEnd(95), "end_right": PlateEnd(90)}
    drawing = groove(thickness_left_mm=13, thickness_right_mm=13, root_gap_mm=3.0, **sides, **ends)
    photo = photograph(drawing, mm_per_px=0.055, size_px=(3700, 700))
    (found,) = find_welds(photo.gray, photo.calibration).welds
    measured = measure(found.section)
    assert measured["root_face_left"].value == pytest.approx(0.75, abs=0.08)
    assert measured["root_gap"].value == pytest.approx(3.0, abs=0.08)


@pytest.mark.parametrize(("blur_px", "radius_mm"), [(1.5, 2.5), (2.5, 2.5), (2.5, 4.0)])
def test_a_land_begins_where_it_meets_the_floor_of_a_j(photograph, blur_px: float, radius_mm: float) -> None:
    """Between the land and the wall that is taken for the bevel lies an arc: the two do not meet at the land."""
    sides = {side: Edge("j", 15.0, 1.0, radius_mm=radius_mm) for side in ("left", "right")}
    drawing = groove(thickness_left_mm=12, thickness_right_mm=12, root_gap_mm=2.0, **sides, **ENDS)
    for rotation_deg in (0.0, 35.0):
        photo = photograph(drawing, mm_per_px=0.04, rotation_deg=rotation_deg, blur_px=blur_px)
        (found,) = find_welds(photo.gray, photo.calibration).welds
        measured = measure(found.section)
        for side in ("left", "right"):
            assert measured[f"root_face_{side}"].value == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("turn_deg", [0.0, 127.0])
def test_a_nick_in_a_surface_does_not_hide_a_square_edge(turn_deg: float) -> None:
    """The piece beyond the nick was taken for all of the surface, and the near one for a part of the plate's end."""
    nick = [(-14.3, -6.0), (-14.6, -5.7), (-14.9, -6.0)]
    left = np.array([(-45, 6.0), (-1, 6.0), (-1, -6.0), *nick, (-45, -6.0)])
    bevelled = np.array([(45, 6.0), (45, -6.0), (1, -6.0), (1, -4.5), (1 + 10.5 * math.tan(math.radians(40)), 6.0)])
    measured = values_of(photographed([left, bevelled], turn_deg))
    close(measured, {"groove_angle": 40.0, "root_gap": 2.0, "thickness_left": 12.0, "thickness_right": 12.0})


@pytest.mark.parametrize("land_px", [0.0, 2.0, 5.0, 7.0])
@pytest.mark.parametrize("turn_deg", [3.0, 61.0])
def test_a_land_of_a_few_pixels_is_no_feather_edge(land_px: float, turn_deg: float) -> None:
    """The bevels were led on to the inside surface: the gap was told too narrow by up to 9 px, within less than one."""
    land, reach = land_px * MM_PER_PX, (10.0 - land_px * MM_PER_PX) * math.tan(math.radians(32))
    tip = [(1.0, -5.0), (1.0, -5.0 + land)] if land else [(1.0, -5.0)]
    right = np.array([(28.0, -5.0), *tip, (1.0 + reach, 5.0), (28.0, 5.0)])
    measured = values_of(photographed([right, (right * [-1, 1])[::-1]], turn_deg))
    for name, true in (("root_gap", 2.0), ("root_face_left", land), ("root_face_right", land)):
        value = measured[name]
        # One of two pixels may be taken for a sharp tip, which is told with that doubt.
        assert land_px == 2.0 or value.value == pytest.approx(true, abs=0.7 * MM_PER_PX), name
        assert abs(value.value - true) <= 1.5 * value.expanded_uncertainty, name
