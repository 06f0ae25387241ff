"""A glare at the edge of a prepared member: what rests on its face to the gap is not told, the other member's is."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.geometry import PlateEnd
from benchmarks.render.grooves import Edge, groove
from core.geometry import Points, distance
from core.quantity import NotMeasurable
from measurement import measure
from vision.along_outline import without_glare
from vision.find import find_welds
from vision.found import FoundWeld, FoundWelds
from vision.outline import Outline
from vision.section import PreparedEdge


def told(weld: FoundWeld, outlines: tuple[Points, ...], middle: Points, length_mm: float) -> FoundWeld:
    """Return a joint as it is told where its outline is soft for so far about a place."""
    seen = []
    for points in outlines:
        soft = np.hypot(*(points - middle).T) < length_mm / 2
        seen.append((points, Outline(points, np.zeros(len(points), bool), 1.0, 0.1, 0.8, 90.0, 1.0, soft=soft)))
    found = without_glare(seen, weld)
    assert found is not None
    return found


@pytest.fixture
def prepared(photograph) -> tuple[FoundWelds, FoundWeld, PreparedEdge]:
    """What was found of a photographed joint, the joint, and its right member."""
    edge, ends = Edge("bevel", 30, 1.5), {"end_left": PlateEnd(16), "end_right": PlateEnd(15)}
    drawing = groove(thickness_left_mm=10, thickness_right_mm=10, left=edge, right=edge, root_gap_mm=2.0, **ends)
    photo = photograph(drawing)
    found = find_welds(photo.gray, photo.calibration)
    (weld,) = found.welds
    right = weld.section.edge_right
    assert right is not None
    return found, weld, right


def test_a_soft_face_of_a_member_is_not_told(prepared) -> None:
    found, weld, right = prepared
    soft = told(weld, found.outline_mm, right.land_bottom, 1.0)
    values, before = measure(soft.section), measure(weld.section)
    for name in ("root_face_right", "bevel_angle_right", "preparation_depth_right", "root_gap", "groove_angle"):
        value = values[name]
        assert isinstance(value, NotMeasurable), name
        assert "right member" in value.reason
    for name in ("root_face_left", "bevel_angle_left", "thickness_left", "misalignment"):
        assert values[name] == before[name], name
    assert "soft_outline" in {flag.code for flag in soft.flags}


def test_soft_points_elsewhere_and_a_few_hide_nothing(prepared) -> None:
    found, weld, right = prepared
    far = right.outer_corner + 6.0 * right.outside.line.direction
    assert distance(far, right.outer_corner) > 5.0
    assert told(weld, found.outline_mm, far, 1.0) is weld
    assert told(weld, found.outline_mm, right.land_bottom, 0.1) is weld
