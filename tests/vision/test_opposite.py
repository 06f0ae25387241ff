"""The other sides of plates that are offset by less than a straight run may stray, against the drawn ones."""

from __future__ import annotations

import numpy as np
import pytest

from vision.opposite import opposite_fits
from vision.plate_line import Detail
from vision.structure import recognise, shape_of

STEP_MM = 0.03
LEFT_MM = 8.0


def sections(step_mm: float, turn_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """A butt weld with a cap of 10 by 1.5 mm and a flush root, the right plate's other side lower by a step.

    Returns its outline, clockwise, and the upward normal of its plates.
    """
    arc = np.linspace(-5.0, 5.0, 60)
    cap = np.column_stack([arc, 1.5 * (1 - (arc / 5.0) ** 2)])
    low = -LEFT_MM - step_mm
    corners = np.vstack(
        [[[-30.0, 0.0]], cap, [[30.0, 0.0], [30.0, low], [1.5, low], [-1.5, -LEFT_MM], [-30.0, -LEFT_MM]]]
    )
    closed = np.vstack([corners, corners[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0.0, along[-1], STEP_MM)
    points = np.column_stack([np.interp(at, along, closed[:, axis]) for axis in (0, 1)])
    points = points + np.random.default_rng(1).normal(0.0, 0.003, points.shape)
    a = np.radians(turn_deg)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    return points @ turn, np.array([0.0, 1.0]) @ turn


@pytest.mark.parametrize("turn_deg", [0.0, 37.0, 180.0])
@pytest.mark.parametrize("step_mm", [-0.06, 0.0, 0.06])
def test_each_other_side_rests_on_its_own_plate(step_mm: float, turn_deg: float) -> None:
    points, up = sections(step_mm, turn_deg)
    shape = shape_of(points, np.zeros(len(points), bool), Detail(0.003, STEP_MM, 0.03), closed=True, tolerance=0.1)
    structure = recognise((shape,), "butt", fine=True)
    assert structure is not None
    shape, face = structure.shapes[0], structure.butts[0]
    assert face.rise > 1.0
    for fit, plate, thick in zip(
        opposite_fits(shape, face), (face.first, face.second), (LEFT_MM, LEFT_MM + step_mm), strict=True
    ):
        assert fit is not None
        middle = points[plate.indices(len(points))].mean(axis=0)
        foot = fit.line.at(float(fit.line.along(middle)))
        assert float((middle - foot) @ up) == pytest.approx(thick, abs=0.004)
        assert fit.offset_std < 0.004
