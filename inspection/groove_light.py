"""What a laser frame shows beyond where the faces of a groove end: a face may go on there, or begin."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points
from vision.found import FoundWeld
from vision.section import PreparedEdge
from vision.stray_light import goes_on_beyond_end, light_between, light_beyond_end
from vision.stray_stroke import stroke_beyond_end
from vision.stripe import Stripe
from vision.stripe_ends import BREAK_PX

ONE_FACE_MM = 3.0
"""How far beyond the end of the only face of a groove its continuation is sought."""

MOST_SIDEWAYS_MM = 0.5
"""A faint face that leads so far along the plate is no root face: the gap is another."""

LEAST_DEPTH_MM, MOST_DEPTH_MM = 5.0, 15.0
"""So deep below the surfaces light of faces is sought at least, and at most, between: as deep as the gap is wide."""

STRAIGHT_ON = math.cos(math.radians(12.0))
NEXT_MM = 0.1


def with_doubtful_ends(weld: FoundWeld, gray: NDArray[Any], stripe: Stripe, calibration: Calibration) -> FoundWeld:
    """Leave open where a face of a groove ends when other light lies where it would go on."""
    section = weld.section
    if section.joint != "groove":
        return weld
    both = {"left": section.edge_left, "right": section.edge_right}
    edges = {side: edge for side, edge in both.items() if edge is not None}
    reach_mm = ONE_FACE_MM
    if len(edges) == 2:
        reach_mm = float(np.hypot(*(edges["right"].land_bottom - edges["left"].land_bottom)))
    unseen, hidden = dict(section.unseen), dict(section.hidden)
    for side, edge in edges.items():
        for names, reason in _beyond(edge, side, gray, stripe, calibration, reach_mm, alone=len(edges) == 1):
            unseen |= dict.fromkeys(names, reason)
        stroke = _stroke(edge, gray, stripe, calibration)
        if stroke is None:
            continue
        sideways = abs(float(stroke @ edge.outside.line.direction))
        if sideways < MOST_SIDEWAYS_MM:
            # How much of that sideways way is the root face's lean is not seen.
            hidden["root_gap"] = math.hypot(hidden.get("root_gap", 0.0), sideways / math.sqrt(3.0))
            continue
        unseen["root_gap"] = (
            f"a faint line leads on from the end of what is seen on the {side}: a face that is hardly lit"
        )
        if edge.bevel is not None and abs(float(stroke @ edge.bevel.line.direction)) > STRAIGHT_ON * np.hypot(*stroke):
            unseen[f"preparation_depth_{side}"] = f"a faint line leads straight on from the end of the {side} face"
    bare = len(edges) == 2 and all(edge.bevel is None and edge.land is None for edge in edges.values())
    if bare and _lit_between(edges["left"], edges["right"], gray, stripe, calibration):
        unseen["root_gap"] = "light that was not taken for the line's lies between the surfaces: faces may be there"
    if unseen == section.unseen and hidden == section.hidden:
        return weld
    return replace(weld, section=replace(section, unseen=unseen, hidden=hidden))


def _lit_between(
    left: PreparedEdge, right: PreparedEdge, gray: NDArray[Any], stripe: Stripe, calibration: Calibration
) -> bool:
    """Tell whether light lies between two surfaces that seem to end at square edges."""
    ends = np.array([left.land_bottom, right.land_bottom])
    across = ends[1] - ends[0]
    wide = float(np.hypot(*across))
    depth = min(max(wide, LEAST_DEPTH_MM), MOST_DEPTH_MM)
    into = np.array([across[1], -across[0]]) / max(wide, 1e-9)
    ends_px = calibration.to_px(ends)
    middle_px, deep_px = calibration.to_px(np.array([ends.mean(axis=0), ends.mean(axis=0) + depth * into]))
    return light_between(gray, stripe, ends_px, deep_px - middle_px)


def _beyond(
    edge: PreparedEdge,
    side: str,
    gray: NDArray[Any],
    stripe: Stripe,
    calibration: Calibration,
    reach_mm: float,
    *,
    alone: bool,
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield what bright light, and points of the line, beside the ends of a face leave open, and why."""
    face = edge.land or edge.bevel
    if face is None:
        return
    down = face.line.direction * (1.0 if face.line.direction @ (edge.land_bottom - edge.outer_corner) > 0 else -1.0)
    end_px, ahead, reach_px = _in_frame(calibration, edge.land_bottom, reach_mm * down)
    if reach_px > 0 and light_beyond_end(gray, stripe, end_px, ahead, reach_px):
        reason = f"light that is not the line's lies at the end of the {side} face, which may go on there"
        yield ("root_gap", f"preparation_depth_{side}"), reason
    elif goes_on_beyond_end(stripe, end_px, ahead, reach_px if alone else reach_px - BREAK_PX):
        reason = f"points of the line are missing on the {side} face, which goes on beyond them"
        yield ("root_gap", f"preparation_depth_{side}"), reason
    up = edge.land_top - edge.land_bottom
    if not up.any():
        return
    top_px, ahead, reach_px = _in_frame(calibration, edge.land_top, reach_mm * up / np.hypot(*up))
    if reach_px > 0 and light_beyond_end(gray, stripe, top_px, ahead, reach_px, anywhere=False):
        reason = f"what was taken for the root face on the {side} leads on beyond the bevel: it may be a spark"
        yield ("root_gap", f"root_face_{side}", f"preparation_depth_{side}"), reason


def _stroke(edge: PreparedEdge, gray: NDArray[Any], stripe: Stripe, calibration: Calibration) -> Points | None:
    """Return how far (2,) mm a faint stroke leads on into the groove from where an edge is seen last."""
    into = edge.outside.line.normal
    inwards = edge.land_bottom - edge.outer_corner if edge.bevel or edge.land else np.array([0.0, -1.0])
    into = into if into @ inwards > 0 else -into
    end_px, ahead, _ = _in_frame(calibration, edge.land_bottom, NEXT_MM * into)
    stroke = stroke_beyond_end(gray, stripe, end_px, ahead)
    if stroke is None:
        return None
    start, stop = calibration.to_mm(np.array([end_px, end_px + stroke]))
    return np.asarray(stop - start)


def _in_frame(calibration: Calibration, start: Points, way: Points) -> tuple[Points, Points, float]:
    """Return where a way in mm starts in the frame (2,), its direction there (2,), and its length in px."""
    start_px, stop_px = calibration.to_px(np.array([start, start + way]))
    length = float(np.hypot(*(stop_px - start_px)))
    return start_px, (stop_px - start_px) / max(length, 1e-9), length
