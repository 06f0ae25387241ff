"""An opened picture: its welds, found once, whose points can be moved and measured again in a moment.

Finding the outline of a picture takes a second, measuring a section some milliseconds. A session keeps what was
found; a person's points take the place of it one try after another, and nothing is written anywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.model import Calibration
from core.errors import NothingMeasurable
from core.fitting import LineFit
from core.geometry import Points
from core.quantity import Measured
from inspection.document import Entry
from inspection.moves import Moves, Pixel, movable, parse_moves, with_moves
from inspection.picture import weld_entry
from inspection.repeat import found as find_file
from inspection.repeat import repeat
from inspection.settings import Settings, settings_of
from vision.found import FoundWeld
from vision.section import Section

PAPER_PX = 1600
"""Long side of the sheet on which a profile is drawn, for which there is no picture."""
SAME_POINT_PX = 0.5
"""A point that moved less between two versions of the program is the same point (a choice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Remeasured:
    """One weld measured again: what was found with points moved, its values, and its entry in the result document."""

    weld: FoundWeld
    values: Mapping[str, Measured]
    entry: Entry


@dataclass(frozen=True, slots=True, eq=False)
class Session:
    """One picture or profile, opened.

    Attributes
    ----------
    welds, numbers
        As found, left to right, and their numbers in the result.
    frame
        Maps the picture to mm; for a profile, a sheet of paper of `PAPER_PX`.
    width_px, height_px
        Size of the picture or of the sheet.
    picture
        Where the picture lies, None for a profile.
    outlines_px
        (N, 2) outlines in the picture frame.
    settings
        What was chosen when it was measured.
    calibration
        None for a profile.
    """

    welds: tuple[FoundWeld, ...]
    numbers: tuple[str, ...]
    frame: Calibration
    width_px: int
    height_px: int
    picture: Path | None
    outlines_px: tuple[Points, ...]
    settings: Settings
    calibration: Calibration | None

    def moves(self, index: int, value: Any) -> dict[str, tuple[Pixel, ...]]:
        """Check what came from outside, see `inspection.moves.parse_moves`."""
        return parse_moves(value, self.welds[index].section, self.width_px, self.height_px)

    def measure(self, index: int, moves: Moves) -> Remeasured:
        """Return one weld with points moved.

        Raises
        ------
        NothingMeasurable
            When the points give no joint.
        """
        from measurement import measure

        moved = with_moves(self.welds[index], moves, self.frame)
        values = measure(moved.section)
        entry = weld_entry(self.numbers[index], moved, values, self.calibration, self.settings)
        return Remeasured(moved, values, entry)

    def handles(self, index: int, moves: Moves, moved: FoundWeld) -> dict[str, list[list[float]]]:
        """Return the points that can be moved by name, [[x, y], ...] px; a fillet's root follows its plates."""
        section = self.welds[index].section
        found: dict[str, list[list[float]]] = {}
        for name in movable(section):
            points = np.array(moves[name]) if name in moves else self.frame.to_px(_at(section, name))
            found[name] = [[float(x), float(y)] for x, y in points]
        if moved.section.root is not None:
            found["root"] = self.frame.to_px(moved.section.root[None]).tolist()
        return found


def open_session(entry: Mapping[str, Any], *, folder: Path, calibration: Path | None = None) -> Session:
    """Open what an entry of a result document was made from.

    Parameters
    ----------
    entry
        One of ``results`` of the document; it need not list all welds of the picture.
    folder
        Where the document lies, see `inspection.repeat.repeat`.
    calibration
        Where the calibration file lies now, when not where the result says.

    Raises
    ------
    UnreadableFile
        When the picture or the calibration is no longer there or no longer the same.
    NothingMeasurable
        When this version of the program finds other welds in it.
    """
    inspection = repeat(entry, folder=folder, calibration=calibration)
    if inspection.error is not None:
        raise inspection.error
    found = inspection.found
    if found is None or not all(_again(weld, inspection.entry["welds"]) for weld in entry["welds"]):
        raise NothingMeasurable(
            "this version of the program finds other welds than the result holds: measure the picture again.",
            code="other_welds",
        )
    source = inspection.entry["source"]
    numbers = tuple(str(weld["id"]) for weld in inspection.entry["welds"])
    settings = settings_of(entry.get("settings") or {}, source["kind"])
    if inspection.calibration is None:
        frame, width, height = _paper(found.outline_mm)
        outlines = tuple(frame.to_px(points) for points in found.outline_mm)
        return Session(found.welds, numbers, frame, width, height, None, outlines, settings, None)
    picture = find_file(str(entry["source"]["path"]), folder)
    return Session(
        found.welds,
        numbers,
        inspection.calibration,
        int(source["width_px"]),
        int(source["height_px"]),
        picture,
        found.outline_px,
        settings,
        inspection.calibration,
    )


def _again(weld: Mapping[str, Any], now: list[Entry]) -> bool:
    """Tell whether a weld of the result is found again under its number."""
    same = [new for new in now if new["id"] == weld["id"] and new["joint"] == weld["joint"]]
    return bool(same) and _apart(weld["points_px"], same[0]["points_px"]) < SAME_POINT_PX


def _apart(before: Mapping[str, Any], now: Mapping[str, Any]) -> float:
    if set(before) != set(now):
        return float("inf")
    return max((float(np.hypot(*(np.array(before[name]) - np.array(now[name])))) for name in before), default=0.0)


def _paper(outlines_mm: tuple[Points, ...]) -> tuple[Calibration, int, int]:
    points = np.concatenate(outlines_mm)
    low, high = points.min(axis=0), points.max(axis=0)
    margin = 0.06 * float(np.max(high - low))
    low, high = low - margin, high + margin
    size = float(np.max(high - low)) / PAPER_PX
    width, height = (int(np.ceil(side / size)) for side in high - low)
    return Calibration("paper", np.array([[size, 0, low[0]], [0, -size, high[1]], [0, 0, 1.0]]), {}), width, height


def _at(section: Section, name: str) -> Points:
    """Return where something movable lies in mm, (1, 2) or, for a plate line, (2, 2)."""
    if section.joint == "groove":
        side = name.rpartition("_")[2]
        edge = section.edge_left if side == "left" else section.edge_right
        assert edge is not None
        if name.startswith("root_edge"):
            return np.atleast_2d(edge.land_bottom)
        foot = float(edge.outside.line.along(edge.outer_corner))
        depth = float(np.hypot(*(edge.outer_corner - edge.land_bottom)))
        return np.array([edge.outside.line.at(foot + share * depth) for share in (0.3, 1.2)])
    surface = section.root_side if name.startswith("root_") else section.face
    assert surface is not None
    part = name.removeprefix("root_")
    if part.startswith("toe"):
        return np.atleast_2d(getattr(surface, part))
    plate = surface.left if part == "plate_left" else surface.right
    return _on_plate(plate.fit, plate.points)


def _on_plate(fit: LineFit, points: Points) -> Points:
    """Return two points of a plate line, inside the stretch that carries it."""
    carrying = points[fit.inliers] if len(fit.inliers) == len(points) and fit.inliers.sum() > 1 else points
    near, far = np.quantile(fit.line.along(carrying), (0.08, 0.92))
    return np.array([fit.line.at(float(near)), fit.line.at(float(far))])
