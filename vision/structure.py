"""What straight surfaces and welds outlines are made of: shapes of straight runs, and the joint they form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit, seen_of_wander
from core.geometry import Points, diagonal, step_lengths
from core.medians import median
from vision.butt_pairs import BUTT_TURN_DEG, ButtPair, butt_between, butt_pairs, encloses, is_facet, root_pair
from vision.cap_behind import MORE_THAN_ROOT, cap_behind
from vision.filled_edge import FilledEdge, filled_edges
from vision.groove_joint import OpenJoint, members, open_joint
from vision.joints import FilletPair, classify_fillet, fillet_pairs, opposite_run
from vision.lapped_edge import carries_plate
from vision.open_groove import OpenGroove, find_open_groove, find_square_gap
from vision.plate_line import SHORTEST_WANDER_MM, Detail, longest_lines, wander_length_mm
from vision.runs import Run, bridged_runs, straight_runs, turn_deg, without_stray_ends
from vision.tapered_plate import beside_tapers
from vision.unseen_edge import UnseenEdge, is_edge, unseen_edges

PointPx = tuple[float, float]
JointChoice = Literal["auto", "tee", "lap", "butt", "groove"]
MOST_RUNS = 120
LEAST_RUN_POINTS, FEWEST_STEEP_POINTS = 8, 5
"""A run of fewer steps is a guess: a profile with gaps has such; on a steep face they lie farther apart, but evenly."""
MOST_IN_A_STEP, LEAST_STEEP_MM = 0.4, 1.5
"""Share of such a face that one step may be, and its least length: a radius shows shorter ones."""
LEAST_STRAIGHT = 0.35
"""An outline with less than this share in straight runs is grain, a stain or a shadow, not a section."""
MOSTLY_SEEN = 0.2
"""A part with less than this share of its outline on the border of the picture shows its plates whole."""
EDGE_WITHIN_DEG = 25.0
"""The edge of a lapped plate stands square to its surface to within this, however it was cut."""
LEAST_LONG = 0.5
"""Least share of an outline in straight runs of a tenth of the part's size: plates make up most of a section."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """An outline in mm with its straight runs; ``std_mm`` (N,) where its points are not known equally well.

    ``faces`` are the runs with such of few points that lie far apart, as on a steep face of a groove.
    """

    points: Points
    cut: NDArray[np.bool_]
    runs: list[Run]
    detail: Detail
    tolerance: float
    std_mm: NDArray[np.float64] | None = None
    faces: tuple[Run, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Structure:
    """What an outline (or two of them) was recognised as."""

    kind: str
    shapes: tuple[Shape, ...]
    fillets: tuple[FilletPair, ...] = ()
    butts: tuple[ButtPair, ...] = ()
    joint: OpenJoint | None = None
    open_groove: OpenGroove | None = None
    lapped: tuple[UnseenEdge, ...] = ()
    filled: tuple[FilledEdge, ...] = ()
    score: float = 0.0


def shape_of(points: Points, cut: NDArray[np.bool_], detail: Detail, *, closed: bool, tolerance: float) -> Shape:
    extent = diagonal(points)
    faces: tuple[Run, ...] = ()
    shortest = max(6 * tolerance, 0.008 * extent)
    runs = straight_runs(points, cut, closed=closed, tolerance=tolerance, shortest=shortest)
    if not closed:
        steps = step_lengths(points)
        runs = [without_stray_ends(points, steps, run) for run in runs]
        # In a frame steep faces are followed along them: what has few points there is something else.
        faces = tuple(run for run in runs if _told(steps, run, many=detail.alone))
    runs = [run for run in runs if run.stop - run.start >= LEAST_RUN_POINTS]
    return Shape(points, cut, runs, detail, tolerance, faces=faces)


def _told(steps: NDArray[np.float64], run: Run, *, many: bool) -> bool:
    """Tell whether a run has points enough: a face so steep that they lie far apart, all along it, has few."""
    count = run.stop - run.start
    if many or count >= LEAST_RUN_POINTS:
        return count >= LEAST_RUN_POINTS
    steep = count >= FEWEST_STEEP_POINTS and run.length > max(LEAST_RUN_POINTS * median(steps), LEAST_STEEP_MM)
    return steep and float(steps[run.start : run.stop - 1].max()) < MOST_IN_A_STEP * run.length


def recognise(
    shapes: tuple[Shape, ...], joint: JointChoice, *, closed: bool = True, fine: bool = False
) -> Structure | None:
    """Return what one outline, or a pair of outlines, shows."""
    if len(shapes) == 2:
        return _recognise_open(shapes)
    shape = shapes[0]
    if not 2 <= len(shape.runs) <= MOST_RUNS or straight_share(shape) < LEAST_STRAIGHT:
        # Two plates in line with a gap between them may have come out as one straight run.
        alone = find_square_gap(shape.points, shape.runs) if joint == "groove" and not closed else None
        return None if alone is None else Structure("groove", (shape,), open_groove=alone, score=alone.score)
    extent = diagonal(shape.points)
    smallest = max(5.0 * shape.detail.step_mm, 0.012 * extent)
    plates = _bridged(shape, closed=closed)
    full = replace(shape, runs=plates)
    lapped = _lapped(full, smallest) if not closed and joint in ("auto", "lap") else None
    if lapped is not None:
        return lapped
    if not closed and joint in ("auto", "groove"):
        prepared = find_open_groove(shape.points, shape.faces)
        if prepared is None and joint == "groove":
            prepared = find_square_gap(shape.points, shape.runs)
        if prepared is not None:
            return Structure("groove", (shape,), open_groove=prepared, score=prepared.score)
    fillets: list[FilletPair] = []
    butts: list[ButtPair] = []
    if joint in ("auto", "tee", "lap"):
        fillets = fillet_pairs(shape.points, shape.cut, plates, closed=closed, smallest_leg=smallest)
        if closed and float(shape.cut.mean()) < MOSTLY_SEEN:
            fillets = [pair for pair in fillets if is_plate(shape, plates, pair)]
    rise = max(3.0 * shape.detail.noise_mm, 1.0 * shape.detail.step_mm, 0.03)

    def butt_welds(*, trim: bool) -> list[ButtPair]:
        pairs = butt_pairs(shape.points, shape.cut, plates, closed=closed, smallest_rise=rise, trim=trim)
        if closed:
            pairs = [_at_tapers(shape, plates, pair, rise) for pair in pairs if not _carries(shape, plates, pair)]
            pairs = [pair for pair in pairs if not _rests_on_facet(shape, plates, pair)]
        # The root side is looked for behind the plates of the face side: its offset may exceed its width.
        root = root_pair(shape.points, shape.cut, plates, pairs[0], closed=closed) if pairs else None
        if pairs and closed:
            # A facet of the cap may lie behind a plate, too, nearer to the root than the plate's own surface.
            cap = cap_behind(shape.points, shape.cut, plates, pairs[0], rise)
            root = cap if cap is not None and (root is None or cap.width > MORE_THAN_ROOT * root.width) else root
        if root is not None and closed:
            root = _at_tapers(shape, plates, root, rise)
        if root is not None and all(pair.first.stop != root.first.stop for pair in pairs):
            # What else was paired behind the first are facets of the bead.
            pairs = [pairs[0], root, *pairs[1:]]
        return pairs

    wanted = joint in ("auto", "butt")
    if wanted and (fillets or not fine):
        butts = butt_welds(trim=False)
    if not closed and joint == "lap":
        filled = filled_edges(shape.points, plates, shape.detail.noise_mm, shape.detail.step_mm)
        # Between lapped plates a facet of the face may pass for an edge that is far from square.
        if filled and not any(
            abs(turn_deg(pair.first.line, pair.second.line) - 90.0) < EDGE_WITHIN_DEG for pair in fillets
        ):
            return Structure("lap", (full,), filled=tuple(filled))
    # The walls of an undercut can pass for a small fillet inside a butt weld.
    count = len(shape.points)
    if fillets and not all(any(encloses(butt, pair, count) for butt in butts) for pair in fillets):
        kinds = {classify_fillet(shape.points, pair, plates) for pair in fillets}
        kind = joint if joint != "auto" else ("tee" if "tee" in kinds else "lap")
        return Structure(kind, (full,), fillets=tuple(fillets), score=max(pair.score for pair in fillets))
    if wanted and (fine or not butts):
        looked = bool(fillets) or not fine
        butts = butt_welds(trim=True) or (butts if looked else butt_welds(trim=False))
    if butts:
        # Metal shows the other side of its plates, background between metal and frame does not.
        score = butts[0].score + (1.5 if opposite_run(shape.points, butts[0].first, plates) else -2.0)
        return Structure("butt", (full,), butts=tuple(butts), score=score)
    return None


def _carries(shape: Shape, plates: list[Run], pair: ButtPair) -> bool:
    """Tell whether a plate lies between those of a pair, and no bead."""
    back = opposite_run(shape.points, pair.first, plates)
    thickness = None
    if back is not None:
        thickness = -float(pair.first.line.offset(shape.points[back.indices(len(shape.points))[[0, -1]]]).mean())
    return carries_plate(shape.points, pair.first, pair.second, plates, thickness)


def _rests_on_facet(shape: Shape, plates: list[Run], pair: ButtPair) -> bool:
    """Tell whether one plate of a pair is a facet of its bead, the plate's own surface being short or not seen."""
    ends = ((pair.first, pair.beyond_first), (pair.second, pair.beyond_second))
    return any(
        beyond is None and is_facet(plate, opposite_run(shape.points, plate, plates), pair.width)
        for plate, beyond in ends
    )


def _at_tapers(shape: Shape, plates: list[Run], pair: ButtPair, rise: float) -> ButtPair:
    extent = diagonal(shape.points)

    def pairing(first: Run, second: Run) -> ButtPair | None:
        if abs(turn_deg(first.line, second.line)) > BUTT_TURN_DEG:
            return None
        # A taper has its plate behind it, however short it is.
        return butt_between(shape.points, shape.cut, first, second, True, rise, extent, shortest_plate=0.0)

    return beside_tapers(shape.points, plates, pair, pairing, shape.tolerance, shape.detail.step_mm)


def _bridged(shape: Shape, *, closed: bool) -> list[Run]:
    """Return the runs of a shape, those of one surface as one across spatter and pits."""
    gap = min(2.5, 0.05 * diagonal(shape.points))
    return bridged_runs(shape.points, shape.runs, closed=closed, gap=gap, height=0.6 * gap, level=2.0 * shape.tolerance)


def _lapped(shape: Shape, smallest_leg: float) -> Structure | None:
    """Return the laps of an open outline whose edge shows as a jump, None where none does."""
    noise = shape.detail.noise_mm
    std = np.full(len(shape.points), noise) if shape.std_mm is None else shape.std_mm
    edges = unseen_edges(shape.points, shape.runs, std, noise, shape.detail.step_mm)
    if not edges:
        return None
    pairs = fillet_pairs(shape.points, shape.cut, shape.runs, closed=False, smallest_leg=smallest_leg)
    told = [(edge, pair) for edge in edges if edge.seen for pair in pairs if _on_edge(pair, edge)]
    rest = tuple(edge for edge in edges if all(edge is not other for other, _ in told))
    return Structure("lap", (shape,), fillets=tuple(pair for _, pair in told), lapped=rest)


def _on_edge(pair: FilletPair, edge: UnseenEdge) -> bool:
    """Tell whether a pair lies between the lower plate and what is seen of the upper one's edge."""
    lower, upright = (pair.second, pair.first) if edge.upper_first else (pair.first, pair.second)
    same = (lower.start, lower.stop) == (edge.lower.start, edge.lower.stop)
    return same and is_edge(upright, edge)


def is_plate(shape: Shape, runs: list[Run], pair: FilletPair) -> bool:
    """Tell whether one member of a pair shows its other side: a plate has two surfaces."""
    return any(opposite_run(shape.points, run, runs) is not None for run in (pair.first, pair.second))


def straight_share(shape: Shape) -> float:
    length = float(step_lengths(shape.points).sum())
    return sum(run.length for run in shape.runs) / max(length, 1e-9)


def long_share(shape: Shape) -> float:
    extent = diagonal(shape.points)
    length = float(step_lengths(shape.points).sum())
    return sum(run.length for run in shape.runs if run.length > 0.1 * extent) / max(length, 1e-9)


def _recognise_open(shapes: tuple[Shape, ...]) -> Structure | None:
    first, second = shapes
    direction = second.points.mean(axis=0) - first.points.mean(axis=0)
    length = float(np.hypot(*direction))
    if length == 0:
        return None
    # The members' own axis, not the line between their centres: hi-lo and length differ.
    runs = [run for run in first.runs if not run.cut]
    if not runs:
        return None
    aligned = [run for run in runs if abs(run.line.direction @ direction) / length > 0.7]
    if not aligned:
        return None
    longest = max(aligned, key=lambda run: run.length)
    axis = longest.line.direction * np.sign(longest.line.direction @ direction)
    # A surface that a speck parts in two is one: its far piece alone would make the near one a part of the end.
    found = members(
        (first.points, first.cut, _bridged(first, closed=True)),
        (second.points, second.cut, _bridged(second, closed=True)),
        axis,
    )
    if found is None:
        return None
    joint = open_joint(*found)
    if joint is None:
        return None
    # Two members that fit each other are no chance: they outrank what one of them shows by itself (a J's radius).
    return Structure("groove", shapes, joint=joint, score=joint.score + 3.0)


def _wander(fits: Mapping[Run, LineFit], length_mm: float, *, closed: bool) -> float:
    """Return the middle of how far surfaces wander that stray as one piece over a length.

    On an open line the lower of two middle ones: a face that is nearly straight can be among the longest surfaces.
    """
    found = sorted(
        fit.waviness / seen_of_wander(run.length, length_mm) if closed else fit.waviness for run, fit in fits.items()
    )
    if not found:
        return 0.0
    return median(found) if closed else found[(len(found) - 1) // 2]


def with_wander_told(structure: Structure, *, closed: bool) -> Structure:
    """Put how far the long surfaces wander into the detail of each shape."""
    lines = [longest_lines(shape.points, shape.runs, shape.detail) for shape in structure.shapes]
    length = SHORTEST_WANDER_MM
    if closed:
        length = max(
            wander_length_mm(shape.points, fits, shape.detail)
            for shape, fits in zip(structure.shapes, lines, strict=True)
        )
    wander = max(_wander(fits, length, closed=closed) for fits in lines)
    shapes = tuple(
        replace(shape, detail=replace(shape.detail, wander_mm=wander, wander_length_mm=length, lines=fits))
        for shape, fits in zip(structure.shapes, lines, strict=True)
    )
    return replace(structure, shapes=shapes)
