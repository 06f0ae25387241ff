"""Where hardly any edge is seen, as at a glare as bright as the ground, what rests on it is not told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.geometry import Points
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.found import FoundWeld
from vision.lost_edge import with_lost_edge
from vision.outline import Outline


def told(
    weld: FoundWeld, middle: Points, length_mm: float, *, share: float = 0.1, first: int = 0, clear: bool = False
) -> FoundWeld:
    """Return a weld as it is told where for so far about a place the step is a share of that elsewhere."""
    face = weld.section.face
    assert face is not None
    points = np.roll(np.vstack([face.left.points[::-1], face.face, face.right.points]), first, axis=0)
    steps = np.where(np.hypot(*(points - middle).T) < length_mm / 2, -40.0 * share, -40.0)
    outline = Outline(points, np.zeros(len(points), bool), 1.0, 0.1, 0.8, -40.0, 1.0, steps=steps,
                      seen=np.full(len(points), clear))  # fmt: skip
    return with_lost_edge([(points, outline)], weld)


def missing(weld: FoundWeld) -> set[str]:
    return {name for name, value in measure(weld.section).items() if isinstance(value, NotMeasurable)}


@pytest.mark.parametrize("first", [0, 120])
def test_beside_a_toe_what_needs_it_is_not_told(fillet: FoundWeld, first: int) -> None:
    assert fillet.section.face is not None
    found = told(fillet, fillet.section.face.toe_right, 0.8, first=first)
    assert [flag.code for flag in found.flags][-1] == "edge_lost"
    assert found.section.flags == found.flags
    assert missing(found) >= {"leg_right", "throat", "weld_area", "toe_angle_right", "undercut_right", "size"}
    values, before = measure(found.section), measure(fillet.section)
    for name in ("leg_left", "toe_angle_left", "undercut_left", "joint_angle"):
        assert values[name] == before[name]
        assert isinstance(values[name], Quantity)


def test_a_piece_of_a_plate_beside_a_lost_edge_holds_no_line(fillet: FoundWeld) -> None:
    face = fillet.section.face
    assert face is not None
    piece = face.right.points[np.hypot(*(face.right.points - face.toe_right).T) < 3.0]
    short = replace(face, right=replace(face.right, points=piece))
    cut = replace(fillet, section=replace(fillet.section, face=short))
    # The root and the right toe lie on its line.
    told_of = {
        "joint_angle", "leg_left", "perpendicular_leg_left", "leg_right", "leg_difference", "size", "design_throat",
        "throat", "weld_area", "face_width", "toe_angle_right",
    }  # fmt: skip
    assert missing(told(cut, piece[-1], 0.8)) >= told_of
    assert not missing(told(fillet, face.right.points[len(piece)], 0.8)) & told_of
    assert "toe_angle_left" not in missing(told(cut, piece[-1], 0.8))


def test_on_the_face_its_shape_is_not_told_and_the_legs_are(fillet: FoundWeld) -> None:
    assert fillet.section.face is not None
    found = told(fillet, fillet.section.face.face[len(fillet.section.face.face) // 2], 0.8)
    assert missing(found) - missing(fillet) == {
        "size", "design_throat", "throat", "convexity", "concavity", "weld_area",
    }  # fmt: skip


@pytest.mark.parametrize(("length_mm", "share", "clear"), [(0.1, 0.1, False), (0.8, 0.4, False), (0.8, 0.1, True)])
def test_a_few_faint_points_a_paler_edge_and_one_clear_of_grain_hide_nothing(
    fillet: FoundWeld, length_mm: float, share: float, clear: bool
) -> None:
    assert fillet.section.face is not None
    assert told(fillet, fillet.section.face.toe_right, length_mm, share=share, clear=clear) is fillet


def test_the_ragged_rim_of_a_glare_is_no_plate(fillet: FoundWeld) -> None:
    face = fillet.section.face
    assert face is not None
    rim = face.right.points + np.random.default_rng(1).normal(0, 0.25, face.right.points.shape)
    weld = replace(fillet, section=replace(fillet.section, face=replace(face, right=replace(face.right, points=rim))))
    gone = missing(told(weld, rim[len(rim) // 2], 0.8))
    assert gone >= {"joint_angle", "leg_left", "perpendicular_leg_left"}
    assert "toe_angle_left" not in gone
