"""A rule that lies against a section, and the picture without it.

A rule is as bright as metal, or as dark, and a split by grey level makes both one piece. It is told by its ticks: dark
or bright, narrow, and a known distance apart, since the scale is known. They begin at the edge that lies against the
section, whose line parts the outline: rule on one side, section on the other; or at the edge opposite, which is
parallel and as bright. All beyond that line is painted over with the ground's tone. Where metal touches the rule there
is then an edge that nobody has seen: it is bridged and told like the lines of a ruled ground (`vision.ruling`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.fitting import total_least_squares
from core.geometry import Line, Points, angle_between_lines_deg, diagonal
from vision.ruling import Ruling
from vision.structure import Shape

Gray = NDArray[np.uint8]

SPACINGS_MM = (1.0, 0.5, 25.4 / 16, 25.4 / 32)
"""Finest graduations of rules for the bench."""

OFF, STEP = 0.03, 0.0025
"""How far the scale may be off, and the steps in which the spacing is tried, relative."""

DEPTHS_MM = ((0.3, 0.5, 0.7), (1.2, 1.5, 1.8))
"""Distances from the edge of a rule that its shortest ticks cross, too: where they begin at it, and where they are set
in by a millimetre."""

LEAST_TICKS = 8
LEAST_ALIKE = 0.45
"""Correlation of what is seen along the edge with itself one spacing on, and two; saw marks and grain reach 0.3."""

SOONER, MOST_SOONER = (0.25, 0.3, 0.35, 0.4, 0.6, 0.65, 0.7, 0.75), 0.7
"""Shares of a spacing at which ticks are not alike, and how far they may be, over what they are at the spacing; a rule
may have ticks at the half of it."""

LEAST_LEVELS = 12.0

PARTS, LEAST_EVEN = 4, 0.5
"""Parts of a line of which all but one show ticks, and what scatters in one as a share of the whole: a line that leads
across ticks at an angle shows them in one place."""

NOTCH_STEPS, LEAST_SIDE, FEWEST_POINTS = 5.0, 0.05, 20
"""Depth of the notches that bold ticks make in an edge, in steps of the outline; length of a side that is looked at,
over the size of the outline, and its points."""

LEAST_PARTED, CLEAR_MM = 0.1, 1.0
"""Share of the outline on the other side of the edge, farther off than this, where the section lies."""

MARGIN_MM = 0.1
"""What is painted over beside the edge of a rule: the dark seam between it and what lies against it."""

ASKEW_DEG, LEAST_BREADTH_MM = 1.0, 5.0
"""The bare edge of a rule is as parallel to that with ticks, and lies so far from it."""

SAME_PX = 6.0
"""Edges are of one line if the ends of one lie so near the other."""

TONE_MM, UNLIKE = 0.8, 0.15
"""Distance inside an edge at which a rule's own tone is taken, and by which share of their step to the ground the tones
at its two edges may differ."""

GROUND_MM = 1.0
"""Distance from the edge at which the ground's tone is taken."""


@dataclass(frozen=True, slots=True, eq=False)
class RuleEdge:
    """The edge of a rule: two points of it (2, 2) in px, the unit vector onto the rule, and the tone of the ground."""

    ends_px: Points
    onto_rule: Points
    ground: float

    def away_px(self, points_px: Points) -> NDArray[np.float64]:
        """Return how far points (N, 2) lie from the line of the edge, (N,)."""
        away: NDArray[np.float64] = np.abs((points_px - self.ends_px[0]) @ self.onto_rule)
        return away


def rule_edges(gray: Gray, shapes: Iterable[Shape], calibration: Calibration) -> Iterator[RuleEdge]:
    """Yield the edges of rules that some outlines run along: those with ticks, then the bare ones on their other side.

    Parameters
    ----------
    gray
        (H, W), the picture at full resolution.
    shapes
        Coarse outlines in mm.
    """
    for shape in shapes:
        sides = _sides(shape)
        # Air is to the left of a side: the rule, a part of the outline, to the right. The section must lie to the left.
        parting = [side for side in sides if float(np.mean(side.line.offset(shape.points) > CLEAR_MM)) >= LEAST_PARTED]
        if not parting:
            continue
        ticked = [side for side in sides if has_ticks(gray, side.line, side.span_mm, calibration)]
        if not ticked:
            continue
        ground = _ground(gray, sides, calibration)
        bare = [side for side in parting if any(_is_other_edge(side, each, gray, calibration) for each in ticked)]
        for side in [side for side in parting if side in ticked] + bare:
            yield _edge(side, ground, calibration)


def differing(edges: Iterable[RuleEdge]) -> Iterator[RuleEdge]:
    """Yield the first of the edges of each line: a section that crosses a rule parts its edge."""
    told: list[RuleEdge] = []
    for edge in edges:
        if any(one.away_px(edge.ends_px).max() < SAME_PX and one.onto_rule @ edge.onto_rule > 0 for one in told):
            continue
        told.append(edge)
        yield edge


def _is_other_edge(other: _Side, ticked: _Side, gray: Gray, calibration: Calibration) -> bool:
    """Tell whether a side is the bare edge of the rule whose ticks begin at another: parallel, and as bright."""
    askew = angle_between_lines_deg(other.line, ticked.line.reversed()) > ASKEW_DEG
    if askew or ticked.line.offset(other.line.point) > -LEAST_BREADTH_MM:
        return False
    inside, outside = (
        [_usual(_beside(gray, side, calibration, at)) for side in (other, ticked)] for at in (-TONE_MM, GROUND_MM)
    )
    step = min(abs(i - o) for i, o in zip(inside, outside, strict=True))
    return abs(inside[0] - inside[1]) < UNLIKE * step


def _usual(levels: NDArray[np.float64]) -> float:
    """Return the median of those levels that lie in the picture, NaN without any."""
    return float(np.nanmedian(levels)) if np.isfinite(levels).any() else math.nan


def edge_along(
    gray: Gray, line: Line, span_mm: tuple[float, float], shape: Shape, calibration: Calibration
) -> RuleEdge:
    """Return the edge of a rule that lies to the right of a line, the ground's tone taken around an outline in mm."""
    return _edge(_Side(line, span_mm), _ground(gray, _sides(shape), calibration), calibration)


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    line: Line
    span_mm: tuple[float, float]


def _sides(shape: Shape) -> list[_Side]:
    """Return the long straight sides of an outline, longest first; notches of ticks in the edge of a rule are none."""
    closed = np.vstack([shape.points, shape.points[:1]]).astype(np.float32)
    corners = cv2.approxPolyDP(closed, NOTCH_STEPS * shape.detail.step_mm, False)[:, 0]
    at = np.flatnonzero((closed[:, None] == corners[None]).all(axis=2).any(axis=1))
    least = max(LEAST_TICKS * min(SPACINGS_MM), LEAST_SIDE * diagonal(shape.points))
    sides = []
    for first, last in pairwise(at.tolist()):
        points = shape.points[first:last]
        if (
            len(points) < FEWEST_POINTS
            or np.hypot(*(points[-1] - points[0])) < least
            or shape.cut[first:last].mean() > 0.5
        ):
            continue
        line = total_least_squares(points)
        line = line if line.direction @ (points[-1] - points[0]) > 0 else line.reversed()
        along = line.along(points)
        sides.append(_Side(line, (float(along.min()), float(along.max()))))
    return sorted(sides, key=lambda side: side.span_mm[0] - side.span_mm[1])


def has_ticks(
    gray: Gray, line: Line, span_mm: tuple[float, float], calibration: Calibration, least: float = LEAST_ALIKE
) -> bool:
    """Tell whether the ticks of a rule begin at a line, to the right of it, between two places along it.

    ``least`` is the correlation with itself that what is seen there has to reach.
    """
    pixel = calibration.mm_per_px(calibration.to_px(line.point)[0])
    count = int((span_mm[1] - span_mm[0]) / pixel)
    if count < 30:
        return False
    places = np.linspace(*span_mm, count)
    for depths in DEPTHS_MM:
        # The longest run often ends at the border of the picture: what lies beyond is left out.
        seen = np.mean([_levels(gray, line, places, -depth, calibration) for depth in depths], axis=0)
        seen = seen[np.isfinite(seen)]
        if any(_repeats(seen, spacing / pixel, least) for spacing in SPACINGS_MM):
            return True
    return False


def _levels(
    gray: Gray, line: Line, places: NDArray[np.float64], offset: float, calibration: Calibration
) -> NDArray[np.float64]:
    """Return grey levels at places along a line, so far to its left; NaN beyond the picture."""
    x, y = calibration.to_px(line.point + places[:, None] * line.direction + offset * line.normal).astype(np.float32).T
    levels = cv2.remap(gray, x[None], y[None], cv2.INTER_LINEAR)[0].astype(float)
    within = (x >= 0) & (y >= 0) & (x <= gray.shape[1] - 1) & (y <= gray.shape[0] - 1)
    return np.where(within, levels, np.nan)


def _repeats(seen: NDArray[np.float64], spacing_px: float, least: float) -> bool:
    """Tell whether what is seen returns at a spacing."""
    count = len(seen)
    if count < LEAST_TICKS * spacing_px or spacing_px < 4:
        return False
    wide = round(2 * spacing_px) // 2 * 2 + 1
    ripple = seen - cv2.blur(seen[None], (wide, 1), borderType=cv2.BORDER_REFLECT_101)[0]
    low, high = np.percentile(ripple, (3, 97))
    if high - low < LEAST_LEVELS:
        return False
    parts = np.array([part.std() for part in np.array_split(ripple, PARTS)])
    if np.count_nonzero(parts > LEAST_EVEN * ripple.std()) < PARTS - 1:
        return False
    for lag in (spacing_px * np.arange(1 - OFF, 1 + OFF + STEP / 2, STEP)).tolist():
        alike = [_alike(ripple, times * lag) for times in (1, 2)]
        if min(alike) > least:
            # What returns sooner returns there, too: steps of pixels along a slanted edge.
            return max(_alike(ripple, share * lag) for share in SOONER) < MOST_SOONER * alike[0]
    return False


def _alike(values: NDArray[np.float64], lag: float) -> float:
    """Return the correlation of values with themselves so far on."""
    start = int(lag)
    share = lag - start
    later = (1 - share) * values[start:-1] + share * values[start + 1 :]
    first = values[: len(later)]
    norm = float(np.sqrt(np.square(first).sum() * np.square(later).sum()))
    return float(first @ later) / norm if norm > 0 else 0.0


def _edge(side: _Side, ground: float, calibration: Calibration) -> RuleEdge:
    line, span = side.line, side.span_mm
    ends = calibration.to_px(np.array([line.at(value) for value in span]) + MARGIN_MM * line.normal)
    onto = calibration.to_px((line.point - line.normal)[None])[0] - calibration.to_px(line.point[None])[0]
    along = (ends[1] - ends[0]) / float(np.hypot(*(ends[1] - ends[0])))
    onto = onto - (onto @ along) * along
    return RuleEdge(ends, onto / float(np.hypot(*onto)), ground)


def _ground(gray: Gray, sides: Sequence[_Side], calibration: Calibration) -> float:
    """Return the tone around most of an outline: beside the rule there may be a slit between rule and section."""
    beside = [_beside(gray, each, calibration) for each in sides]
    usual = _usual(np.concatenate(beside)) if beside else math.nan
    return float(np.median(gray)) if math.isnan(usual) else usual


def _beside(gray: Gray, side: _Side, calibration: Calibration, offset: float = GROUND_MM) -> NDArray[np.float64]:
    count = max(2, round((side.span_mm[1] - side.span_mm[0]) / GROUND_MM))
    return _levels(gray, side.line, np.linspace(*side.span_mm, count), offset, calibration)


def without_rule(gray: Gray, edge: RuleEdge, ruling: Ruling | None) -> Ruling:
    """Return the picture with a rule painted over, and the rule's edge among the lines of the ground."""
    painted = gray.copy()
    along = (edge.ends_px[1] - edge.ends_px[0]) / float(np.hypot(*(edge.ends_px[1] - edge.ends_px[0])))
    far = 4.0 * max(gray.shape)
    first, last = edge.ends_px[0] - far * along, edge.ends_px[1] + far * along
    beyond = np.rint([first, last, last + far * edge.onto_rule, first + far * edge.onto_rule]).astype(np.int32)
    cv2.fillConvexPoly(painted, beyond, edge.ground)
    line = np.array([[*edge.ends_px.mean(axis=0), *along, 2.0]])
    return Ruling(painted, line if ruling is None else np.vstack([ruling.lines_px, line]))
