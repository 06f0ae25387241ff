"""Tables of points in text files, as scanners and table programs write them.

A header is optional; columns are taken by its names (``x``, ``y``, ``z``) where it has them, else by their order, and
it may name units as ``x_mm``, ``z [in]``. ``#``, ``//``, ``%`` and ``!`` start a remark; a blank, ``nan`` or a word for
nothing is a gap. Cells are parted by semicolons, tabs, commas or blanks; where they are not parted by commas, a comma
is a decimal one.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice, pairwise

import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile
from vision.point_table import NOUNS, Table, check_count, cloud_hint, factor

REMARKS = ("//", "%", "!")
REMARK = re.compile(r"(?:^|(?<=[\s;,]))#.*")
NOTHING = (
    "",
    "nan",
    "null",
    "none",
    "na",
    "n/a",
    "-",
    "--",
    "---",
    "-nan",
    "nan(ind)",
    "-nan(ind)",
    "1.#qnan",
    "-1.#ind",
)
UNIT_WORDS = ("mm", "cm", "m", "um", "µm", "μm", "in", "inch", "ft")
WORDS = {"height": "z", "depth": "z", "position": "x", "width": "x", "distance": "x"}
"""What columns of a profile are called by some."""

LEAST_COUNTED = 8
LEADING_LINES = 200
"""Lines before the first point, at most."""

LOOKED_AT = 50
"""Lines of points that tell how many columns there are."""

PREVIEW_BYTES = 65536
DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?|[+-]?\d+")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a text keeps its points.

    Attributes
    ----------
    separator
        Sign between cells, a blank for any number of them.
    decimal_comma
        Whether a comma is a decimal one.
    first
        Number of the first line of points, from 1.
    columns
        How many cells a line has.
    whole_numbers
        Whether commas part nothing but whole numbers.
    names
        Columns that the header names x, y or z.
    header
        Its cells, empty without one.
    units
        Cells of a line of units below the header.
    counted
        Whether the first column does nothing but number the points.
    """

    separator: str
    decimal_comma: bool
    first: int
    columns: int
    whole_numbers: bool = False
    names: Mapping[str, int] = field(default_factory=dict)
    header: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    counted: bool = False


def text_table(data: bytes, name: str, columns: int) -> Table:
    """Return the table of a text file with two columns for a profile, three for a cloud.

    Raises
    ------
    UnreadableFile
        When it is no text, when its columns are not those, or a line is not made of numbers.
    """
    text = decoded(data, name)
    layout = layout_of(text, name)
    if layout is None:
        return Table(np.empty((0, columns)), (None,) * columns)
    chosen = _chosen(layout, columns, name)
    units = tuple(_unit(layout, index, name) for index in chosen)
    quick = _quick_rows(text, layout, chosen) if columns == 3 else None
    if quick is None:
        quick = np.array(list(_rows(text, layout, chosen, name)), np.float64).reshape(-1, columns)
    check_count(len(quick), name)
    return Table(quick, units)


def text_columns(data: bytes) -> int | None:
    """Return 2 for the text of a profile, 3 and more for that of a cloud, 1 for neither, None for what is no text."""
    try:
        text = decoded(data[:PREVIEW_BYTES], "", partly=True)
        layout = layout_of(text, "")
    except UnreadableFile:
        return None
    if layout is None:
        return None
    if _profile_columns(layout) is not None:
        return 2
    return 3 if set(layout.names) == {"x", "y", "z"} else layout.columns - layout.counted


def decoded(data: bytes, name: str, *, partly: bool = False) -> str:
    """Return the text of a file: UTF-8, UTF-16 with its mark, or Latin-1.

    Raises
    ------
    UnreadableFile
        When it is no text.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = data[: len(data) & ~1].decode("utf-16", errors="ignore" if partly else "replace")
    else:
        try:
            text = data.decode("utf-8-sig", errors="ignore" if partly else "strict")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    if re.search(r"[\x00-\x08\x0e-\x1f\x80-\x9f]", text[:PREVIEW_BYTES]) or "\0" in text:
        raise UnreadableFile(f"{name}: this is not a text file: save the points as CSV in UTF-8.")
    return text


def layout_of(text: str, name: str) -> Layout | None:
    """Return how a text keeps its points, None when it has no line but remarks.

    Raises
    ------
    UnreadableFile
        When a line before the first point begins with a number but is none of points.
    """
    before: list[tuple[int, str]] = []
    lines = _lines(text)
    for number, line in islice(lines, LEADING_LINES):
        if not line.startswith(REMARKS):
            separator, comma = _signs(line)
            cells = _cells(line, separator)
            if sum(_is_number(cell, comma) for cell in cells[:3]) >= 2:
                following = [line, *(more for _, more in islice(lines, LOOKED_AT) if not more.startswith(REMARKS))]
                columns = max(_filled(_cells(each, separator)) for each in following)
                whole = separator == "," and not any(sign in each for each in following for sign in ".eE")
                counted = _is_counted([_cells(each, separator) for each in following], comma)
                return _with_header(Layout(separator, comma, number, columns, whole, counted=counted), before)
            if _is_number(cells[0], comma) and cells[0] and not (len(cells) == 1 and not before):
                what = f"has {len(cells)} columns" if len(cells) == 1 else f"is not made of numbers: {line[:40]!r}"
                raise UnreadableFile(f"{name}: line {number} {what}.")
        before.append((number, line))
    if not before:
        return None
    number, line = before[-1]
    separator = _signs(line)[0]
    return _with_header(Layout(separator, False, number + 1, len(_cells(line, separator))), before)


def _with_header(layout: Layout, before: Sequence[tuple[int, str]]) -> Layout:
    """Return the layout with the header among the lines before the points."""
    units: tuple[str, ...] = ()
    for _, line in reversed(before):
        cells = tuple(_cells(line.lstrip("/%! "), layout.separator))
        if len(cells) == 1 and layout.separator != " ":
            continue
        words = [cell.strip("[]()").lower() for cell in cells]
        if not units and len(cells) >= layout.columns and all(word in UNIT_WORDS for word in words if word):
            units = tuple(words)
            continue
        names = {base: index for index, cell in reversed(list(enumerate(cells))) if (base := _base(cell)) in "xyz"}
        if len(names) >= 2 or _filled(cells) == layout.columns:
            columns = max(layout.columns, _filled(cells)) if len(names) >= 2 else layout.columns
            return replace(layout, columns=columns, names=names, header=cells, units=units)
    return replace(layout, units=units)


def _base(cell: str) -> str:
    """Return the name of a column without its unit, in small letters; ``?`` for none."""
    match = re.fullmatch(r"([A-Za-z]+)(?:\s*[_\[(].*)?", cell)
    name = match[1].lower() if match else "?"
    return name if len(name) == 1 else WORDS.get(name, "?")


def _is_counted(rows: Sequence[Sequence[str]], comma: bool) -> bool:
    """Tell whether the first of three columns or more only numbers the points, and the second is not the same for all.

    The numbers go up by one; a table of heights on a grid does that, too, along one of its rows.
    """
    if len(rows) < LEAST_COUNTED or min(len(cells) for cells in rows) < 3:
        return False
    if not all(cells[0].isdecimal() for cells in rows):
        return False
    if any(after != before + 1 for before, after in pairwise(int(cells[0]) for cells in rows)):
        return False
    return len({_number(cells[1], comma) for cells in rows}) > 1


def _profile_columns(layout: Layout) -> tuple[int, int] | None:
    """Return the two columns of a profile, None where there are none."""
    names = layout.names
    if "x" in names and ("z" in names) != ("y" in names):
        return names["x"], names.get("z", names.get("y", 0))
    if set(names) == {"y", "z"}:
        return names["y"], names["z"]
    if layout.counted and layout.columns == 3:
        return 1, 2
    return (0, 1) if layout.columns == 2 else None


def _chosen(layout: Layout, columns: int, name: str) -> tuple[int, ...]:
    """Return the columns that hold the coordinates.

    Raises
    ------
    UnreadableFile
        When the file has others.
    """
    count = layout.columns
    profile = _profile_columns(layout)
    if columns == 2:
        if profile is not None:
            return profile
        if count == 3:
            hint = "" if layout.names else f", or save two columns; line {layout.first} has 3 columns"
            raise UnreadableFile(f"{cloud_hint(name)[:-1]}{hint}.")
    elif set(layout.names) == {"x", "y", "z"}:
        return tuple(layout.names[axis] for axis in "xyz")
    elif layout.counted and count > 3 and profile is None:
        return (1, 2, 3)
    elif count == 3 or (count > 3 and profile is None):
        if count == 6 and layout.whole_numbers:
            raise UnreadableFile(
                f"{name}: commas part columns or are decimal ones, which cannot be told: save with a decimal point."
            )
        return (0, 1, 2)
    if layout.header:
        raise UnreadableFile(f"{name}: the header names {len(layout.header)} columns, {NOUNS[columns]}.")
    raise UnreadableFile(f"{name}: line {layout.first} has {count} columns, {NOUNS[columns]}, with a decimal point.")


def _unit(layout: Layout, column: int, name: str) -> str | None:
    """Return the unit that the header or the line below it names for a column."""
    if column < len(layout.units) and layout.units[column]:
        return layout.units[column]
    if column >= len(layout.header):
        return None
    match = re.fullmatch(r"[\w ]*?(?:_|\s*[\[(])\s*([A-Za-zµμ]\w*)\s*[\])]?", layout.header[column])
    unit = match[1] if match and match[1] not in ("x", "y", "z") else None
    if unit is not None:
        factor(unit, name)
    return unit


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Yield the number and the content of each line that is not empty, without what follows a ``#``."""
    for number, raw in enumerate(text.splitlines(), start=1):
        line = REMARK.sub("", raw).strip(" \r")
        if line.strip():
            yield number, line


def _signs(line: str) -> tuple[str, bool]:
    """Return the sign that parts the cells of a line, and whether its commas are decimal ones."""
    words = line.split()
    if "," in line and len(words) > 1 and all(DECIMAL_COMMA.fullmatch(word) for word in words):
        return ("\t" if "\t" in line else " "), True
    separator = next((sign for sign in ";\t," if sign in line), " ")
    return separator, separator != "," and "," in line


def _cells(line: str, separator: str) -> list[str]:
    # A blank before or after the separator is a gap: it must not be stripped away with the line.
    cells = line.split() if separator == " " else line.split(separator)
    return [cell.strip().strip("\"'").strip() for cell in cells]


def _filled(cells: Sequence[str]) -> int:
    """Return how many cells there are up to the last that is not empty."""
    return max((index + 1 for index, cell in enumerate(cells) if cell), default=0)


def _is_number(cell: str, comma: bool) -> bool:
    return _number(cell, comma) is not None


def _number(cell: str, comma: bool) -> float | None:
    """Return the number of a cell, not a number for a gap, None for what is neither."""
    try:
        return float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        pass
    if cell.lower() in NOTHING:
        return float("nan")
    if re.fullmatch(r"[+-]?[\d.]+[dD][+-]?\d+", cell):
        return float(cell.lower().replace("d", "e"))
    return None


def _quick_rows(text: str, layout: Layout, chosen: tuple[int, ...]) -> NDArray[np.float64] | None:
    """Return the points of a plain table without gaps or remarks, None for any other: clouds have many lines."""
    separator = None if layout.separator == " " else layout.separator
    body = text.split("\n", layout.first - 1)[-1] if "\r" not in text.replace("\r\n", "") else ""
    if not body:
        return None
    try:
        table = np.loadtxt(
            io.StringIO(body.replace(",", ".") if layout.decimal_comma else body),
            delimiter=separator,
            usecols=chosen,
            comments="#",
            ndmin=2,
        )
    except (ValueError, MemoryError):
        return None
    last = _cells(body.rstrip().rsplit("\n", 1)[-1].split("#", 1)[0], layout.separator)
    return np.asarray(table, np.float64) if len(last) >= layout.columns else None


def _rows(text: str, layout: Layout, chosen: tuple[int, ...], name: str) -> Iterator[tuple[float, ...]]:
    """Yield the points line by line."""
    for number, line in _lines(text):
        if number < layout.first or line.startswith(REMARKS):
            continue
        cells = _cells(line, layout.separator)
        if len(cells) <= max(chosen) or _filled(cells) > layout.columns:
            noun = NOUNS[len(chosen)]
            raise UnreadableFile(f"{name}: line {number} has {len(cells)} columns, {noun}, with a decimal point.")
        values = [_number(cells[index], layout.decimal_comma) for index in chosen]
        if None in values:
            noun = {2: "two", 3: "three"}[len(chosen)]
            raise UnreadableFile(f"{name}: line {number} is not {noun} numbers: {' '.join(cells)[:40]!r}.")
        yield tuple(value for value in values if value is not None)
