"""A face that follows the soft rim of a shadow up to a toe: nothing that needs this toe is told, the rest is."""

from __future__ import annotations

import numpy as np

from core.quantity import NotMeasurable
from measurement import measure
from vision.along_outline import without_glare
from vision.found import FoundWeld
from vision.outline import Outline


def seen(weld: FoundWeld, middle: np.ndarray, length_mm: float) -> FoundWeld | None:
    """Return a weld as it is told where its face is soft for so far about a place."""
    face = weld.section.face
    assert face is not None
    points = np.vstack([face.left.points[::-1], face.face, face.right.points])
    of_face = np.zeros(len(points), bool)
    of_face[len(face.left.points) : len(face.left.points) + len(face.face)] = True
    soft = of_face & (np.hypot(*(points - middle).T) < length_mm / 2)
    outline = Outline(points, np.zeros(len(points), bool), 1.0, 0.1, 0.8, 90.0, 1.0, soft=soft)
    return without_glare([(points, outline)], weld)


def test_a_soft_toe_is_not_told_and_the_other_is(fillet: FoundWeld) -> None:
    assert fillet.section.face is not None
    found = seen(fillet, fillet.section.face.toe_left, 1.6)
    assert found is not None
    assert "soft_outline" in {flag.code for flag in found.flags}
    values, before = measure(found.section), measure(fillet.section)
    for name in ("leg_left", "leg_difference", "throat", "weld_area", "toe_angle_left", "undercut_left"):
        assert isinstance(values[name], NotMeasurable), name
        assert "left toe" in values[name].reason
    for name in ("leg_right", "toe_angle_right", "undercut_right", "joint_angle"):
        assert values[name] == before[name], name


def test_a_few_soft_points_at_a_toe_hide_nothing(fillet: FoundWeld) -> None:
    assert fillet.section.face is not None
    found = seen(fillet, fillet.section.face.toe_left, 0.2)
    assert found is not None
    assert measure(found.section)["leg_left"] == measure(fillet.section)["leg_left"]
