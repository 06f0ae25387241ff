"""What people read off hand gauges, from a table: each reading in mm or degrees, as it was written down."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from core.errors import UsageError
from core.units import fractions_written_out, parse_signed_length_mm, unit_in_mm
from inspection.table_file import BadRow, Row, read_table
from measurement.names import LABELS, as_name

REQUIRED = ("source", "quantity", "reading")
OPTIONAL = ("weld", "gauge", "operator", "unit", "date", "note")
STUDY_REQUIRED = ("part", "operator", "reading")
STUDY_OPTIONAL = ("trial", "unit", "gauge", "quantity", "date", "note")
NOT_NAMED = "not named"
MAX_READING = 1e5
"""Beyond this (100 m) a reading is a slip of the pen."""

_DEGREES = ("°", "deg", "degree", "degrees")
_DECIMAL_COMMA = re.compile(r"(?P<whole>[+-]?\d*),(?P<rest>\d+)(?![\d,./])")
_ENDS_IN_UNIT = re.compile(r"[^\d\s.,/]\.?\s*$")
_SCALE = re.compile(r"[+-]?(?:(?:\d+[ -])?\d+/(?:4|8|16|32|64)|\d+/2)")
"""Fractions as inch scales and gauges are marked (common practice, no source). "6 1/2" is none: people write so many
millimetres, too."""

_WHOLE = re.compile(r"^(\d+)[.,]0+$")
"""Numbers of welds as table programs write them."""

_BARE = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a hand gauge.

    Attributes
    ----------
    source, weld, quantity
        What was read: picture, weld in it, name of the value.
    value, unit
        In "mm" or "deg".
    written
        As it stands in the file.
    """

    line: int
    source: str
    weld: str
    quantity: str
    value: float
    unit: str
    written: str
    gauge: str = NOT_NAMED
    operator: str = NOT_NAMED
    date: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Readings:
    """A file of readings, with the rows that could not serve."""

    path: str
    rows: tuple[Reading, ...]
    bad: tuple[BadRow, ...]
    unused: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StudyReading:
    """One reading of a study; ``unit`` is "mm", "deg", or blank for plain numbers."""

    line: int
    part: str
    operator: str
    value: float
    unit: str
    trial: str | None = None
    gauge: str | None = None
    quantity: str | None = None


@dataclass(frozen=True, slots=True)
class StudyReadings:
    """A file of a study, with the rows that could not serve."""

    path: str
    rows: tuple[StudyReading, ...]
    bad: tuple[BadRow, ...]
    unused: tuple[str, ...]


def read_readings(path: str | Path, *, unit: str | None = None) -> Readings:
    """Read the readings of hand gauges; a bad row is left out with its line number and reason.

    ``unit`` is that of readings which name none.

    Raises
    ------
    UnreadableFile
        When the file is no table of readings.
    """
    table = read_table(path, required=REQUIRED, optional=OPTIONAL)
    rows, bad = [], list(table.bad)
    for row in table.rows:
        try:
            rows.append(_reading(row, table.units.get("reading"), unit))
        except UsageError as error:
            bad.append(BadRow(row.line, str(error).rstrip(".")))
    return Readings(table.path, tuple(rows), _in_order(bad), table.unused)


def read_study(path: str | Path, *, unit: str | None = None) -> StudyReadings:
    """Read a study of parts and operators; ``unit`` is that of readings which name none.

    Raises
    ------
    UnreadableFile
        When the file is no table of a study.
    """
    table = read_table(path, required=STUDY_REQUIRED, optional=STUDY_OPTIONAL)
    rows, bad = [], list(table.bad)
    for row in table.rows:
        try:
            rows.append(_study_reading(row, table.units.get("reading"), unit))
        except UsageError as error:
            bad.append(BadRow(row.line, str(error).rstrip(".")))
    return StudyReadings(table.path, tuple(rows), _in_order(bad), table.unused)


def parse_reading(
    text: str,
    unit: str | None = None,
    *,
    default: str | None = None,
    name: str = "the reading",
    angle: bool = False,
    most: float = MAX_READING,
) -> tuple[float, str]:
    """Return value and unit ("mm" or "deg") of a reading like ``3/8 in``, ``3/8``, ``9.5 mm``, ``9,5 mm`` or ``37°``.

    ``unit`` is what a column says; a unit beside the number must then be the same. ``default`` holds where
    neither names one; ``name`` is what an error calls the text, ``angle`` says that it should be one; above
    ``most`` it is refused.

    Raises
    ------
    UsageError
        When the text is no reading, names no unit, or could mean two numbers.
    """
    written = fractions_written_out(_without_decimal_comma(_plain_minus(text)))
    if not _ENDS_IN_UNIT.search(written):
        unit = unit or default
        if not unit and name == "the reading" and _SCALE.fullmatch(written.strip()):
            unit = "in"
        if not unit:
            column = ', or add a column "unit"' if name == "the reading" else ""
            likely = "deg" if angle else ("in" if "/" in text else "mm")
            raise UsageError(f'{name} {text!r} names no unit: write "{text} {likely}"{column}.')
        written = f"{written} {unit}"
    elif unit and not _same_unit(unit, _unit_of(written)):
        raise UsageError(f"{name} {text!r} and the unit {unit!r} beside it contradict each other.")
    if _kind(_unit_of(written)) == "deg":
        number = written[: len(written.rstrip()) - len(_unit_of(written))].strip()
        if not _BARE.fullmatch(number):
            raise UsageError(f"{name} {text!r} is not understood: write degrees as a number, like 37.5.")
        value, kind = float(number), "deg"
    else:
        value, kind = parse_signed_length_mm(written, name=name), "mm"
    if abs(value) > most:
        raise UsageError(f"{name} {text!r} is too large to be true: check number and unit.")
    return value, kind


def _in_order(bad: list[BadRow]) -> tuple[BadRow, ...]:
    return tuple(sorted(bad, key=lambda row: row.line))


def _reading(row: Row, column_unit: str | None, default: str | None) -> Reading:
    for name in REQUIRED:
        if name not in row.cells:
            raise UsageError(f"the cell {name!r} is blank")
    cells = row.cells
    quantity = as_name(cells["quantity"])
    sided = LABELS.get(quantity) or LABELS.get(f"{quantity}_left")
    value, unit = parse_reading(
        cells["reading"],
        cells.get("unit", column_unit),
        default=default,
        angle=sided is not None and sided.unit == "deg",
    )
    return Reading(
        row.line,
        cells["source"],
        _WHOLE.sub(r"\1", cells.get("weld", "1")),
        quantity,
        value,
        unit,
        cells["reading"],
        cells.get("gauge", NOT_NAMED),
        cells.get("operator", NOT_NAMED),
        cells.get("date"),
        cells.get("note"),
    )


def _study_reading(row: Row, column_unit: str | None, unit: str | None) -> StudyReading:
    for name in STUDY_REQUIRED:
        if name not in row.cells:
            raise UsageError(f"the cell {name!r} is blank")
    cells = row.cells
    named = cells.get("unit", column_unit) or unit
    plain = _without_decimal_comma(_plain_minus(cells["reading"]))
    if not named and _BARE.fullmatch(plain):
        value, kind = float(plain), ""
        if abs(value) > 1e12:
            raise UsageError(f"the reading {cells['reading']!r} is too large to be true: check the number.")
    else:
        value, kind = parse_reading(cells["reading"], cells.get("unit", column_unit), default=unit)
    quantity = cells.get("quantity")
    return StudyReading(
        row.line,
        cells["part"],
        cells["operator"],
        value,
        kind,
        cells.get("trial"),
        cells.get("gauge"),
        None if quantity is None else as_name(quantity),
    )


def as_key(name: str) -> str:
    """Return a name as files have it: ``Leg, left`` and ``leg left`` are ``leg_left``."""
    return "_".join(name.replace(",", " ").replace("-", " ").replace("_", " ").lower().split())


def _plain_minus(text: str) -> str:
    """Return text whose minus, or the dash that a table program puts in its place, is the sign on the keyboard."""
    return text.replace("−", "-").replace("–", "-")


def _without_decimal_comma(text: str) -> str:
    """Read ``9,5`` as 9.5; refuse ``1,250``, which is a thousand to some and a little over one to others."""
    if text.count(",") > 1:
        raise UsageError(f"the reading {text!r} is not understood: write one number, like 9.5 mm.")
    match = _DECIMAL_COMMA.search(text)
    if match is None:
        return text
    if len(match["rest"]) == 3 and match["whole"].lstrip("+-0"):
        raise UsageError(f"the reading {text!r} could mean two numbers: write a decimal point.")
    return f"{text[: match.start()]}{match['whole'] or '0'}.{match['rest']}{text[match.end() :]}"


def _unit_of(written: str) -> str:
    match = re.search(r"[^\d\s.,/]+\.?\s*$", written)
    return match.group().strip() if match else ""


def _same_unit(one: str, other: str) -> bool:
    if _kind(one) == "deg" or _kind(other) == "deg":
        return _kind(one) == _kind(other)
    return unit_in_mm(one.strip(), name="the reading") == unit_in_mm(other, name="the reading")


def _kind(unit: str) -> str:
    return "deg" if unit.strip().lower().rstrip(".") in _DEGREES else "mm"
