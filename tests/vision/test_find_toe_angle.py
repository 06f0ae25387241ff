"""The angle of a sharp toe, again and again: no transition is made up from grain."""

from __future__ import annotations

import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.geometry import PlateEnd
from measurement import measure
from vision.find import find_welds


@pytest.mark.parametrize("seed", range(12))
def test_sharp_toe_of_a_cap(photograph, seed: int) -> None:
    """Within 1.5 of the expanded uncertainty: one of 370 by chance."""
    weld = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
    ends = {"end_left": PlateEnd(21), "end_right": PlateEnd(20)}
    drawing = butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, offset_mm=0.7, **ends)
    photo = photograph(drawing, mm_per_px=0.045, blur_px=0.9, seed=seed)
    (found,) = find_welds(photo.gray, photo.calibration).welds
    measured = measure(found.section)
    for name in ("toe_angle_left", "toe_angle_right"):
        error = abs(measured[name].value - drawing.welds[0].values[name])
        assert error <= 1.5 * measured[name].expanded_uncertainty, (name, error)
