"""From a stripe to a profile in mm, and ISO 9692-1 grooves of weldx drawn as stripes and measured back."""

from __future__ import annotations

import math
import warnings

import cv2
import numpy as np
import pytest
from shapely.affinity import translate
from shapely.geometry import Polygon
from shapely.ops import unary_union

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.laser import Light, Rig, stripe_picture
from benchmarks.render.laser_scene import lit_surface, shot
from calibration.model import Calibration, Lens, from_pixel_size
from core.errors import CalibrationRefused, NothingMeasurable
from core.quantity import NotMeasurable, Quantity
from inspection.laser_frame import measure_frame
from measurement import measure
from vision.stripe import extract
from vision.stripe_profile import check_frame, profile_from_stripe

RIG = Rig(width_px=1400, height_px=800, mm_per_px=0.045)


def exact(rig: Rig) -> Calibration:
    """Return the calibration that the drawn rig truly has."""
    turn, place = rig.frame
    to_px = rig.camera_matrix @ np.column_stack([turn[:, 0], turn[:, 1], place])
    lens = Lens(rig.camera_matrix, np.array(rig.distortion), rig.width_px, rig.height_px)
    to_mm = np.linalg.inv(to_px)
    centre = rig.to_px(np.zeros((1, 2)))[0]
    return Calibration("laser", to_mm / to_mm[2, 2], {"scale": 0.0002}, (float(centre[0]), float(centre[1])), lens=lens)


def test_an_end_is_as_uncertain_as_the_camera_sees_it_shortened() -> None:
    """Aslant, a pixel along a steep face stands for more than one along a level plate."""
    rig = Rig(width_px=1400, height_px=800, mm_per_px=0.045, lift_deg=50.0)
    lines = [np.array([[-29.0, 4.0], [-6.0, 4.0], [-2.0, -4.0]]), np.array([[4.0, 4.0], [29.0, 4.0]])]
    frame = stripe_picture((rig.height_px, rig.width_px), [rig.to_px(line) for line in lines], Light(), rng())
    stripe = extract(frame)
    profile = profile_from_stripe(stripe, exact(rig))
    steep, level = (profile.end_shifts_mm[at][0] for at in sorted(profile.end_shifts_mm))
    in_frame = [float(np.hypot(*stripe.ends[at][0])) for at in sorted(stripe.ends)]
    shortened = math.cos(math.radians(50.0))
    way = (lines[0][2] - lines[0][1]) / np.hypot(*(lines[0][2] - lines[0][1]))
    assert np.hypot(*steep) / in_frame[0] == pytest.approx(0.045 / np.hypot(way[0], way[1] * shortened), rel=0.05)
    assert np.hypot(*level) / in_frame[1] == pytest.approx(0.045, rel=0.05)


@pytest.fixture(scope="module")
def calibration():
    return exact(RIG)


def rng():
    return np.random.default_rng(11)


def test_points_lie_on_the_drawn_profile(calibration):
    true = np.array([[-29.0, -1.0], [-8.0, -1.0], [0.0, 5.0], [9.0, 1.0], [29.0, 2.0]])
    frame = stripe_picture((RIG.height_px, RIG.width_px), RIG.to_px(true), Light(), rng())
    profile = profile_from_stripe(extract(frame), calibration)
    x, y = profile.points_mm.T
    assert not profile.closed
    assert (np.diff(x) > -0.1).all()
    error = y - np.interp(x, *true.T)
    assert np.sqrt(np.mean(error**2)) < 0.006
    assert 0.001 < np.median(profile.std_mm) < 0.006
    assert profile.points_px is not None
    assert profile.relative_std["scale"] == 0.0002


def test_gaps_and_reversed_lines_keep_their_places(calibration):
    true = np.array([[-28.0, 0.0], [28.0, 0.0]])
    frame = stripe_picture((RIG.height_px, RIG.width_px), RIG.to_px(true), Light(dark=((0.25, 0.35),)), rng())
    stripe = extract(frame)
    forward = profile_from_stripe(stripe, calibration)
    half_turn = np.diag([-1.0, -1.0, 1.0]) @ calibration.px_to_mm
    backward = profile_from_stripe(stripe, Calibration("laser", half_turn, {"scale": 0.0}, lens=calibration.lens))
    for profile, middle in ((forward, -11.2), (backward, 11.2)):
        (gap,) = (g for g in profile.gaps if 0 <= g.after < len(profile.points_mm) - 1)
        rims = profile.points_mm[gap.after : gap.after + 2, 0]
        assert rims.mean() == pytest.approx(middle, abs=0.15)
        assert gap.length_mm == pytest.approx(5.6, abs=0.3)
        assert "no light" in gap.reason
        assert (np.diff(profile.points_mm[:, 0]) > 0).all()


def test_wrong_calibrations_are_refused(calibration):
    with pytest.raises(CalibrationRefused, match="calibrate laser"):
        check_frame(from_pixel_size(0.05), (800, 1400))
    with pytest.raises(CalibrationRefused, match="1400 x 800"):
        check_frame(calibration, (800, 1300))


def values_of(measured) -> dict[str, Quantity | NotMeasurable]:
    (weld,) = measured.found.welds
    return measure(weld.section)


@pytest.fixture(scope="module")
def weldx_metal():
    """Return a function from a preparation to its metal as weldx draws it; warnings are of weldx's own imports."""

    def build(groove_type: str, **dimensions: float):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from weldx import Q_
            from weldx.welding.groove.iso_9692_1 import get_groove

            units = {name: Q_(value, "deg" if "angle" in name else "mm") for name, value in dimensions.items()}
            profile = get_groove(groove_type=groove_type, **units).to_profile(width_default=Q_(45, "mm"))
            members = [
                np.asarray(shape.rasterize(Q_(0.02, "mm")).to("mm").magnitude, float).T for shape in profile.shapes
            ]
        return unary_union([Polygon(member) for member in members])

    return build


@pytest.mark.parametrize(
    ("kind", "bevel", "dimensions"),
    [
        ("VGroove", 30.0, {"workpiece_thickness": 10, "groove_angle": 60, "root_face": 2, "root_gap": 2}),
        ("VGroove", 20.0, {"workpiece_thickness": 12, "groove_angle": 40, "root_face": 1.5, "root_gap": 3}),
        (
            "UGroove",
            12.0,
            {"workpiece_thickness": 14, "bevel_angle": 12, "bevel_radius": 4, "root_face": 3, "root_gap": 2},
        ),
    ],
)
def test_iso_9692_1_grooves_are_measured_back(calibration, weldx_metal, kind, bevel, dimensions):
    metal = weldx_metal(kind, **dimensions)
    top = metal.bounds[3]
    gap, face, thickness = (dimensions[name] for name in ("root_gap", "root_face", "workpiece_thickness"))
    pieces = lit_surface(translate(metal, 0, 4.0 - top), 0.48 * RIG.width_px * RIG.mm_per_px)
    light = Light()
    frame = stripe_picture((RIG.height_px, RIG.width_px), [RIG.to_px(piece) for piece in pieces], light, rng())
    values = values_of(measure_frame(frame, calibration, joint="groove"))
    for side in ("left", "right"):
        assert values[f"bevel_angle_{side}"].value == pytest.approx(bevel, abs=0.3)
        assert values[f"preparation_depth_{side}"].value == pytest.approx(thickness - face, abs=0.12)
        inside = values[f"thickness_{side}"]
        assert isinstance(inside, NotMeasurable)
        assert "inside surface is not visible" in inside.reason
    assert values["root_gap"].value == pytest.approx(gap, abs=0.08)
    assert values["misalignment"].value == pytest.approx(0.0, abs=0.04)


def test_a_dropout_in_a_plate_changes_no_leg(calibration):
    drawing = tee(through_thickness_mm=8, standing_thickness_mm=8, right=FilletShape(6.0, 7.0, 0.4))
    clean = values_of(measure_frame(shot(RIG, drawing, Light(), rng()).frame, calibration, joint="tee"))
    spoiled = shot(RIG, drawing, Light(dark=((0.75, 0.82),)), rng())
    other = values_of(measure_frame(spoiled.frame, calibration, joint="tee"))
    for name, true in (("leg_left", 6.0), ("leg_right", 7.0)):
        assert clean[name].value == pytest.approx(true, abs=0.05)
        assert other[name].value == pytest.approx(true, abs=0.06)


def test_light_missing_at_a_toe_is_said(calibration):
    drawing = tee(through_thickness_mm=8, standing_thickness_mm=8, right=FilletShape(6.0, 7.0, 0.4))
    taken = shot(RIG, drawing, Light(), rng())
    toe = RIG.to_px(taken.weld.points_mm["toe_right"][None])[0]
    frame = taken.frame.copy()
    cv2.circle(frame, (round(toe[0]), round(toe[1])), 14, 12, -1)
    (weld,) = measure_frame(frame, calibration, joint="tee").found.welds
    assert "gap_at_toe" in {flag.code for flag in weld.section.flags}
    values = measure(weld.section)
    assert isinstance(values["undercut_right"], NotMeasurable)
    assert isinstance(values["undercut_left"], Quantity)
    leg = values["leg_right"]
    assert abs(leg.value - 7.0) < leg.expanded_uncertainty
    assert leg.expanded_uncertainty > 0.3


def test_region_and_bare_plates(calibration):
    drawing = tee(through_thickness_mm=8, standing_thickness_mm=8, right=FilletShape(6.0, 7.0, 0.4))
    frame = shot(RIG, drawing, Light(), rng()).frame
    whole = values_of(measure_frame(frame, calibration, joint="tee"))
    part = values_of(measure_frame(frame, calibration, joint="tee", region=(250, 40, 900, 720)))
    assert part["leg_left"].value == pytest.approx(whole["leg_left"].value, abs=0.02)
    line = RIG.to_px(np.array([[-28.0, 0.0], [28.0, 0.0]]))
    flat = stripe_picture((RIG.height_px, RIG.width_px), line, Light(), rng())
    with pytest.raises(NothingMeasurable):
        measure_frame(flat, calibration)
    assert math.isfinite(whole["joint_angle"].value)
