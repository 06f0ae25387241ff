"""Text tables as people save them: any usual separator and encoding, quoted fields, lines told by their number."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from core.errors import UnreadableFile
from vision.picture import read_bytes

MAX_BYTES = 20_000_000
MAX_ROWS = 100_000
MAX_LINES_A_ROW = 20
SEPARATORS = (";", "\t", ",")
_NAME_AND_UNIT = re.compile(r"(\w+?)(?:\s+in\s+|\s*[_ ,/(\[]\s*)(mm|cm|µm|in|inch|inches|deg|degrees|°|\"|″)\s*[)\]]?")


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that was left out, and why."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class Row:
    """The cells of one line by the names of their columns; what is blank is absent."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a header.

    Attributes
    ----------
    unused
        Columns nobody asked for.
    units
        By column, the unit that stands beside its name in the header.
    """

    path: str
    rows: tuple[Row, ...]
    bad: tuple[BadRow, ...]
    unused: tuple[str, ...]
    units: Mapping[str, str]


def read_table(path: str | Path, *, required: Sequence[str], optional: Sequence[str]) -> Table:
    """Read a table with a header; blank lines and lines that begin with ``#`` are passed over.

    Raises
    ------
    UnreadableFile
        When the file is missing, no text, too large, or its header lacks a required column.
    """
    data = read_bytes(path)
    if len(data) > MAX_BYTES:
        raise UnreadableFile(
            f"{path}: the file has {len(data) / 1e6:.0f} MB, a table may have {MAX_BYTES / 1e6:.0f} MB: split it."
        )
    lines = _numbered_lines(_as_text(data, path))
    if not lines:
        raise UnreadableFile(f"{path}: the file holds no line of text: a header and rows are needed.")
    separator = _separator(lines, required)
    header_line, header = _header(lines, separator, path)
    known = {*required, *optional}
    split = [_without_unit(" ".join(name.split()).lower(), known) for name in header]
    names = _columns([name for name, _ in split], header_line, required, path)
    rows, bad = _rows(lines, separator, names, path)
    unused = tuple(name for name in names if name and name not in known)
    return Table(str(path), rows, bad, unused, {name: unit for name, unit in split if unit})


def _as_text(data: bytes, path: str | Path) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings: tuple[str, ...] = ("utf-16",)
    elif b"\0" in data:
        encodings = ()
    else:
        encodings = ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if not any(ord(sign) < 32 and sign not in "\t\r\n\f\v" for sign in text):
            return text
    raise UnreadableFile(f"{path}: this is not a text file: save the table as CSV (UTF-8).")


def _numbered_lines(text: str) -> list[tuple[int, str]]:
    """Return the lines that count, each with its number; a quoted field may run over several of them."""
    lines = io.StringIO(text, newline=None).read().split("\n")
    kept = list(enumerate(lines, start=1))
    while kept and _is_passed_over(kept[0][1]):
        del kept[0]
    while kept and not kept[-1][1].strip():
        del kept[-1]
    return kept


def _is_passed_over(line: str) -> bool:
    bare = line.strip().strip('";,\t').strip()
    return not bare or bare.startswith("#") or bare.lower().startswith("sep=")


def _separator(lines: list[tuple[int, str]], required: Sequence[str]) -> str:
    """Return the separator under which the header shows the most of the required names."""
    header = lines[0][1]

    def found(separator: str) -> tuple[int, int]:
        names = {name.strip().strip('"').strip().lower() for name in header.split(separator)}
        return len(names & set(required)), header.count(separator)

    return max(SEPARATORS, key=found)


def _header(lines: list[tuple[int, str]], separator: str, path: str | Path) -> tuple[int, list[str]]:
    number, text = lines.pop(0)
    try:
        return number, next(csv.reader([text], delimiter=separator, strict=True))
    except csv.Error as error:
        raise UnreadableFile(f"{path}: line {number}: the header cannot be read: {error}.") from None


def _without_unit(name: str, known: set[str]) -> tuple[str, str]:
    """Part ``reading (mm)``, ``reading [mm]`` or ``reading_mm`` into the column and its unit."""
    match = _NAME_AND_UNIT.fullmatch(name)
    return (match[1], match[2]) if match is not None and match[1] in known else (name, "")


def _columns(names: list[str], line: int, required: Sequence[str], path: str | Path) -> list[str]:
    for name in required:
        if name not in names:
            shown = ", ".join(name[:30] for name in names[:12] if name) or "none"
            raise UnreadableFile(
                f'{path}: line {line}: the header has no column "{name}": '
                f"needed are {', '.join(required)}; found: {shown}."
            )
    for name in names:
        if name and names.count(name) > 1:
            raise UnreadableFile(f'{path}: line {line}: the header names the column "{name}" twice: keep one.')
    return names


def _rows(
    lines: list[tuple[int, str]], separator: str, names: list[str], path: str | Path
) -> tuple[tuple[Row, ...], tuple[BadRow, ...]]:
    rows: list[Row] = []
    bad: list[BadRow] = []
    place = 0
    while place < len(lines):
        number, line = lines[place]
        if _is_passed_over(line):
            place += 1
            continue
        if len(rows) + len(bad) >= MAX_ROWS:
            raise UnreadableFile(f"{path}: the table has more than {MAX_ROWS} rows: split it.")
        reader = csv.reader(
            (f"{text}\n" for _, text in lines[place : place + MAX_LINES_A_ROW]), delimiter=separator, strict=True
        )
        try:
            cells = next(reader)
            place += reader.line_num
        except csv.Error as error:
            # Only this line is given up: an unclosed quote must not take the rest of the table with it.
            bad.append(BadRow(number, f"the line cannot be split into cells: {error}"))
            place += 1
            continue
        if len(cells) < len(names):
            bad.append(BadRow(number, f"{len(cells)} cells where the header has {len(names)}: the line may be cut off"))
        elif any(cell.strip() for cell in cells[len(names) :]):
            bad.append(
                BadRow(
                    number,
                    f"{len(cells)} cells where the header has {len(names)}: put a cell that holds a comma "
                    "or the separator in double quotes",
                )
            )
        else:
            pairs = ((name, _plain(cell)) for name, cell in zip(names, cells, strict=False) if name)
            rows.append(Row(number, {name: cell for name, cell in pairs if cell}))
    return tuple(rows), tuple(bad)


def _plain(cell: str) -> str:
    """Return a cell on one line without signs that do not print."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in cell).split())
