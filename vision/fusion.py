"""The inside of each weld of an etched section: fusion line, heat-affected zone, gap behind the root.

A line is proposed on a reduced picture, tested, and then moved to the boundary at full resolution; where the
test does not support it none is claimed, and the reason is kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Line, Points, arc_length
from vision import fusion_frame, weld_metal
from vision.fusion_choice import Window, choose, own_clicks
from vision.fusion_frame import Frame
from vision.fusion_gap import Seam, blackout, find_seam
from vision.fusion_haz import haz_widths
from vision.fusion_line import SEEN, Found, FusionLine, Inside, Side
from vision.fusion_proposal import CLICK_STD_PX, TEXTURE, Candidate
from vision.fusion_refine import refined
from vision.fusion_sheet import reduced_sheet
from vision.pores import find_spots
from vision.section import Flag, Section, WeldSurface

if TYPE_CHECKING:
    from vision.find import FoundWeld, FoundWelds
    from vision.marks import Pixel, WeldMarks

Gray = NDArray[np.uint8]

REACH_MM = 0.35
MOST_REACH_PX = 24.0
TEXTURE_STD_MM = 0.2
PORE_SIZE_MM = 0.2
LEAST_SHOWN = 0.9
"""A line that the etch shows over less than this share is flagged."""


def look_inside(
    gray: Gray,
    found: FoundWelds,
    calibration: Calibration,
    marks: Sequence[WeldMarks] | None = None,
    *,
    pore_size_mm: float = PORE_SIZE_MM,
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
    """
    clicks = _clicks_of(found, marks or ())
    welds = []
    for weld, pixels in zip(found.welds, clicks, strict=True):
        if weld.section.face is None:
            welds.append(weld)
            continue
        inside, flags = _inside(gray, found.outline_px, weld.section, calibration, pixels)
        inside = _with_spots(gray, found.outline_px, weld.section, inside, calibration, pore_size_mm)
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
) -> Inside:
    """Return the inside with the pores and inclusions in its weld metal; without a line there is none to look in."""
    if not inside.lines:
        return replace(inside, pore_size_mm=smallest_mm)
    rings = [calibration.to_px(ring) for ring in weld_metal.outlines(section, inside.lines)]
    surfaces = [np.vstack([outline, outline[:1]]) for outline in outlines_px]
    margin = 2.0 + 2.5 * section.blur_mm / section.resolution_mm
    spots = find_spots(gray, rings, surfaces, calibration, smallest_mm, margin_px=margin)
    return replace(inside, indications=spots, pore_size_mm=smallest_mm)


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


def _inside(
    gray: Gray, outlines_px: Sequence[Points], section: Section, calibration: Calibration, clicks: Sequence[Pixel]
) -> tuple[Inside, tuple[Flag, ...]]:
    surface = section.face
    if surface is None:
        raise ValueError("a weld face is needed")
    chord = float(np.hypot(*(surface.toe_right - surface.toe_left)))
    pixel = section.resolution_mm
    step = max(pixel, 0.008 * chord)
    seam = find_seam(gray, section, calibration)
    reach = 0.6 * chord
    frames = {"whole": fusion_frame.toe_to_toe(surface, section.root, reach, step)}
    if section.root is None:
        frames |= _through_frames(section, surface, 0.35 * chord, step)
        if section.root_side is not None:
            frames["root side"] = fusion_frame.toe_to_toe(section.root_side, None, reach, step, air=-1)
    root_px = None if section.root is None else calibration.to_px(section.root[None])[0]
    corners = np.vstack([frame.points[:, [0, -1]].reshape(-1, 2) for frame in frames.values()])
    sheet = reduced_sheet(
        gray,
        outlines_px,
        calibration.to_px(corners),
        step / pixel,
        edge_px=2.0 + 2.5 * section.blur_mm / pixel,
        spot_px=0.2 * chord / pixel,
        core_px=calibration.to_px(_core(section, surface)),
        seams_px=blackout(seam, calibration),
        root_px=root_px,
    )
    marked, off = _on_frames(
        calibration.to_mm(np.array(clicks, float).reshape(-1, 2)), frames, 2 * CLICK_STD_PX * pixel
    )
    window = Window(gray, calibration, section, sheet, marked)
    gap: Found | str = "no open gap shows behind the root" if seam is None else seam.width
    chosen = choose(window, frames)
    if isinstance(chosen, str):
        return Inside((), chosen, chosen, chosen, gap), off
    lines = tuple(_line(window, side, candidate) for side, candidate in chosen.items())
    haz = haz_widths(window.sheet, lines, section, calibration)
    flags = _flags(window, lines, seam)
    hollow = bool(window.sheet.hollow.any()) and not len(marked)
    return Inside(lines, None, haz.left, haz.right, gap, haz_mm=haz.lines_mm, hollow_root=hollow), flags + off


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


def _line(window: Window, side: Side, candidate: Candidate) -> FusionLine:
    """Return the claimed line at full resolution, or a person's line where the picture does not support one."""
    calibration, pixel = window.calibration, window.section.resolution_mm
    clicks = own_clicks(window.section, side, window.clicks_mm)
    confidence = candidate.support.confidence
    if not candidate.holds:
        points = _through_clicks(candidate, clicks)
        std = np.full(len(points), CLICK_STD_PX * pixel)
        return FusionLine(side, points, calibration.to_px(points), std, np.zeros(len(points)), marked=True)
    coarse_px = calibration.to_px(_tied(candidate))
    if candidate.channel == TEXTURE:
        std = np.full(len(coarse_px), TEXTURE_STD_MM)
        return FusionLine(side, candidate.points_mm, coarse_px, std, confidence, marked=len(clicks) > 0)
    frame = candidate.frame
    row = len(coarse_px) // 2
    outwards = np.diff(calibration.to_px(frame.points[row, [0, -1]]), axis=0)[0]
    along = coarse_px[min(row + 3, len(coarse_px) - 1)] - coarse_px[max(row - 3, 0)]
    outside = 1.0 if along[0] * outwards[1] - along[1] * outwards[0] > 0 else -1.0
    reach = float(np.clip(REACH_MM / pixel, 4.0, MOST_REACH_PX))
    line = refined(
        window.gray, window.sheet, coarse_px, float(np.sign(candidate.support.step)), reach, pixel, outside=outside,
        anchors=(frame.first is not None, frame.last is not None),
    )  # fmt: skip
    points = calibration.to_mm(line.points_px)
    share = arc_length(coarse_px) / max(float(arc_length(coarse_px)[-1]), 1e-9)
    at = arc_length(line.points_px) / max(float(arc_length(line.points_px)[-1]), 1e-9)
    return FusionLine(
        side, points, line.points_px, line.std_px * pixel, np.interp(at, share, confidence), marked=len(clicks) > 0
    )


def _tied(candidate: Candidate) -> Points:
    """Return a path whose known ends lie on their toes, (I, 2) mm."""
    points, frame = candidate.points_mm.copy(), candidate.frame
    for row, end in ((0, frame.first), (-1, frame.last)):
        if end is not None:
            low = int(np.clip(np.floor(end), 0, frame.points.shape[1] - 2))
            points[row] = (1 - end + low) * frame.points[row, low] + (end - low) * frame.points[row, low + 1]
    return points


def _through_clicks(candidate: Candidate, clicks: Points) -> Points:
    """Return a line from end to end through a person's points, in the order in which the frame's rows pass them."""
    frame = candidate.frame
    flat = frame.points
    rows = [int(np.argmin(np.min(np.hypot(*np.moveaxis(flat - click, 2, 0)), axis=1))) for click in clicks]
    knots = [candidate.points_mm[0], *clicks[np.argsort(rows, kind="stable")], candidate.points_mm[-1]]
    along = arc_length(np.array(knots))
    at = np.linspace(0.0, float(along[-1]), 200)
    return np.column_stack([np.interp(at, along, np.array(knots)[:, k]) for k in (0, 1)])


def _flags(window: Window, lines: Sequence[FusionLine], seam: Seam | None) -> tuple[Flag, ...]:
    flags = []
    if len(window.clicks_mm):
        led = all(line.confidence.any() for line in lines)
        how = "the path follows the picture between them" if led else "the etch does not show it, it is taken as given"
        flags.append(Flag("fusion_marked", f"a person marked the fusion line; {how}"))
    shown = float(np.mean(np.concatenate([line.confidence for line in lines]) >= SEEN))
    if shown < LEAST_SHOWN and any(line.confidence.any() for line in lines):
        flags.append(Flag("fusion_faint", f"the etch shows only {100 * shown:.0f} % of the fusion line clearly"))
    if window.sheet.hollow.any():
        text = "a dark hollow lies at the root, fusion may lack there; mark the line to measure the root"
        flags.append(Flag("hollow_root", text))
    return tuple(flags)
