"""True values from the construction itself: closed forms, or dense evaluation of the curves that are drawn.

Nothing here comes from the measuring rooms. Values follow the project's definitions; the weld frame has
the weld face up.
"""

from __future__ import annotations

import math

import numpy as np

from core.geometry import Points


def fillet_values(root: Points, left: Points, right: Points, face: Points) -> dict[str, float]:
    """Return the true values of a fillet.

    Parameters
    ----------
    root
        (2,) where the plate surface lines meet.
    left, right
        (2,) unit vectors along the plate surfaces, away from the root, as seen face up.
    face
        (N, 2) dense points from the left toe to the right toe.
    """
    arm = face - root
    angle = math.acos(float(np.clip(np.dot(left, right), -1, 1)))
    bisector = (left + right) / np.hypot(*(left + right))
    leg_left, leg_right = float(np.hypot(*arm[0])), float(np.hypot(*arm[-1]))
    size = float((arm @ bisector).min()) / math.cos(angle / 2)
    above = offsets(face[0], face[-1], face)
    ring = np.vstack([root[None], face])
    return {
        "joint_angle": math.degrees(angle),
        "leg_left": leg_left,
        "leg_right": leg_right,
        "perpendicular_leg_left": leg_left * math.sin(angle),
        "perpendicular_leg_right": leg_right * math.sin(angle),
        "leg_difference": abs(leg_left - leg_right),
        "size": size,
        "design_throat": size * math.cos(angle / 2),
        "throat": float(np.hypot(*arm.T).min()),
        "convexity": max(0.0, float(above.max())),
        "concavity": max(0.0, -float(above.min())),
        "face_width": float(np.hypot(*(face[-1] - face[0]))),
        "weld_area": _area(ring),
    } | toe_angles(left, right, face)


def butt_values(left: Points, right: Points, face: Points) -> dict[str, float]:
    """Return the true values of the face side of a butt weld; left and right lead away from the weld."""
    above = offsets(face[0], face[-1], face)
    from_left = offsets(face[0] + left, face[0], face)
    from_right = offsets(face[-1], face[-1] + right, face)
    return {
        "cap_width": float(np.hypot(*(face[-1] - face[0]))),
        "reinforcement": max(0.0, float(above.max())),
        "reinforcement_from_left": max(0.0, float(from_left.max())),
        "reinforcement_from_right": max(0.0, float(from_right.max())),
        "underfill": max(0.0, -float(above.min())),
        "misalignment": misalignment(left, right, face[0], face[-1]),
        "angular_misalignment": math.degrees(math.acos(float(np.clip(np.dot(-left, right), -1, 1)))),
    } | toe_angles(left, right, face)


def root_values(left: Points, right: Points, bead: Points) -> dict[str, float]:
    """Return the true values of the root side, its bead from the left toe to the right toe (metal above it)."""
    below = -offsets(bead[0], bead[-1], bead)
    return {
        "root_width": float(np.hypot(*(bead[-1] - bead[0]))),
        "root_reinforcement": max(0.0, float(below.max())),
        "root_concavity": max(0.0, -float(below.min())),
        "root_misalignment": misalignment(left, right, bead[0], bead[-1]),
    }


def misalignment(left: Points, right: Points, at_left: Points, at_right: Points) -> float:
    """Return the right surface's offset from the left one, positive up, at the middle of the chord.

    ``left`` and ``right`` lead away from the weld; the surfaces run through ``at_left`` and ``at_right``.
    The offset is taken perpendicular to the left plate, through the middle of the chord.
    """
    up = np.array([left[1], -left[0]])
    middle = (at_left + at_right) / 2
    # middle + d_left * up lies on the left surface, middle + d_right * up on the right one
    to_left = float(np.dot(at_left - middle, up))
    normal_right = np.array([-right[1], right[0]])
    to_right = float(np.dot(at_right - middle, normal_right) / np.dot(up, normal_right))
    return to_right - to_left


def toe_angles(left: Points, right: Points, face: Points) -> dict[str, float]:
    """Return the angles through the air between plate surface and face, at the ends of a dense face.

    With the weld face up the air is passed clockwise from the left plate, counter-clockwise from the right
    one; a face that dips below the plate has more than 180 degrees.
    """
    return {
        "toe_angle_left": _turn(face[1] - face[0], left),
        "toe_angle_right": _turn(right, face[-2] - face[-1]),
    }


def offsets(first: Points, last: Points, points: Points) -> Points:
    """Return the distance of points to the left of the line from first to last."""
    along = (last - first) / np.hypot(*(last - first))
    return np.asarray((points - first) @ np.array([-along[1], along[0]]))


def _turn(first: Points, second: Points) -> float:
    """Return the counter-clockwise angle from one direction to another, 0 to 360 degrees."""
    cross = float(first[0] * second[1] - first[1] * second[0])
    return math.degrees(math.atan2(cross, float(np.dot(first, second)))) % 360.0


def _area(ring: Points) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2)
