"""Sections across the longitudinal seam of a pipe: plates are arcs, and a picture is measured with straight lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.geometry import Drawing, PlateEnd
from core.geometry import Points
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds

FLAT = butt(
    thickness_left_mm=8, thickness_right_mm=8,
    weld=ButtShape(4.5, 5.0, 1.4, root_half_mm=(1.5, 1.8), root_bulge_mm=0.8),
    end_left=PlateEnd(16), end_right=PlateEnd(16),
)  # fmt: skip


def of_pipe(drawing: Drawing, radius_mm: float) -> Drawing:
    """Bend a drawing about a centre below it: what lay along the surface lies along the pipe's outside."""

    def bent(points: Points) -> Points:
        reach, angle = radius_mm + points[:, 1], points[:, 0] / radius_mm
        return np.column_stack([reach * np.sin(angle), reach * np.cos(angle) - radius_mm])

    def shaped(shape: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(shapely.segmentize(shape, 0.2), bent)

    patches = tuple(replace(patch, shape=shaped(patch.shape)) for patch in drawing.patches)
    return replace(drawing, metal=shaped(drawing.metal), patches=patches)


@pytest.mark.parametrize("radius_mm", [84.1, 150.0])
def test_what_a_bend_would_spoil_is_not_told(photograph, radius_mm: float) -> None:
    """Straight lines through 10 mm of the wall of a pipe of DN 150 lean by 11 degrees against each other."""
    photo = photograph(of_pipe(FLAT, radius_mm), rotation_deg=12, mm_per_px=0.03, seed=1)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    assert "plates_bend" in {flag.code for flag in weld.flags}
    values = measure(weld.section)
    for name in ("angular_misalignment", "reinforcement", "cap_width", "toe_angle_left", "root_width"):
        value = values[name]
        assert isinstance(value, NotMeasurable), name
        assert "pipe" in value.reason
    thickness = values["thickness_left"]
    assert isinstance(thickness, Quantity)
    assert thickness.value == pytest.approx(8.0, abs=0.15)


@pytest.mark.parametrize("seed", range(3))
def test_flat_plates_do_not_bend(photograph, seed: int) -> None:
    photo = photograph(FLAT, rotation_deg=30.0 * seed, mm_per_px=0.03, seed=seed)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    assert "plates_bend" not in {flag.code for flag in weld.flags}
    assert isinstance(measure(weld.section)["angular_misalignment"], Quantity)
