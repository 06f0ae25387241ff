"""Where the sections of a seam were taken, from a table: each lies in a cell of the seam, cells without one are gaps.

Everything that is told of a seam counts in cells of one pitch. A position is taken to the nearest of them, and a place
that no section was taken at is never counted as good.
"""

from __future__ import annotations

import hashlib
import itertools
import math
import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from core.errors import NothingMeasurable, UnreadableFile, UsageError
from inspection.readings import parse_reading
from inspection.seam_source import Piece, Source
from inspection.table_file import Row, read_table

MOST_CELLS = 1_000_000
NO_SECTION = "no section was taken at this place"


@dataclass(frozen=True, slots=True)
class Positions:
    """What a table says: names of the sections, blank where it has none, and positions in mm, row by row."""

    path: Path
    lines: tuple[int, ...]
    names: tuple[str, ...]
    values_mm: tuple[float, ...]


def read_positions(path: Path) -> Positions:
    """Read a table with the column ``position``, its unit beside it or beside every number, and perhaps ``source``.

    Raises
    ------
    UnreadableFile
        When it is no such table, or a row of it cannot be read: a position left out would move those that follow.
    """
    table = read_table(path, required=("position",), optional=("source",))
    if table.bad:
        raise UnreadableFile(f"{path}: line {table.bad[0].line}: {table.bad[0].reason}.")
    unit = table.units.get("position", "")
    rows = [row for row in table.rows if row.cells]
    try:
        values = tuple(_position(row, unit, path) for row in rows)
    except UsageError as error:
        raise UnreadableFile(str(error)) from None
    if len(values) < 2:
        raise UnreadableFile(f"{path}: positions of at least 2 sections are needed, it holds {len(values)}.")
    names = tuple(row.cells.get("source", "") for row in rows)
    return Positions(path, tuple(row.line for row in rows), names, values)


def _position(row: Row, unit: str, path: Path) -> float:
    where = f"{path}: line {row.line}: the position"
    text = row.cells.get("position")
    if text is None:
        raise UsageError(f"{where} is blank.")
    value, kind = parse_reading(text, default=unit or None, name=where, most=math.inf)
    if kind != "mm":
        raise UsageError(f"{where} is no length: {text!r}.")
    return value


def at_positions(source: Source, positions: Positions, pitch_mm: float | None) -> Source:
    """Return a source whose sections lie where a table says, with an entry for every place between them.

    Parameters
    ----------
    source
        Frames or profiles, of any pitch.
    pitch_mm
        Length of a cell; what usually lies between two sections when None is given.

    Raises
    ------
    UsageError
        When table and sections do not belong together, positions do not go on one way, or two share a cell.
    """
    if source.count is None:
        raise UsageError(
            f"{source.path}: how many frames a video holds is not known before its end: write them to files for "
            "--positions."
        )
    along, names = _in_order(source, positions)
    apart = [second - first for first, second in itertools.pairwise(along)]
    pitch = _usual(apart) if pitch_mm is None else pitch_mm
    cells = [round(place / pitch) for place in along]
    if cells[-1] >= MOST_CELLS:
        raise UsageError(f"{positions.path}: the positions reach over {cells[-1]} pitches: check unit and --pitch.")
    for number in range(1, len(cells)):
        if cells[number] == cells[number - 1]:
            raise UsageError(
                f"{positions.path}: {names[number - 1]} and {names[number]} lie {apart[number - 1]:.4g} mm apart, at "
                f"a pitch of {pitch:.4g} mm: give a smaller --pitch."
            )

    def pieces(first: int) -> Iterator[Piece]:
        before = sum(cell < first for cell in cells)
        taken = source.pieces(before)
        held = set(cells[before:])
        for cell in range(first, cells[-1] + 1):
            place = cell * pitch
            if cell in held:
                yield replace(next(taken), position_mm=place)
            else:
                yield Piece(place, f"none at {place:.6g} mm", error=NothingMeasurable(NO_SECTION))

    off = max(abs(place - cell * pitch) for place, cell in zip(along, cells, strict=True))
    empty = cells[-1] + 1 - len(cells)
    note = f"positions from {positions.path.name}, taken to the nearest {pitch:.4g} mm, at most {off:.2g} mm off"
    notes = (note, *([f"{empty} places without a section"] if empty else []))
    digest = hashlib.sha256(f"{source.fingerprint} {cells}".encode()).hexdigest()
    return replace(source, pitch_mm=pitch, count=cells[-1] + 1, fingerprint=digest, pieces=pieces, notes=notes)


def _usual(apart: Sequence[float]) -> float:
    """Return the pitch of which the steps are multiples, from all of them: the scatter of one would add up."""
    middle = statistics.median(apart)
    return sum(apart) / sum(max(1, round(step / middle)) for step in apart)


def _in_order(source: Source, positions: Positions) -> tuple[list[float], list[str]]:
    """Return how far each section lies from the first, and what it is called, in the order of the sections."""
    path = positions.path
    if any(positions.names):
        sections = [piece.name for piece in source.pieces(0)]
        by_name = _rows_by_name(positions)
        rows = [_row_of(name, by_name, positions.path) for name in sections]
        if len(rows) < len(positions.names):
            extra = min(set(range(len(positions.names))) - set(rows))
            raise UsageError(
                f"{path}: line {positions.lines[extra]}: {positions.names[extra]!r} is not among the sections of "
                f"{source.path}."
            )
    else:
        if source.count != len(positions.values_mm):
            raise UsageError(
                f"{path}: it holds {len(positions.values_mm)} positions for {source.count} sections: name them in a "
                'column "source".'
            )
        rows = list(range(len(positions.values_mm)))
        sections = [f"section {number + 1}" for number in rows]
    values = [positions.values_mm[row] for row in rows]
    sign = 1.0 if values[-1] >= values[0] else -1.0
    along = [sign * (value - values[0]) for value in values]
    for number in range(1, len(along)):
        if along[number] <= along[number - 1]:
            raise UsageError(
                f"{path}: line {positions.lines[rows[number]]}: {sections[number]} does not lie beyond "
                f"{sections[number - 1]}: positions must go on one way in the order of the sections."
            )
    return along, sections


def _rows_by_name(positions: Positions) -> dict[str, list[int]]:
    """Return the rows of each name that is written, without its folder and without capitals."""
    rows: dict[str, list[int]] = {}
    for number, written in enumerate(positions.names):
        rows.setdefault(Path(written).name.lower(), []).append(number)
    return rows


def _row_of(name: str, by_name: Mapping[str, list[int]], path: Path) -> int:
    """Return the row that is about a section: its name, with the ending or without, capitals or not."""
    rows = [row for wanted in {name.lower(), Path(name).stem.lower()} for row in by_name.get(wanted, ())]
    if len(rows) != 1:
        how = "no row" if not rows else f"{len(rows)} rows"
        raise UsageError(f"{path}: it has {how} for {name}: write one for each section.")
    return rows[0]
