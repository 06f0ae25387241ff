"""Butt welds of plates of unequal thickness, the thicker one tapered towards the weld."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import Polygon

from benchmarks.render import truth
from benchmarks.render.geometry import Drawing, DrawnWeld, circular_arc, union, unit
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds

THIN, THICK, HALF = 7.0, 11.0, 4.5


def tapered(slope: float, bulge: float = 1.2) -> Drawing:
    """Return a thin plate (left) and a thick one whose face side falls to it by 1 in ``slope``."""
    left, right = unit(180), unit(math.degrees(math.atan(1 / slope)))
    toes = HALF * left, HALF * right
    face = circular_arc(*toes, bulge)
    root = circular_arc(np.array([-2.0, -THIN]), np.array([2.0, -THIN]), -0.7)
    reach = (THICK - THIN) * slope
    plates = [(-25, -THIN), (-25, 0), (0, 0), (reach, THICK - THIN), (32, THICK - THIN), (32, -THIN)]
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
