"""What passes for a land: no square stretch of a bevel that wanders, and nothing that leads back up."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from core.fitting import total_least_squares
from core.geometry import Line, Points
from vision.groove_joint import Member, prepared_edge
from vision.plate_line import Detail
from vision.plausible import is_weld
from vision.runs import Run
from vision.section import Section

STEP_MM, LONG_MM, BEVEL_DEG, LAND_MM = 0.05, 25.0, 26.0, 1.8
DETAIL = Detail(0.01, STEP_MM, 0.05)


def joint_of(left: Member) -> Section:
    """Return a joint of a member and its mirror image, 3 mm apart."""
    edge = prepared_edge(left, DETAIL, outside_towards=True)
    mirror, gap = np.array([-1.0, 1.0]), np.array([2 * edge.land_bottom[0] + 3.0, 0.0])
    flipped = Member(
        (left.points * mirror + gap)[::-1],
        *(turned(run, len(left.points), mirror, gap) for run in (left.away, left.towards)),
        tuple(turned(run, len(left.points), mirror, gap) for run in left.end[::-1]),
        left.corner_away * mirror + gap,
        left.corner_towards * mirror + gap,
    )
    other = prepared_edge(flipped, DETAIL, outside_towards=False)
    return Section("groove", 0.01, 0.03, edge_left=edge, edge_right=other)


def turned(run: Run, count: int, mirror: Points, gap: Points) -> Run:
    """Return a run of an outline whose points were mirrored and put in the other order."""
    ends = [run.line.at(along) * mirror + gap for along in (1.0, 0.0)]
    return Run(count - 1 - run.stop, count - 1 - run.start, Line.through(*ends), run.length, False)


def direction(degrees_from_square: float) -> Points:
    """Return the way down an end that leans out by so much below."""
    angle = np.radians(degrees_from_square)
    return np.array([np.sin(angle), -np.cos(angle)])


def member(*faces: tuple[float, float]) -> Member:
    """Return a left member whose end goes down in faces of (length, degrees from square), one run each."""
    corners = [np.array([-LONG_MM, 0.0]), np.zeros(2)]
    for length, degrees in faces:
        corners.append(corners[-1] + length * direction(degrees))
    corners += [np.array([-LONG_MM, corners[-1][1]]), corners[0]]
    points, starts = [], [0]
    for one, other in pairwise(corners):
        count = max(2, round(float(np.hypot(*(other - one))) / STEP_MM))
        points.append(one + np.arange(count)[:, None] / count * (other - one))
        starts.append(starts[-1] + count)
    outline = np.vstack(points)
    runs = []
    for start, stop in pairwise(starts[:-1]):
        seen = outline[start : stop + 1]
        line = total_least_squares(seen)
        line = line if (seen[-1] - seen[0]) @ line.direction > 0 else line.reversed()
        runs.append(Run(start, stop, line, float(np.hypot(*(seen[-1] - seen[0]))), False))
    towards, *end, away = runs
    return Member(outline, towards, away, tuple(end), corners[1], corners[-3])


SQUARE, BACK = (0.5, 2.0), (0.5, 2 * BEVEL_DEG - 2.0)
WANDERING = ((2.4, BEVEL_DEG), SQUARE, BACK, (3.6, BEVEL_DEG), SQUARE, BACK, (1.2, BEVEL_DEG))


def test_square_facet_of_a_bevel_is_no_land() -> None:
    edge = prepared_edge(member(*WANDERING, (LAND_MM, 0.0)), DETAIL, outside_towards=True)
    assert float(np.hypot(*(edge.land_top - edge.land_bottom))) == pytest.approx(LAND_MM, abs=0.03)
    assert edge.bevel is not None
    lean = np.degrees(np.arccos(abs(edge.bevel.line.direction @ direction(0.0))))
    assert lean == pytest.approx(BEVEL_DEG, abs=0.3)


def test_land_between_two_bevels_stays_one() -> None:
    """They lie on both sides of it, but not on one line."""
    edge = prepared_edge(member((4.0, BEVEL_DEG), (LAND_MM, 0.0), (4.0, -BEVEL_DEG)), DETAIL, outside_towards=True)
    assert float(np.hypot(*(edge.land_top - edge.land_bottom))) == pytest.approx(LAND_MM, abs=0.03)


def test_step_in_a_face_of_one_slope_stays_a_land() -> None:
    """The faces above and below it lean alike, but on two lines eight tenths of a millimetre apart."""
    edge = prepared_edge(member((4.0, BEVEL_DEG), (LAND_MM, 0.0), (3.0, BEVEL_DEG)), DETAIL, outside_towards=True)
    assert float(np.hypot(*(edge.land_top - edge.land_bottom))) == pytest.approx(LAND_MM, abs=0.03)


def test_land_that_leads_back_up_is_refused() -> None:
    """A shadow bends the inside surface: what looks like a face of the end meets the land above its top."""
    whole = member((4.0, BEVEL_DEG), (LAND_MM, 0.0), (7.0, -90.0), (2.0, -70.0))
    sound = member((4.0, BEVEL_DEG), (LAND_MM, 0.0))
    bent = replace(whole, end=(*whole.end[:2], whole.end[3]))
    assert [is_weld(joint_of(one)) for one in (sound, bent)] == [True, False]
