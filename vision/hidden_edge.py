"""What lines of the ground hide of a joint prepared for welding: its faces, root faces and corners."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, distance
from vision.section import PreparedEdge

MOST_HIDDEN = 0.4
"""Share of a plate's surface, or of a prepared face, that may be hidden."""

LONG_MM, NEAR_MM = 1.0, 0.5
"""A stretch without an edge that is longer may hide a toe or a corner so near it, or a step beside it."""

OF_CORNER = 0.25
"""Standard uncertainty of a corner in a stretch without an edge, over the length of the stretch."""

AT_MM = 0.1
"""A face lies in a stretch without an edge where it is nearer to it than this."""

SURFACE_MM = 10.0
"""So much of a surface is looked at from the corner on."""

OF_LAND = ("root_face", "preparation_depth")


def of_prepared_edges(
    edges: Mapping[str, PreparedEdge | None], places: Points, lengths: NDArray[np.float64]
) -> tuple[dict[str, str], dict[str, float]]:
    """Return the names of values that are hidden, each with the reason, and what others are less sure by.

    Parameters
    ----------
    edges
        The members by their side, "left" and "right".
    places, lengths
        Where no edge was seen, (N, 2) in mm, and how long the stretch is that each lies in, (N,) in mm.
    """
    unseen: dict[str, str] = {}
    hidden: dict[str, float] = {}
    for side, edge in edges.items():
        if edge is None:
            continue
        reason = f"a line of the ground runs along the edge of the {side} member; lay the joint on plain paper"
        of_land = ("root_gap", *(f"{name}_{side}" for name in OF_LAND))
        of_face = (f"bevel_angle_{side}", "groove_angle", *of_land)
        away = edge.outer_corner + SURFACE_MM * edge.outside.line.direction
        if _hidden_share(edge.outer_corner, away, places) > MOST_HIDDEN:
            names = (*of_face, "misalignment", "root_misalignment", f"thickness_{side}")
            unseen |= dict.fromkeys(names, reason)
        elif edge.bevel is not None and _hidden_share(edge.outer_corner, edge.land_top, places) > MOST_HIDDEN:
            unseen |= dict.fromkeys(of_face, reason)
        elif _hidden_share(edge.land_top, edge.land_bottom, places) > MOST_HIDDEN:
            unseen |= dict.fromkeys(of_land, reason)
        if _inside_is_hidden(edge, places):
            unseen |= dict.fromkeys((*of_land, "root_misalignment", f"thickness_{side}"), reason)
        for corner in (edge.land_top, edge.land_bottom):
            near = np.hypot(*(places - corner).T) < NEAR_MM
            if (near & (lengths > LONG_MM)).any():
                unseen |= dict.fromkeys(of_land, reason)
            elif near.any():
                std = OF_CORNER * float(lengths[near].max())
                hidden |= {name: max(hidden.get(name, 0.0), std) for name in of_land}
    return unseen, hidden


def _inside_is_hidden(edge: PreparedEdge, places: Points) -> bool:
    if edge.inside is None:
        return False
    ahead = float(edge.inside.line.direction @ edge.outside.line.direction)
    away = edge.land_bottom + math.copysign(SURFACE_MM, ahead) * edge.inside.line.direction
    return _hidden_share(edge.land_bottom, away, places) > MOST_HIDDEN


def _hidden_share(first: Points, last: Points, places: Points) -> float:
    """Return the share of a straight face, from corner to corner, (2,) each, that lies where no edge was seen."""
    if distance(first, last) < AT_MM or not len(places):
        return 0.0
    some = first + np.linspace(0.0, 1.0, 40)[1:-1, None] * (last - first)
    return float(np.mean(np.hypot(*(some[:, None] - places[None]).transpose(2, 0, 1)).min(axis=1) < AT_MM))
