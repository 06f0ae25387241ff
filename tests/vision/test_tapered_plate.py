"""Butt welds of plates of unequal thickness, the thicker one tapered towards the weld."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import Point, Polygon

from benchmarks.render import truth
from benchmarks.render.geometry import Drawing, DrawnWeld, circular_arc, union, unit
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds

THIN, THICK, HALF = 7.0, 11.0, 4.5


def tapered(slope: float, bulge: float = 1.2, step: float = THICK - THIN) -> Drawing:
    """Return a thin plate (left) and one thicker by ``step``, whose face side falls to it by 1 in ``slope``."""
    left, right = unit(180), unit(math.degrees(math.atan(1 / slope)))
    toes = HALF * left, HALF * right
    face = circular_arc(*toes, bulge)
    root = circular_arc(np.array([-2.0, -THIN]), np.array([2.0, -THIN]), -0.7)
    plates = [(-25, -THIN), (-25, 0), (0, 0), (step * slope, step), (32, step), (32, -THIN)]
    bead = Polygon(np.vstack([face, root[::-1]]))
    metal = union(Polygon(plates), bead.buffer(1e-6)).buffer(1e-6)
    values = truth.butt_values(left, right, face) | truth.root_values(left, unit(0), root)
    return Drawing(metal, welds=(DrawnWeld("butt", values, dict(zip(("toe_left", "toe_right"), toes, strict=True))),))


@pytest.mark.parametrize(("slope", "turn"), [(4.0, 0), (2.5, 8), (3.0, 160)])
def test_cap_ends_at_the_taper(photograph, slope, turn):
    drawing = tapered(slope)
    taken = photograph(drawing, rotation_deg=turn, mm_per_px=0.06)
    (weld,) = find_welds(taken.gray, taken.calibration).welds
    assert "tapered_plate" in {flag.code for flag in weld.flags}
    values, true = measure(weld.section), drawing.welds[0].values
    for name in ("cap_width", "reinforcement", "reinforcement_from_right", "misalignment", "root_width"):
        value = values[name]
        assert isinstance(value, Quantity)
        assert value.value == pytest.approx(true[name], abs=0.08), name
    for name in ("angular_misalignment", "thickness_right"):
        assert isinstance(values[name], NotMeasurable)
        assert "tapers" in values[name].reason
    assert isinstance(values["thickness_left"], Quantity)


@pytest.mark.parametrize("bulge", [-0.4, 0.05])
def test_weld_flush_with_or_below_its_taper(photograph, bulge):
    """No bead stands on the taper: the corner at its end is the toe all the same."""
    drawing = tapered(3.0, bulge)
    taken = photograph(drawing, rotation_deg=5, mm_per_px=0.06)
    (weld,) = find_welds(taken.gray, taken.calibration).welds
    assert "tapered_plate" in {flag.code for flag in weld.flags}
    values, true = measure(weld.section), drawing.welds[0].values
    for name in ("cap_width", "reinforcement_from_left", "reinforcement_from_right"):
        value = values[name]
        assert isinstance(value, Quantity)
        assert value.value == pytest.approx(true[name], abs=max(0.08, value.expanded_uncertainty or 0.0)), name


def test_a_taper_shorter_than_the_weld_is_wide(photograph):
    drawing = tapered(2.5, 1.2, step=2.9)
    taken = photograph(drawing, rotation_deg=-7, mm_per_px=0.05)
    (weld,) = find_welds(taken.gray, taken.calibration).welds
    assert "tapered_plate" in {flag.code for flag in weld.flags}
    value = measure(weld.section)["cap_width"]
    assert isinstance(value, Quantity)
    assert value.value == pytest.approx(2 * HALF * math.cos(0.5 * math.atan(1 / 2.5)), abs=0.1)


def test_what_a_weld_has_left_of_a_taper_is_told_as_doubt(photograph):
    """A millimetre of taper: too short to tell its line, and cap and taper are no one face."""
    drawing = tapered(3.0, 1.2, step=1.75)
    taken = photograph(drawing, rotation_deg=6, mm_per_px=0.05)
    (weld,) = find_welds(taken.gray, taken.calibration).welds
    assert "taper_suspected" in {flag.code for flag in weld.flags}
    values = measure(weld.section)
    for name in ("cap_width", "reinforcement_from_right", "misalignment"):
        assert isinstance(values[name], NotMeasurable)
    assert isinstance(values["thickness_left"], Quantity)


def test_a_drop_on_a_hollow_face_between_misaligned_plates_is_no_bead_on_a_taper(photograph):
    """Both plates are equally thick: the slope beside the higher one is the face."""
    face = circular_arc(np.array([-4.0, 0.0]), np.array([4.0, 0.7]), -0.35)
    low = [(32, 0.7), (32, 0.7 - THIN), (4.0, 0.7 - THIN), (-4.0, -THIN), (-25, -THIN)]
    drop = Point(-1.8, float(np.interp(-1.8, face[:, 0], face[:, 1]))).buffer(0.35)
    metal = union(Polygon([(-25, -THIN), (-25, 0), *face, *low]), drop)
    taken = photograph(Drawing(metal), mm_per_px=0.05)
    (weld,) = find_welds(taken.gray, taken.calibration).welds
    assert not {"tapered_plate", "taper_suspected"} & {flag.code for flag in weld.flags}
    width = np.hypot(*(weld.section.face.toe_right - weld.section.face.toe_left))
    assert width == pytest.approx(math.hypot(8, 0.7), abs=0.8)


def test_a_face_that_slopes_from_plate_to_plate_is_no_taper(photograph):
    """A straight face without a bead on it: the weld itself bridges the step."""
    metal = Polygon([(-25, -THIN), (-25, 0), (-4, 0), (8, 2.4), (32, 2.4), (32, -THIN)])
    taken = photograph(Drawing(metal), mm_per_px=0.06)
    (weld,) = find_welds(taken.gray, taken.calibration, joint="butt").welds
    assert "tapered_plate" not in {flag.code for flag in weld.flags}


def test_a_facet_of_a_hollow_face_is_no_taper(photograph):
    face = circular_arc(np.array([-7.0, 0.0]), np.array([7.0, 2.0]), -1.0)
    metal = Polygon([(-25, -THIN), (-25, 0), *face, (32, 2.0), (32, -THIN)])
    taken = photograph(Drawing(metal), mm_per_px=0.06)
    (weld,) = find_welds(taken.gray, taken.calibration, joint="butt").welds
    assert "tapered_plate" not in {flag.code for flag in weld.flags}
    assert np.hypot(*(weld.section.face.toe_right - weld.section.face.toe_left)) == pytest.approx(
        math.hypot(14, 2), abs=0.6
    )
