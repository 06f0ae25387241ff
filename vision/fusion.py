"""The inside of each weld of an etched section: fusion line, heat-affected zone, gap behind the root.

A line is proposed on a reduced picture, tested, and then moved to the boundary at full resolution; where the
test does not support it none is claimed, and the reason is kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Line, Points, distance
from core.medians import median
from vision import fusion_frame, weld_metal
from vision.fusion_choice import Choice, Window, choose, weakest
from vision.fusion_claim import claimed
from vision.fusion_frame import Frame
from vision.fusion_gap import Seam, blackout, find_seam
from vision.fusion_haz import haz_widths, without_other_lines
from vision.fusion_line import SEEN, Found, FusionLine, Inside
from vision.fusion_meeting import Meeting, ending_at, meeting, plate_between
from vision.fusion_proposal import CLICK_STD_PX
from vision.fusion_sheet import Sheet, reduced_sheet
from vision.pores import find_spots
from vision.section import Flag, Section, WeldSurface
from vision.tone import ToneCurve

if TYPE_CHECKING:
    from vision.found import FoundWeld, FoundWelds
    from vision.marks import Pixel, WeldMarks

Gray = NDArray[np.uint8]

PORE_SIZE_MM = 0.2
TO_ROOT = 0.65
"""Where rays that look for what lies deep behind the root start, on the way from the chord's middle to the root."""
CLEAR = 6.0
"""Where some stretch of a line is less clear it is looked for from nearer to the root, too: it may cut off a finger."""
SAME_MM = 0.3
"""Lines of one boundary that were found from two places lie no farther apart than this, along most of them."""
NEAR_MM = 1.2
NEAR = (
    "the fusion lines of two welds come so near to each other that the etch does not tell whether they have met; "
    "etch the section better, or mark the line"
)
"""Lines that come nearer than this to each other are no longer told apart with certainty."""
STAINED = (
    "over {:.0f} % of the fusion line the metal on one of its sides has a tone of its own, as a stain has: the line "
    "was led straight across there; clean the section and etch it again, or mark the line"
)
LEAST_SHOWN = 0.9
"""A line that the etch shows over less than this share is flagged."""


def look_inside(
    gray: Gray,
    found: FoundWelds,
    calibration: Calibration,
    marks: Sequence[WeldMarks] | None = None,
    *,
    pore_size_mm: float = PORE_SIZE_MM,
    curve: ToneCurve = "linear",
) -> FoundWelds:
    """Return the welds with what the etch shows inside them.

    Parameters
    ----------
    gray
        (H, W) uint8, the whole picture.
    calibration
        That of the whole picture.
    marks
        A person's points on fusion lines lead the search of the weld they lie next to.
    pore_size_mm
        Equivalent diameter from which pores and inclusions are listed.
    curve
        How the picture stores light.
    """
    clicks = _clicks_of(found, marks or ())
    looked = [
        None if weld.section.face is None else _looked(gray, found.outline_px, weld.section, calibration, pixels)
        for weld, pixels in zip(found.welds, clicks, strict=True)
    ]
    met = _met(looked, gray, found.outline_px)
    insides = _near_marked(_with_own_zones([None if one is None else _inside(one) for one in met]), found)
    welds = []
    for weld, pair in zip(found.welds, insides, strict=True):
        if pair is None:
            welds.append(weld)
            continue
        inside, flags = pair
        inside = _with_spots(gray, found.outline_px, weld.section, inside, calibration, pore_size_mm, curve)
        inside = _with_walls(inside, weld, found, calibration, marks or ())
        section = replace(weld.section, inside=inside, flags=weld.section.flags + flags)
        welds.append(replace(weld, section=section, flags=weld.flags + flags))
    return replace(found, welds=tuple(welds))


def _with_spots(
    gray: Gray,
    outlines_px: Sequence[Points],
    section: Section,
    inside: Inside,
    calibration: Calibration,
    smallest_mm: float,
    curve: ToneCurve,
) -> Inside:
    """Return the inside with the pores and inclusions in its weld metal; without a line there is none to look in."""
    if not inside.lines:
        return replace(inside, pore_size_mm=smallest_mm)
    rings = [calibration.to_px(ring) for ring in weld_metal.outlines(section, inside.lines)]
    surfaces = [np.vstack([outline, outline[:1]]) for outline in outlines_px]
    blur = section.blur_mm / section.resolution_mm
    spots = find_spots(
        gray, rings, surfaces, calibration, smallest_mm, margin_px=2.0 + 2.5 * blur, curve=curve, blur_px=blur
    )
    return replace(inside, indications=spots, pore_size_mm=smallest_mm)


def _with_walls(
    inside: Inside, weld: FoundWeld, found: FoundWelds, calibration: Calibration, marks: Sequence[WeldMarks]
) -> Inside:
    """Return the inside of a butt weld with the side walls of its groove that a person marked nearest to it."""
    walls: dict[str, Points] = {}
    for mark in marks:
        for side, wall in (("left", mark.wall_left), ("right", mark.wall_right)):
            if wall and weld.section.root is None:
                distance = [_middle_distance(other, np.mean(wall, axis=0)) for other in found.welds]
                if found.welds[int(np.argmin(distance))] is weld:
                    walls[side] = calibration.to_mm(np.array(wall))
    return replace(inside, walls_mm=walls, wall_std_mm=CLICK_STD_PX * weld.section.resolution_mm)


def _clicks_of(found: FoundWelds, marks: Sequence[WeldMarks]) -> list[list[Pixel]]:
    """Give each marked line to the weld whose points lie nearest to its middle."""
    clicks: list[list[Pixel]] = [[] for _ in found.welds]
    for mark in marks:
        if not mark.fusion or not found.welds:
            continue
        middle = np.mean(mark.fusion, axis=0)
        distance = [_middle_distance(weld, middle) for weld in found.welds]
        clicks[int(np.argmin(distance))] += mark.fusion
    return clicks


def _middle_distance(weld: FoundWeld, point: Points) -> float:
    if not weld.points_px:
        return float("inf")
    return float(np.hypot(*(np.mean(list(weld.points_px.values()), axis=0) - point)))


_Told = tuple[Inside, tuple[Flag, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """What was made of one weld: where its lines may lie, which were chosen, the gap, and where it meets another."""

    window: Window
    frames: Mapping[str, Frame]
    choice: Choice
    seam: Seam | None
    flags: tuple[Flag, ...]
    met: Meeting | None = None
    between: Literal["left", "right"] | None = None


def _looked(
    gray: Gray, outlines_px: Sequence[Points], section: Section, calibration: Calibration, clicks: Sequence[Pixel]
) -> _Looked:
    surface, chord = _face(section)
    pixel = section.resolution_mm
    step = max(pixel, 0.008 * chord)
    seam = find_seam(gray, section, calibration)
    reach = 0.6 * chord
    frames = {"whole": fusion_frame.toe_to_toe(surface, section.root, reach, step)}
    if section.root is None:
        frames |= _through_frames(section, surface, 0.35 * chord, step)
        if section.root_side is not None:
            frames["root side"] = fusion_frame.toe_to_toe(section.root_side, None, reach, step, air=-1)
    sheet = _sheet(gray, outlines_px, section, calibration, frames, seam)
    marked, off = _on_frames(
        calibration.to_mm(np.array(clicks, float).reshape(-1, 2)), frames, 2 * CLICK_STD_PX * pixel
    )
    window = Window(gray, calibration, section, sheet, marked)
    choice = choose(window, frames)
    if section.root is not None and weakest(choice) < CLEAR:
        # A narrow finger of weld metal behind the root is seen from nearer by: its sides are too steep from afar.
        nearer = {"whole": fusion_frame.toe_to_toe(surface, section.root, reach, step, to_root=TO_ROOT)}
        closer = choose(window, nearer)
        held = all(candidate.holds for candidate in closer.lines.values())
        if held and weakest(closer) > weakest(choice) and _of_one_boundary(choice, closer):
            frames, choice = nearer, closer
    return _Looked(window, frames, choice, seam, off)


def _of_one_boundary(choice: Choice, closer: Choice) -> bool:
    """Tell whether a line that was found from nearer is that of the boundary found before, but for a finger of it."""
    before, now = choice.likeliest.get("whole"), closer.likeliest.get("whole")
    if before is None or now is None or not (before.is_weld_metal and before.shows):
        return True
    away = np.hypot(*np.moveaxis(now.points_mm[:, None] - before.points_mm[None], 2, 0)).min(axis=1)
    return median(away) < SAME_MM


def _face(section: Section) -> tuple[WeldSurface, float]:
    """Return the face that a weld was found by, and its width in mm."""
    if section.face is None:
        raise ValueError("a weld face is needed")
    return section.face, distance(section.face.toe_right, section.face.toe_left)


def _sheet(
    gray: Gray,
    outlines_px: Sequence[Points],
    section: Section,
    calibration: Calibration,
    frames: Mapping[str, Frame],
    seam: Seam | None,
) -> Sheet:
    """Return the reduced picture of what some frames cover."""
    surface, chord = _face(section)
    pixel = section.resolution_mm
    corners = np.vstack([frame.points[:, [0, -1]].reshape(-1, 2) for frame in frames.values()])
    return reduced_sheet(
        gray,
        outlines_px,
        calibration.to_px(corners),
        next(iter(frames.values())).step_mm / pixel,
        edge_px=2.0 + 2.5 * section.blur_mm / pixel,
        spot_px=0.2 * chord / pixel,
        core_px=calibration.to_px(_core(section, surface)),
        seams_px=blackout(seam, calibration),
        root_px=None if section.root is None else calibration.to_px(section.root[None])[0],
    )


def _met(looked: Sequence[_Looked | None], gray: Gray, outlines_px: Sequence[Points]) -> list[_Looked | None]:
    """Return the welds, those of them that have run together with their lines ending where they meet."""
    found = list(looked)
    for first in range(len(found)):
        for second in range(first + 1, len(found)):
            pair = found[first], found[second]
            if pair[0] is None or pair[1] is None or pair[0].met is not None or pair[1].met is not None:
                continue
            likeliest = [one.choice.likeliest.get("whole") for one in pair if one is not None]
            if likeliest[0] is None or likeliest[1] is None:
                continue
            met = meeting((pair[0].window, pair[1].window), (likeliest[0], likeliest[1]))
            if met is not None:
                sections = pair[0].window.section, pair[1].window.section
                again = [
                    _ending_at(one, other, met, gray, outlines_px)
                    for one, other in ((pair[0], sections[1]), (pair[1], sections[0]))
                ]
                if all(one.choice.lines for one in again):
                    found[first], found[second] = again
    return found


def _with_own_zones(insides: Sequence[_Told | None]) -> list[_Told | None]:
    """Return what was found without limits of a heat-affected zone that are another weld's fusion line."""
    lines = [[] if pair is None else [line.points_mm[::4] for line in pair[0].lines] for pair in insides]
    told = list(insides)
    for number, pair in enumerate(insides):
        others = [points for other, own in enumerate(lines) if other != number for points in own]
        if pair is not None and others:
            told[number] = without_other_lines(pair[0], np.vstack(others)), pair[1]
    return told


def _near_marked(insides: Sequence[_Told | None], found: FoundWelds) -> list[_Told | None]:
    """Return what was found with a mark on welds whose lines come so near to each other that they may have met."""
    told = list(insides)
    for first in range(len(told)):
        for second in range(first + 1, len(told)):
            pair = told[first], told[second]
            if pair[0] is None or pair[1] is None or pair[0][0].between or pair[1][0].between:
                continue
            lines = [[line.points_mm[::8] for line in inside.lines] for inside, _ in (pair[0], pair[1])]
            sections = found.welds[first].section, found.welds[second].section
            if not lines[0] or not lines[1] or sections[0].root is None or sections[1].root is None:
                continue
            apart = np.hypot(*np.moveaxis(np.vstack(lines[0])[:, None] - np.vstack(lines[1])[None], 2, 0))
            if float(apart.min()) < NEAR_MM:
                for number, one, own, other in ((first, pair[0], *sections), (second, pair[1], *sections[::-1])):
                    inside = replace(one[0], near_neighbour=True, between=plate_between(own, other))
                    told[number] = inside, (*one[1], Flag("fusion_near", NEAR))
    return told


def _ending_at(one: _Looked, other: Section, met: Meeting, gray: Gray, outlines_px: Sequence[Points]) -> _Looked:
    """Return a weld looked into anew: its line ends where it meets another one, and no gap is left."""
    window = one.window
    root = window.section.root
    surface, chord = _face(window.section)
    reach, step = 0.6 * chord, one.frames["whole"].step_mm
    # The line leads along the plate between on its way to the other weld: seen from the root it is not seen edgewise.
    frames = {"whole": ending_at(fusion_frame.toe_to_toe(surface, root, reach, step, to_root=TO_ROOT), met)}
    window = replace(window, sheet=_sheet(gray, outlines_px, window.section, window.calibration, frames, None))
    choice = choose(window, frames)
    between = plate_between(window.section, other)
    return replace(one, window=window, frames=frames, choice=choice, seam=None, met=met, between=between)


def _inside(one: _Looked) -> tuple[Inside, tuple[Flag, ...]]:
    window, section, choice = one.window, one.window.section, one.choice
    gap: Found | str = "no open gap shows behind the root" if one.seam is None else one.seam.width
    if one.met is not None:
        gap = "the welds of both sides have run together: no gap is left between the plates"
    if choice.reason is not None:
        return Inside((), choice.reason, choice.reason, choice.reason, gap), one.flags
    lines = tuple(claimed(window, side, candidate, one.met) for side, candidate in choice.lines.items())
    haz = haz_widths(window.sheet, lines, section, window.calibration)
    flags = _flags(window, lines, one.met)
    hollow = bool(window.sheet.hollow.any()) and not len(window.clicks_mm)
    inside = Inside(lines, None, haz.left, haz.right, gap, haz_mm=haz.lines_mm, hollow_root=hollow, between=one.between)
    return inside, flags + one.flags


def _on_frames(clicks_mm: Points, frames: Mapping[str, Frame], reach_mm: float) -> tuple[Points, tuple[Flag, ...]]:
    """Return the points that lie where a line is looked for, with a flag when others do not."""
    if len(clicks_mm) == 0:
        return clicks_mm, ()
    places = np.vstack([frame.points[::2, ::2].reshape(-1, 2) for frame in frames.values()])
    near = np.array([float(np.min(np.hypot(*(places - click).T))) < reach_mm for click in clicks_mm])
    if near.all():
        return clicks_mm, ()
    text = (
        f"{np.count_nonzero(~near)} of {len(near)} points marked on the fusion line lie off the weld and are left out"
    )
    return clicks_mm[near], (Flag("mark_off_outline", text),)


def _core(section: Section, surface: WeldSurface) -> Points:
    """Return the outline of what is weld metal for certain: between a fillet's plates, under a butt weld's face."""
    left, right = surface.toe_left, surface.toe_right
    if section.root is not None:
        return np.array([section.root + 0.85 * (toe - section.root) for toe in (left, right)] + [section.root])
    chord = right - left
    into = np.array([chord[1], -chord[0]])
    return np.array([left + 0.3 * chord, left + 0.7 * chord, left + 0.6 * chord + 0.08 * into,
                     left + 0.4 * chord + 0.08 * into])  # fmt: skip


def _through_frames(section: Section, surface: WeldSurface, reach: float, step: float) -> dict[str, Frame]:
    """Return the frames of both sides of a weld that may go through the plate."""
    root_side = section.root_side
    frames: dict[str, Frame] = {}
    for side in ("left", "right"):
        opposite: Line | None = None
        toe: Points | None = None
        if root_side is not None:
            plate, toe = (
                (root_side.left, root_side.toe_left) if side == "left" else (root_side.right, root_side.toe_right)
            )
            opposite = plate.fit.line
        else:
            fit = section.opposite_left if side == "left" else section.opposite_right
            opposite = None if fit is None else fit.line
        if opposite is None:
            return {}
        frames[side] = fusion_frame.through(surface, opposite, side, toe, reach, step)
    return frames


def _flags(window: Window, lines: Sequence[FusionLine], met: Meeting | None) -> tuple[Flag, ...]:
    flags = []
    if len(window.clicks_mm):
        led = all(line.confidence.any() for line in lines)
        how = "the path follows the picture between them" if led else "the etch does not show it, it is taken as given"
        flags.append(Flag("fusion_marked", f"a person marked the fusion line; {how}"))
    stained = np.concatenate([line.led_across for line in lines])
    if stained.any():
        flags.append(Flag("fusion_stained", STAINED.format(100 * float(np.mean(stained)))))
    told = [line.confidence[line.own & ~line.led_across] for line in lines]
    shown = float(np.mean(np.concatenate(told) >= SEEN))
    if shown < LEAST_SHOWN and any(line.confidence.any() for line in lines):
        flags.append(Flag("fusion_faint", f"the etch shows only {100 * shown:.0f} % of the fusion line clearly"))
    if window.sheet.hollow.any():
        text = "a dark hollow lies at the root, fusion may lack there; mark the line to measure the root"
        flags.append(Flag("hollow_root", text))
    if met is not None:
        text = (
            f"the weld metal of both sides has run together over {met.length_mm:.1f} mm: the plate between is fused "
            "through; areas are divided where the fusion lines meet"
        )
        flags.append(Flag("fusion_meets", text))
    return tuple(flags)
