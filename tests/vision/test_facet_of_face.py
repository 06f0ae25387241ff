"""A facet of a weld's face, or of the rim of an edge, passes for no plate."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from core.geometry import Line, Points, distance
from vision.facet_of_face import is_facet
from vision.runs import Run

CORNERS = np.array([[-20.0, 0.0], [-6.0, 0.0], [-1.0, 2.0], [0.0, 6.0], [0.3, 6.7], [15.0, 6.7]])
"""A lower plate, a face, the edge of an upper plate, the rim of that edge, the upper surface."""


def outline(corners: Points) -> tuple[Points, list[Run]]:
    """Return an open profile with ten points to a stretch, and its stretches."""
    share = np.linspace(0, 1, 10, endpoint=False)[:, None]
    points = np.vstack([a + share * (b - a) for a, b in pairwise(corners)] + [corners[-1:]])
    runs = [
        Run(10 * i, 10 * i + 10, Line.through(a, b), distance(b, a), False)
        for i, (a, b) in enumerate(pairwise(corners))
    ]
    return points, runs


@pytest.mark.parametrize("mirrored", [False, True])
def test_of_a_lap_only_the_edge_passes(mirrored: bool) -> None:
    corners = CORNERS[::-1] * [-1, 1] if mirrored else CORNERS
    points, runs = outline(corners)
    plate, face, edge, rim, _ = runs[::-1] if mirrored else runs
    told = {name: is_facet(points, run, plate, 4.5, runs, first=mirrored)
            for name, run in (("face", face), ("edge", edge), ("rim", rim))}  # fmt: skip
    # Of the face, longer than the leg here, nothing is said below; with a longer leg it is told by what rises behind.
    assert told == {"face": False, "edge": False, "rim": True}
    assert is_facet(points, face, plate, 8.0, runs, first=mirrored)


def test_what_jumps_is_no_neighbour() -> None:
    points, runs = outline(CORNERS)
    rim = replace(runs[3], start=31)
    runs[3] = rim
    assert is_facet(points, rim, runs[0], 4.5, runs, first=False)
    points[31:41] += [0.0, 1.0]
    assert not is_facet(points, rim, runs[0], 4.5, runs, first=False)
