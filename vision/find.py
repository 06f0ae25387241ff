"""From a calibrated picture to the welds in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.errors import NothingMeasurable
from core.geometry import Points
from vision import applied_marks
from vision.candidates import (
    Candidate,
    candidates_of,
    coarse_shape,
    is_another,
    is_ground_of,
    with_light_evened,
    within_those,
)
from vision.cut_out import redrawn
from vision.edge_of_metal import is_lost_in_shadow
from vision.followed import across_lost, follow_outlines, without_side_bands
from vision.found import FoundWelds, all_flagged, flagged, together
from vision.marks import WeldMarks
from vision.outline import MOST_UNSHARP
from vision.rule_beside import RuleEdge, differing, edge_along, rule_edges, without_rule
from vision.rule_for_plate import TicksAlong, ruled_lines, ticks_along, without_rules
from vision.ruling import Ruling, find_ruling
from vision.search_window import shifted, window_of
from vision.section import Flag
from vision.segmentation import OF_ONE_TONE, ReducedPicture, proposals, reduce_picture, silhouettes
from vision.sharp_edges import OF_SHARP_EDGES, sharp_splits
from vision.side_band import LONG_SIDE_PX as SIDE_BAND_LONG_SIDE_PX
from vision.spatter_outline import beside_drops
from vision.structure import JointChoice, Shape
from vision.tone import ToneCurve
from vision.within_outlines import welds_in

MOST_EDGES = 4
"""Edges of rules that the picture is looked at without."""

ANOTHER_SECTION = (
    "another piece in the picture looks like a section with a weld, too, and was not measured; give --region around "
    "each in turn"
)
RULE_LEFT_OUT = (
    "a rule lies against the section and was left out: what touches it has no edge of its own; look at the outline, "
    "and lay the rule a few millimetres off"
)
RULE_TAKEN_IN = (
    "a rule lies against the section and may have been taken for a part of it; look at the outline, and lay the rule a "
    "few millimetres off"
)
RULE_FOR_PLATE = (
    "a rule lies over the section, and its edge was taken for the surface of a plate; lay the rule beside the section, "
    "a few millimetres off, or give --region around the weld without it"
)
RIM_OF_SHADOW = (
    "{:.0f} % of the outline around the section is half as sharp as the rest, as the rim of a shadow is; look at the "
    "overlay, and light the section from both sides"
)
SHADOW_BESIDE = (
    "a shadow about as dark as the metal lies beside the section: its outline was led along the sharp edges, and "
    "straight across where none is seen; look at the outline, and light the section from both sides"
)


def find_welds(
    gray: NDArray[np.uint8],
    calibration: Calibration,
    *,
    joint: JointChoice = "auto",
    region: tuple[int, int, int, int] | None = None,
    marks: Sequence[WeldMarks] | None = None,
    curve: ToneCurve = "linear",
    coarseness: float = 1.0,
) -> FoundWelds:
    """Find the section in a picture and the welds or the open joint in it.

    Parameters
    ----------
    gray
        (H, W) uint8.
    region
        (x, y, width, height) in pixels; the search stays inside.
    marks
        A person's toes and plate points; taken as given.
    curve
        On which curve the picture stores light.
    coarseness
        Pixels that hold one of what the edge is seen in: colours are often stored at half the size of brightness.

    Raises
    ------
    NothingMeasurable
        When no joint can be recognised, with what was seen instead.
    """
    x0, y0, window = window_of(gray, region)
    origin = np.array([x0, y0], float)
    ruling = find_ruling(window)
    window = window if ruling is None else ruling.gray
    reduced = reduce_picture(window)
    if float(np.ptp(np.percentile(reduced.gray, (1, 99)))) < 6:
        raise NothingMeasurable(
            "the picture shows no contrast that could be the edge of a section; check the light and the focus"
        )
    shift = calibration if not (x0 or y0) else shifted(calibration, origin)
    search = partial(
        _first_found,
        ruled=ruling is not None,
        calibration=shift,
        origin=origin,
        joint=joint,
        marks=marks,
        curve=curve,
        coarseness=coarseness,
    )
    evened = with_light_evened(reduced)
    splits = proposals(reduced, evened.gray)
    candidates = candidates_of(reduced, shift, joint, splits, evened)
    found, lost = search(window, reduced, ruling, candidates)
    tried = candidates
    # A mount on a bench looks like two plates, too: it ends the look for splits, and its section is in a later one.
    while found is None and (more := candidates_of(reduced, shift, joint, splits, evened)):
        found, also_lost = search(window, reduced, ruling, within_those(more, tried))
        lost, tried = lost or also_lost, tried + more
    # Only where a rim was seen: scratches and saw marks have sharp edges, too.
    if lost if found is None else found.unsharp > MOST_UNSHARP:
        within = candidates_of(reduced, shift, joint, sharp_splits(reduced.gray))
        sharper, _ = search(window, reduced, ruling, within)
        if sharper is not None and (found is None or sharper.unsharp < found.unsharp):
            found = all_flagged(sharper, Flag("shadow_beside", SHADOW_BESIDE))
    if found is not None and found.unsharp > MOST_UNSHARP:
        told = Flag("soft_outline", RIM_OF_SHADOW.format(100 * found.unsharp))
        welds = (w if any(f.code == told.code for f in w.flags) else flagged(w, told) for w in found.welds)
        found = replace(found, welds=tuple(welds))
    alone: FoundWelds | None = None
    ticks = ticks_along(window, shift)
    edges = list(islice(differing(_edges_of_rules(window, reduced, shift, candidates, found, ticks)), MOST_EDGES))
    for edge in edges:
        beside = without_rule(window, edge, ruling)
        without = reduce_picture(beside.gray)
        alone, _ = search(beside.gray, without, beside, candidates_of(without, shift, joint))
        alone = alone if alone is None or marks else without_rules(alone, edges, ticks, shift)
        if alone is not None:
            break
    found = alone or found
    if found is not None and edges:
        found = all_flagged(found, Flag("rule_beside", RULE_TAKEN_IN if alone is None else RULE_LEFT_OUT))
    seen = found if found is None or marks else without_rules(found, edges, ticks, shift)
    if seen is not None:
        return seen
    if found is not None:
        raise NothingMeasurable(RULE_FOR_PLATE)
    if marks:
        raise NothingMeasurable(
            "no outline of a section was found under the marks; give --region around the section or improve the light"
        )
    if lost:
        raise NothingMeasurable(
            "parts of the edge are lost in a shadow or a pattern of the metal's own tone beside it; light the section "
            "from both sides, lay it on plain paper of another tone, or give --marks with toes and plate points"
        )
    wanted = "weld or open joint" if joint == "auto" else {"groove": "open joint"}.get(joint, f"{joint} joint")
    raise NothingMeasurable(
        f"no {wanted} was recognised in the picture: two straight plate surfaces with a weld (or a gap) between them "
        "are needed; give --region around the section, --joint, or --marks with toes and plate points"
    )


def _edges_of_rules(
    window: NDArray[np.uint8],
    reduced: ReducedPicture,
    calibration: Calibration,
    candidates: Sequence[Candidate],
    found: FoundWelds | None,
    ticks: TicksAlong,
) -> Iterator[RuleEdge]:
    """Yield edges of rules: those taken for plates, then those that outlines run along."""
    around = next((shape for candidate in candidates for shape in candidate.structure.shapes), None)
    if found is not None and around is not None:
        for line, span_mm in ruled_lines(found, ticks):
            yield edge_along(window, line, span_mm, around, calibration)
    yield from rule_edges(window, _beside_rule(reduced, calibration, candidates, found), calibration)


def _beside_rule(
    reduced: ReducedPicture, calibration: Calibration, candidates: Sequence[Candidate], found: FoundWelds | None
) -> Iterator[Shape]:
    """Yield the coarse shapes that may hold a rule: what was seen as a joint, and where none was found every region."""
    for candidate in candidates if found is None else candidates[:1]:
        yield from candidate.structure.shapes
    for name, mask in islice(proposals(reduced), 2 if found is None else 0):
        shapes = (coarse_shape(outline, reduced, calibration) for outline in silhouettes(mask, reduced, name))
        yield from (shape for shape in shapes if shape is not None)


def _first_found(
    window: NDArray[np.uint8],
    reduced: ReducedPicture,
    ruling: Ruling | None,
    candidates: Sequence[Candidate],
    *,
    ruled: bool,
    calibration: Calibration,
    origin: Points,
    joint: JointChoice,
    marks: Sequence[WeldMarks] | None,
    curve: ToneCurve,
    coarseness: float,
) -> tuple[FoundWelds | None, bool]:
    """Return the welds of the first candidate that shows some, and whether parts of an edge were lost in a shadow."""
    follow = partial(follow_outlines, window, reduced, ruling, curve=curve)
    search = partial(welds_in, reduced, calibration, origin, joint=joint, marks=bool(marks), ruled=ruled)
    fine: ReducedPicture | None = None
    lost = False
    given_up: list[Candidate] = []

    def welds_of(candidate: Candidate) -> FoundWelds | None:
        nonlocal fine, lost
        # Drawn finer: a wall a few tenths of a millimetre wide is a few pixels there.
        fine = fine or reduce_picture(window, SIDE_BAND_LONG_SIDE_PX)
        of_one_tone = candidate.outlines[0].proposal.startswith(OF_ONE_TONE)
        crossed = any(outline.crossed is not None for outline in candidate.outlines)
        sharp = candidate.outlines[0].proposal.startswith(OF_SHARP_EDGES)
        drawn = candidate.outlines if crossed or sharp else redrawn(candidate.outlines, reduced)
        found: FoundWelds | None = None
        # What was cut off an outline may have been a weld: then there are more of them without.
        for outlines in dict.fromkeys((drawn, candidate.outlines)):
            looks = without_side_bands(outlines, (fine, reduced), marked=bool(marks))
            lost |= not looks
            for faces in looks:
                followed = [across_lost(outline) for outline in follow(faces)] if sharp else follow(faces)
                lost |= of_one_tone and any(map(is_lost_in_shadow, followed))
                lost |= any(outline.unsharp > MOST_UNSHARP for outline in followed)
                look = partial(search, faces, coarseness=coarseness)
                seen = look(followed)
                if seen is not None and not marks:
                    seen = beside_drops(seen, followed, look)
                if seen is not None:
                    found = seen if found is None or len(seen.welds) > len(found.welds) else found
                    break
                lost |= bool(faces.bands)
                if faces.flags and not faces.bands:  # face and band together
                    given_up.append(candidate)
        return found

    for candidate in candidates:
        if any(is_ground_of(candidate, section, reduced) for section in given_up):
            continue
        found = welds_of(candidate)
        if found is None:
            continue
        if marks:
            return applied_marks.apply(found, marks, calibration, origin), lost
        return _with_other_pieces(found, candidate, candidates, reduced, welds_of), lost
    return None, lost


def _with_other_pieces(
    found: FoundWelds,
    chosen: Candidate,
    candidates: Sequence[Candidate],
    reduced: ReducedPicture,
    welds_of: Callable[[Candidate], FoundWelds | None],
) -> FoundWelds:
    """Return what was found with the welds of other pieces that look like sections, too; told where they show none."""
    measured = [chosen]
    refused: list[Candidate] = []
    for other in candidates:
        if not all(is_another(other, one, reduced) for one in measured):
            continue
        # Where drops were left out of an outline, what they leave open is told for all welds of a picture at once.
        more = None if found.seen is not None else welds_of(other)
        if more is None or more.seen is not None:
            refused.append(other)
            continue
        measured.append(other)
        found = together(found, more)
    if any(all(is_another(other, one, reduced) for one in measured) for other in refused):
        return all_flagged(found, Flag("another_section", ANOTHER_SECTION))
    return found
