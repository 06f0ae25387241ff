"""A line of the ground along a prepared edge: what rests on that edge is not told, the rest is."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from benchmarks.render.geometry import PlateEnd
from benchmarks.render.grooves import Edge, groove
from core.quantity import NotMeasurable
from measurement import measure
from vision.find import find_welds
from vision.ground_doubt import doubted
from vision.outline import Outline
from vision.section import PreparedEdge, Section


@pytest.fixture(scope="module")
def joint(photograph) -> Section:
    sides = {"left": Edge("bevel", 30, 1.6), "right": Edge("bevel", 37, 2.2)}
    ends = {"end_left": PlateEnd(16), "end_right": PlateEnd(15)}
    photo = photograph(groove(thickness_left_mm=10, thickness_right_mm=10.5, root_gap_mm=2.4, **sides, **ends))
    return find_welds(photo.gray, photo.calibration).welds[0].section


def bridged(edge: PreparedEdge, first: np.ndarray, last: np.ndarray) -> list[tuple[np.ndarray, Outline]]:
    """Return a member's outline from its outside to its inside, without an edge between two places of it."""
    away = 12 * edge.outside.line.direction
    corners = [edge.outer_corner + away, edge.outer_corner, edge.land_top, edge.land_bottom, edge.land_bottom + away]
    points = np.vstack([np.linspace(a, b, 200) for a, b in pairwise(corners)])
    length = float(np.hypot(*(last - first)))
    along = (points - first) @ (last - first) / length
    off = points - first - np.outer(along, (last - first) / length)
    here = (np.hypot(*off.T) < 0.02) & (along > -0.02) & (along < length + 0.02)
    step = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    lengths = np.where(here, length / step, 0.0)
    return [(points, Outline(points / step, np.zeros(len(points), bool), 1.0, 0.1, 0.8, 90.0, 1.0, bridged_px=lengths))]


def untold(section: Section) -> set[str]:
    return {name for name, value in measure(section).items() if isinstance(value, NotMeasurable)}


def test_a_root_face_along_a_line_tells_no_gap(joint: Section) -> None:
    edge = joint.edge_left
    assert edge is not None
    found = doubted(joint, bridged(edge, edge.land_top, edge.land_bottom), 0.0)
    assert untold(found) - untold(joint) == {"root_gap", "root_face_left", "preparation_depth_left"}
    assert [flag.code for flag in found.flags][-1] == "edge_hidden"


def test_a_bevel_along_a_line_tells_no_angle_and_the_other_does(joint: Section) -> None:
    edge = joint.edge_right
    assert edge is not None
    found = untold(doubted(joint, bridged(edge, edge.outer_corner, edge.land_top), 0.0))
    assert {"bevel_angle_right", "groove_angle", "root_gap"} <= found
    assert not {"bevel_angle_left", "root_face_left", "misalignment"} & found


def test_a_surface_along_a_line_tells_no_misalignment(joint: Section) -> None:
    edge = joint.edge_left
    assert edge is not None
    along = 10 * edge.outside.line.direction
    found = untold(doubted(joint, bridged(edge, edge.outer_corner + 0.1 * along, edge.outer_corner + along), 0.0))
    assert {"misalignment", "thickness_left", "bevel_angle_left"} <= found
    assert "root_face_right" not in found


def test_an_inside_along_a_line_tells_no_thickness(joint: Section) -> None:
    edge = joint.edge_left
    assert edge is not None
    along = 10 * edge.outside.line.direction
    found = untold(doubted(joint, bridged(edge, edge.land_bottom + 0.1 * along, edge.land_bottom + along), 0.0))
    lost = {"thickness_left", "root_misalignment", "root_face_left", "preparation_depth_left", "root_gap"}
    assert found - untold(joint) == lost


def test_a_line_that_crosses_a_corner_makes_the_gap_less_sure(joint: Section) -> None:
    edge = joint.edge_left
    assert edge is not None
    up = (edge.land_top - edge.land_bottom) / np.hypot(*(edge.land_top - edge.land_bottom))
    found = doubted(joint, bridged(edge, edge.land_bottom, edge.land_bottom + 0.4 * up), 0.0)
    assert found.hidden["root_gap"] == pytest.approx(0.1, rel=1e-6)
    assert untold(found) == untold(joint)


def test_a_line_elsewhere_changes_nothing(joint: Section) -> None:
    edge = joint.edge_left
    assert edge is not None
    ((points, outline),) = bridged(edge, edge.land_top, edge.land_bottom)
    assert doubted(joint, [(points + 100.0, outline)], 0.0) is joint
