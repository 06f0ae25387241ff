"""What a person marked in the picture: toes and plate surfaces taken at their word, in pixels."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, get_args

from core.errors import UnreadableFile
from vision.picture import read_bytes
from vision.section import Joint

Pixel = tuple[float, float]
MAX_BYTES = 1_000_000
MOST_POINTS = 500


@dataclass(frozen=True, slots=True)
class WeldMarks:
    """Marks of one weld in the picture frame, left and right as seen face up; None where nothing is marked.

    A plate is marked by two points on its surface, a fusion line by points on it in any order. ``wall_left`` and
    ``wall_right`` are the side walls that a butt weld's groove had, each by points from the surface to the root.
    """

    joint: Joint | None = None
    toe_left: Pixel | None = None
    toe_right: Pixel | None = None
    plate_left: tuple[Pixel, Pixel] | None = None
    plate_right: tuple[Pixel, Pixel] | None = None
    fusion: tuple[Pixel, ...] = ()
    wall_left: tuple[Pixel, ...] = ()
    wall_right: tuple[Pixel, ...] = ()


def read_marks(path: str | Path) -> tuple[WeldMarks, ...]:
    """Read a marks file, ``{"welds": [{"joint": "tee", "toe_left": [x, y], ...}]}``.

    Raises
    ------
    UnreadableFile
        With one sentence that names the weld and the entry that is wrong.
    """
    data = read_bytes(path)
    name = str(path)
    if len(data) > MAX_BYTES:
        raise UnreadableFile(f"{name}: a marks file of {len(data) / 1e6:.0f} MB is not one a person made.")
    try:
        document = json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        raise UnreadableFile(f"{name}: the marks file is not JSON.") from None
    return parse_marks(document, name)


def parse_marks(document: Any, name: str) -> tuple[WeldMarks, ...]:
    """Return the marks of a document already read; ``name`` is what an error calls it.

    Raises
    ------
    UnreadableFile
        As `read_marks`.
    """
    if not isinstance(document, dict) or not isinstance(document.get("welds"), list) or len(document) != 1:
        raise UnreadableFile(f'{name}: the marks file must hold {{"welds": [...]}} and nothing else.')
    if not document["welds"]:
        raise UnreadableFile(f"{name}: the marks file marks no weld.")
    return tuple(_weld(entry, f"{name}: weld {number}") for number, entry in enumerate(document["welds"], start=1))


def _weld(entry: Any, where: str) -> WeldMarks:
    if not isinstance(entry, dict):
        raise UnreadableFile(f"{where}: the marks must be an object with names and points.")
    known = [field.name for field in fields(WeldMarks)]
    for key in entry:
        if key not in known:
            raise UnreadableFile(f"{where}: {key!r} is not known, use {', '.join(known)}.")
    joint = entry.get("joint")
    if joint is not None and joint not in get_args(Joint):
        raise UnreadableFile(f"{where}: joint {joint!r} is not known, use {', '.join(get_args(Joint))}.")
    marks = WeldMarks(
        joint=joint,
        toe_left=_point_or_none(entry, "toe_left", where),
        toe_right=_point_or_none(entry, "toe_right", where),
        plate_left=_plate_or_none(entry, "plate_left", where),
        plate_right=_plate_or_none(entry, "plate_right", where),
        fusion=_points(entry, "fusion", where),
        wall_left=_wall(entry, "wall_left", where),
        wall_right=_wall(entry, "wall_right", where),
    )
    if marks.toe_left is not None and marks.toe_left == marks.toe_right:
        raise UnreadableFile(f"{where}: both toes are marked at the same point.")
    return marks


def _point_or_none(entry: dict[str, Any], key: str, where: str) -> Pixel | None:
    return None if entry.get(key) is None else _point(entry[key], f"{where}: {key}")


def _plate_or_none(entry: dict[str, Any], key: str, where: str) -> tuple[Pixel, Pixel] | None:
    value = entry.get(key)
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2:
        raise UnreadableFile(f"{where}: {key} must be two points, [[x, y], [x, y]].")
    first, second = (_point(point, f"{where}: {key}") for point in value)
    if math.dist(first, second) < 1.0:
        raise UnreadableFile(f"{where}: {key} needs two different points to give a line.")
    return first, second


def _points(entry: dict[str, Any], key: str, where: str) -> tuple[Pixel, ...]:
    value = entry.get(key)
    if value is None:
        return ()
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_POINTS:
        raise UnreadableFile(f"{where}: {key} must be a list of 1 to {MOST_POINTS} points, [[x, y], ...].")
    return tuple(_point(point, f"{where}: {key}") for point in value)


def _wall(entry: dict[str, Any], key: str, where: str) -> tuple[Pixel, ...]:
    points = _points(entry, key, where)
    if points and (len(points) < 2 or max(math.dist(points[0], point) for point in points) < 1.0):
        raise UnreadableFile(f"{where}: {key} needs two different points or more, from the surface to the root.")
    return points


def _point(value: Any, where: str) -> Pixel:
    numbers = isinstance(value, list) and len(value) == 2 and all(type(part) in (int, float) for part in value)
    if not numbers or not all(abs(part) < 1e6 for part in value):
        raise UnreadableFile(f"{where} must be a point [x, y] in pixels.")
    return float(value[0]), float(value[1])
