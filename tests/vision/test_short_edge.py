"""Of the edge of a lapped plate a weld leaves little: its own surface tells that it is one."""

from __future__ import annotations

import math

import pytest

from benchmarks.render.fillets import FilletShape, lap
from core.quantity import Quantity
from measurement import measure
from vision.find import find_welds

THICKNESS_MM = 8.0


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("left_mm", [0.9, 1.2])
@pytest.mark.parametrize(("turn_deg", "look"), [(10, "bright on dark"), (-130, "dark on bright")])
def test_a_lap_weld_with_little_edge_left(photograph, left_mm: float, turn_deg: float, look: str, seed: int) -> None:
    leg = THICKNESS_MM - left_mm
    drawing = lap(
        lower_thickness_mm=9, upper_thickness_mm=THICKNESS_MM, weld=FilletShape(leg, 7.5, bulge_mm=0.3), overlap_mm=16
    )
    photo = photograph(drawing, rotation_deg=turn_deg, look=look, seed=seed)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    assert weld.section.joint == "lap"
    (truth,) = photo.truth_px()
    for name in truth.keys() & weld.points_px.keys():
        assert math.dist(weld.points_px[name], truth[name]) < 2.5, name
    values = measure(weld.section)
    found = [values["leg_left"], values["leg_right"]]
    legs = sorted(value.value for value in found if isinstance(value, Quantity))
    assert legs == pytest.approx(sorted([7.5, leg]), abs=0.12)
