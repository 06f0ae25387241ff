"""Which lines a weld has: the paths that hold, and whether a butt weld goes through the plate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points
from core.medians import median
from vision.fusion_candidate import TEXTURE, Candidate
from vision.fusion_frame import Frame
from vision.fusion_line import Side
from vision.fusion_proposal import CLICK_STD_PX, propose
from vision.fusion_sheet import Sheet, window_px
from vision.section import Section

Gray = NDArray[np.uint8]

LEAST_TONE_LEVELS = 5.0
CLOSED = 3.0
"""A line from toe to toe whose weakest stretch is this clear closes below the weld: it does not go through."""
LEAST_OF_ROOT_SIDE = 40
"""Places in the metal under the chord of the root side that tell the tone of its weld."""
CROSSING_MM = 0.3
"""The lines of the welds of both sides that come nearer than this to each other do not close both of them."""


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What the search of one weld works on."""

    gray: Gray
    calibration: Calibration
    section: Section
    sheet: Sheet
    clicks_mm: Points

    def to_px(self, points_mm: Points) -> Points:
        """Return points in the picture, whatever their shape (..., 2)."""
        return window_px(self.calibration, points_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """The lines of a weld by side, or why there are none; and the likeliest paths, claimed or not."""

    lines: dict[Side, Candidate]
    reason: str | None
    likeliest: dict[Side, Candidate]


def choose(window: Window, frames: Mapping[str, Frame]) -> Choice:
    """Return the lines to claim, or why there are none.

    A butt weld either goes through (two lines from face to root side) or does not (one line from toe to toe, and
    one on the root side if that is welded). Where both readings hold, the tone of the deepest place tells; where that
    does not, a line from toe to toe that is clear all along closes the weld. Lines of both sides that cross close
    neither. What needs no other line looks for none. Where a line closes the weld of the face and nothing shows that
    of the root side, that one line is claimed.
    """
    sides = _proposals(window, frames, ("left", "right"))
    through = _reading(window, sides, ("left", "right"))
    by_tone = None if through is None else _through_by_tone(window, sides)
    if through is not None and by_tone is True:
        return Choice(through, None, through)
    names: list[Side] = ["whole", "root side"] if "root side" in frames else ["whole"]
    closed = _proposals(window, frames, names)
    whole = _reading(window, closed, names)
    if whole is not None and _cross(whole):
        whole = None
    if whole is None and through is None:
        alone = _alone(window, closed, names)
        return Choice({}, _refusal(list(closed.values())), closed) if alone is None else Choice(alone, None, alone)
    if whole is None or (
        through is not None and by_tone is None and min(_weakest(candidate) for candidate in whole.values()) < CLOSED
    ):
        return Choice(sides, None, closed)
    return Choice(whole, None, closed)


def _proposals(window: Window, frames: Mapping[str, Frame], names: Sequence[Side]) -> dict[Side, Candidate]:
    """Return the likeliest path on each of some frames, as far as there are such frames and paths."""
    std = CLICK_STD_PX * window.section.resolution_mm
    found: dict[Side, Candidate] = {}
    for name in names:
        if name in frames:
            clicks = own_clicks(window.section, name, window.clicks_mm)
            sheet = _of_root_side(window) if name == "root side" else window.sheet
            candidate = propose(frames[name], sheet, window.calibration, clicks, std)
            if candidate is not None:
                found[name] = candidate
    return found


def _alone(window: Window, closed: dict[Side, Candidate], names: Sequence[Side]) -> dict[Side, Candidate] | None:
    """Return the line of the face side where it closes that weld and the one on the root side does not show."""
    whole, other = closed.get("whole"), closed.get("root side")
    if "root side" not in names or whole is None or len(window.clicks_mm) or (other is not None and other.holds):
        return None
    return {"whole": whole} if whole.holds and _weakest(whole) >= CLOSED else None


def _of_root_side(window: Window) -> Sheet:
    """Return the sheet with the tone of what is weld metal of the root side for certain: an etch may be uneven."""
    surface = window.section.root_side
    if surface is None:
        return window.sheet
    left, chord = surface.toe_left, surface.toe_right - surface.toe_left
    into = np.array([-chord[1], chord[0]])
    along, deep = np.linspace(0.3, 0.7, 41), np.linspace(0.0, 0.08, 9)
    levels = tones(window, left + along[:, None, None] * chord + deep[None, :, None] * into)
    return window.sheet if len(levels) < LEAST_OF_ROOT_SIDE else replace(window.sheet, core_level=median(levels))


def _cross(lines: Mapping[Side, Candidate]) -> bool:
    """Tell whether the lines of the face side and of the root side come so near to each other that they cross."""
    if "root side" not in lines:
        return False
    first, second = (lines[side].points_mm for side in ("whole", "root side"))
    return float(np.min(np.hypot(*np.moveaxis(first[:, None] - second[None], 2, 0)))) < CROSSING_MM


def _reading(window: Window, proposals: dict[Side, Candidate], names: Sequence[Side]) -> dict[Side, Candidate] | None:
    """Return the proposals when there is one of each name that the picture, or a person's clicks, support."""
    marked = len(window.clicks_mm) > 0
    held = all(name in proposals and (proposals[name].holds or marked) for name in names)
    return proposals if held else None


def own_clicks(section: Section, side: str, clicks: Points) -> Points:
    """Return the points that a person put on the line of one side, (N, 2): those nearer to it than to its partner."""
    face, root_side = section.face, section.root_side
    if len(clicks) == 0 or face is None or section.root is not None:
        return clicks
    if side in ("left", "right"):
        across = face.toe_right - face.toe_left
        beyond = (clicks - 0.5 * (face.toe_left + face.toe_right)) @ across
        return np.asarray(clicks[beyond < 0 if side == "left" else beyond >= 0])
    if root_side is None:
        return clicks
    middles = [0.5 * (surface.toe_left + surface.toe_right) for surface in (face, root_side)]
    distance = [np.hypot(*(clicks - middle).T) for middle in middles]
    nearer = distance[0] <= distance[1]
    return np.asarray(clicks[nearer if side == "whole" else ~nearer])


def weakest(choice: Choice) -> float:
    """Return the confidence of the weakest stretch of the lines that are claimed, below all others where none is."""
    return min((_weakest(candidate) for candidate in choice.lines.values()), default=-math.inf)


def _weakest(candidate: Candidate) -> float:
    """Return the confidence of the weakest stretch of a path, a fourteenth of it long."""
    confidence = candidate.support.confidence
    length = max(3, len(confidence) // 14)
    return float(np.min(np.convolve(confidence, np.ones(length) / length, mode="valid")))


def _through_by_tone(window: Window, proposals: Mapping[Side, Candidate]) -> bool | None:
    """Tell whether a butt weld goes through: whether its deepest place has the tone of its weld metal.

    Both readings share the line's upper part: there the tone outside it is taken, and that of parent metal
    farther out. None where these tones do not tell.
    """
    sides = [proposals["left"], proposals["right"]]
    beside_line: dict[str, list[NDArray[np.float32]]] = {"zone": [], "parent": []}
    for candidate in sides:
        rows = slice(len(candidate.stations) // 10, len(candidate.stations) // 3)
        points = candidate.frame.points[rows]
        stations = np.rint(candidate.stations[rows]).astype(int)
        for name, (first, last) in {"zone": (0.2, 0.7), "parent": (2.5, 3.5)}.items():
            offsets = np.unique(np.rint(np.linspace(first, last, 8) / candidate.frame.step_mm).astype(int))
            at = np.clip(stations[:, None] + offsets, 0, points.shape[1] - 1)
            beside_line[name].append(tones(window, np.take_along_axis(points, at[..., None], axis=1)))
    beside = [np.concatenate(beside_line[name]) for name in ("zone", "parent")]
    if min(len(levels) for levels in beside) == 0:
        return False
    zone, parent = (median(levels) for levels in beside)
    weld = window.sheet.core_level
    scale = min(abs(weld - zone), abs(weld - parent))
    margin = min(
        (min(abs(there - zone), abs(there - parent)) - abs(there - weld) for there in _tones_below(window, sides)),
        default=0.0,
    )
    if scale > LEAST_TONE_LEVELS and abs(margin) > 0.4 * scale:
        return margin > 0
    return None


def _tones_below(window: Window, sides: Sequence[Candidate]) -> list[float]:
    """Return the tones of patches under each other where a weld that does not go through leaves parent metal.

    From one side that is near the root side, from two sides somewhere about the middle of the thickness.
    """
    tops = np.mean([candidate.points_mm[0] for candidate in sides], axis=0)
    # Rows of the frame start square below each other: the foot below a toe lies as far along the last row.
    feet = np.mean([c.frame.points[-1, 0] + (c.points_mm[0] - c.frame.points[0, 0]) for c in sides], axis=0)
    depth = float(np.hypot(*(feet - tops)))
    first, last = (0.3, 0.75) if window.section.root_side is not None else (0.8, 0.97)
    width, height = np.linspace(-0.8, 0.8, 21), np.linspace(-0.4, 0.4, 9)
    down = (feet - tops) / depth
    across = np.array([-down[1], down[0]])
    found = []
    for at in np.arange(first * depth, last * depth - 0.3, 0.4):
        patch = tops + (at + height[:, None, None]) * down + width[None, :, None] * across
        levels = tones(window, patch)
        if len(levels) > 0.2 * width.size * height.size:
            found.append(median(levels))
    return found


def tones(window: Window, points_mm: Points) -> NDArray[np.float32]:
    """Return the grey levels at points (..., 2) that lie in metal."""
    places = window.sheet.at(window.to_px(points_mm))
    return np.asarray(places.tone[places.metal > 0], np.float32)


def _refusal(proposals: Sequence[Candidate]) -> str:
    if not proposals:
        return "too little metal shows round the weld to look for a fusion line"
    worst = min(proposals, key=lambda candidate: candidate.support.seen)
    what = "texture" if worst.channel == TEXTURE else "tone"
    return (
        f"the etch shows no fusion line: along the likeliest one the {what} stands clear of the grain over only "
        f"{100 * worst.support.seen:.0f} % of its length; etch and light the section better, or mark the line"
    )
