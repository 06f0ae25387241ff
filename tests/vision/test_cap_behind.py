"""Narrow pictures of butt welds, in which one plate is seen over less than half the width of the cap."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.geometry import PlateEnd, Toe
from core.quantity import Quantity
from measurement import measure
from vision.find import find_welds
from vision.found import FoundWeld


def narrow(
    photograph, beyond_mm: float, *, cap_mm: float, offset_mm: float = 0.4, left: Toe | None = None
) -> tuple[FoundWeld, dict[str, float]]:
    """Return the weld of a picture that ends so far beyond its right toe, and its true values."""
    shape = ButtShape(6.0, 6.5, cap_mm, root_half_mm=(1.6, 1.9), root_bulge_mm=0.9, left=left or Toe())
    ends = {"end_left": PlateEnd(22), "end_right": PlateEnd(60)}
    drawing = butt(thickness_left_mm=8, thickness_right_mm=8, weld=shape, offset_mm=offset_mm, **ends)
    photo = photograph(drawing, rotation_deg=4.0, seed=3)
    toe = photo.camera.to_px(np.array([drawing.welds[0].points_mm["toe_right"]]))[0]
    last = round(float(toe[0]) + beyond_mm / photo.calibration.mm_per_px(toe))
    found = find_welds(np.ascontiguousarray(photo.gray[:, :last]), photo.calibration)
    return found.welds[0], dict(drawing.welds[0].values)


@pytest.mark.parametrize("beyond_mm", [2.5, 4.0, 6.0])
def test_the_cap_is_the_face_however_little_of_a_plate_is_seen(photograph, beyond_mm: float) -> None:
    weld, true = narrow(photograph, beyond_mm, cap_mm=1.6)
    values = measure(weld.section)
    for name in ("cap_width", "reinforcement", "root_width", "misalignment"):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert abs(value.value - true[name]) <= 1.5 * (value.expanded_uncertainty or 0.0), name


def test_a_cap_that_rises_less_than_its_undercut_is_deep_is_the_face(photograph) -> None:
    weld, true = narrow(
        photograph, 5.5, cap_mm=0.9, offset_mm=0.8, left=Toe(undercut_depth_mm=1.2, undercut_width_mm=2.0)
    )
    value = measure(weld.section)["cap_width"]
    assert isinstance(value, Quantity)
    assert abs(value.value - true["cap_width"]) <= 1.5 * (value.expanded_uncertainty or 0.0)


def test_a_hollow_cap_is_the_face(photograph) -> None:
    weld, true = narrow(photograph, 4.0, cap_mm=-1.0, offset_mm=0.2)
    value = measure(weld.section)["cap_width"]
    assert isinstance(value, Quantity)
    assert abs(value.value - true["cap_width"]) <= 1.5 * (value.expanded_uncertainty or 0.0)


def test_a_cap_beside_which_no_plate_is_seen_is_told_of(photograph) -> None:
    """The picture ends on the cap: what is measured is the root."""
    weld, _ = narrow(photograph, -1.0, cap_mm=2.2)
    assert "other_side_higher" in {flag.code for flag in weld.flags}
