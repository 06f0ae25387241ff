"""Tables of points in text and array files: two columns make a profile, three a cloud.

Text: a header is optional, ``#`` starts a comment, a blank or ``nan`` is a gap, and a header may name units as
``x_mm``, ``z_in``.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.errors import ToelineError, UnreadableFile
from core.units import unit_in_mm

MAX_POINTS = 20_000_000
PIXELS = ("px", "pixel", "pixels", "pix")
NOUNS = {2: "a profile has two, x and z", 3: "a cloud has three, x, y and z"}


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Rows (N, columns) as they stand in the file, and the unit of each column where the header names one."""

    rows: NDArray[np.float64]
    units: tuple[str | None, ...]


def factor(unit: str, name: str) -> float:
    """Return how many mm the unit has that a file names.

    Raises
    ------
    UnreadableFile
        For pixels and for anything that is no length.
    """
    if unit.lower() in PIXELS:
        raise UnreadableFile(
            f"{name}: the points are in pixels, and a pixel has no size in mm without a calibration: measure the "
            "picture itself, or save the points in mm."
        )
    try:
        return unit_in_mm(unit, name=f"{name}: the file")
    except ToelineError as error:
        raise UnreadableFile(str(error)) from None


def in_mm(table: Table, name: str, file_units: str | None) -> NDArray[np.float64]:
    """Return the rows in mm: by the header's units, else by those given, else as mm."""
    factors = np.array([factor(unit or file_units or "mm", name) for unit in table.units], np.float64)
    return np.asarray(table.rows * factors)


def array_table(data: bytes, name: str, columns: int) -> Table:
    """Return the table of a NumPy file; nothing in it is ever run."""
    try:
        array = np.lib.format.read_array(io.BytesIO(data), allow_pickle=False, max_header_size=10_000)
    except Exception:  # NumPy tells a damaged header in a dozen ways, from MemoryError to tokenizer errors
        raise UnreadableFile(f"{name}: this is not a NumPy array of numbers.") from None
    if array.dtype.kind not in "fiu":
        raise UnreadableFile(f"{name}: the array holds {array.dtype}, points are real numbers.")
    if array.ndim != 2 or array.shape[1] != columns:
        wanted = "N x 2 (x, z)" if columns == 2 else "N x 3 (x, y, z)"
        what = "profile" if columns == 2 else "cloud"
        hint = cloud_hint(name) if columns == 2 and array.ndim == 2 and array.shape[1] == 3 else ""
        raise UnreadableFile(hint or f"{name}: a {what} has shape {wanted}, this array has shape {array.shape}.")
    _check_count(len(array), name)
    return Table(np.asarray(array, np.float64), (None,) * columns)


def cloud_hint(name: str) -> str:
    """Return what to say when a cloud is given where a profile is wanted."""
    return f"{name}: this is a point cloud, x, y and z: cut it into sections with 'toeline scan'."


def array_columns(data: bytes) -> int | None:
    """Return how many columns a NumPy file has, None when that cannot be told."""
    try:
        stream = io.BytesIO(data[:4096])
        version = np.lib.format.read_magic(stream)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape = read(stream, max_header_size=10_000)[0]
    except Exception:  # as above
        return None
    return int(shape[1]) if len(shape) == 2 else None


def text_table(data: bytes, name: str, columns: int, *, more: bool = False) -> Table:
    """Return the table of a text file.

    Parameters
    ----------
    more
        Whether further columns (brightness, colour) may follow; they are not read.
    """
    text = decoded(data, name)
    if columns == 3:
        quick = _quick_table(text, more)
        if quick is not None:
            _check_count(len(quick), name)
            return Table(quick, (None,) * columns)
    units: tuple[str | None, ...] = (None,) * columns
    rows: list[tuple[float, ...]] = []
    header_allowed = True
    for number, cells in _lines(text):
        if header_allowed and not is_number(cells[0]) and not all(is_number(cell) for cell in cells):
            units = _header_units(cells, name, columns, more)
            header_allowed = False
            continue
        header_allowed = False
        rows.append(_row(cells, number, name, columns, more))
        if len(rows) > MAX_POINTS:
            _check_count(len(rows), name)
    return Table(np.array(rows, np.float64).reshape(-1, columns), units)


def text_columns(data: bytes) -> int | None:
    """Return how many columns a text file has, by its first line, None for what is no text."""
    try:
        text = data[:65536].decode("utf-8-sig", errors="ignore")
    except UnicodeDecodeError:
        return None
    first = next(iter(_lines(text)), None)
    return None if first is None or "\0" in text else len(first[1])


def decoded(data: bytes, name: str) -> str:
    """Return the text of a file.

    Raises
    ------
    UnreadableFile
        When it is no text.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise UnreadableFile(f"{name}: this is not a text file: save the points as CSV in UTF-8.")
    return text


def _lines(text: str):  # type: ignore[no-untyped-def]
    """Yield the number and the cells of each line that is not empty."""
    separator: str | None = None
    for number, raw in enumerate(text.splitlines(), start=1):
        content = raw.split("#", 1)[0]
        if not content.strip():
            continue
        if separator is None:
            separator = next((sign for sign in ";\t," if sign in raw), " ")
        # A blank before or after the separator is a gap: it must not be stripped away with the line.
        yield number, content.split() if separator == " " else [cell.strip() for cell in content.split(separator)]


def _quick_table(text: str, more: bool) -> NDArray[np.float64] | None:
    """Return a plain table of numbers without header, gaps or remarks, None for any other: clouds have many lines."""
    first = next(iter(_lines(text)), None)
    if first is None or not (len(first[1]) == 3 or (more and len(first[1]) > 3)):
        return None
    if not all(is_number(cell) and cell for cell in first[1]):
        return None
    line = text.lstrip().split("\n", 1)[0]
    separator = next((sign for sign in ";\t," if sign in line), None)
    try:
        table = np.loadtxt(io.StringIO(text), delimiter=separator, usecols=(0, 1, 2), comments="#", ndmin=2)
        widths = len(first[1]) == len(text.rstrip().rsplit("\n", 1)[-1].split("#", 1)[0].split(separator))
    except (ValueError, MemoryError):
        return None
    return np.asarray(table, np.float64) if widths or more else None


def number_rows(text: str, columns: Sequence[int], *, rows: int, skip: int = 0) -> NDArray[np.float64] | None:
    """Return up to ``rows`` lines of columns parted by spaces, None when one is not made of numbers."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that there are no lines is said by the caller
            table = np.loadtxt(
                io.StringIO(text), usecols=columns, skiprows=skip, max_rows=max(rows, 1), ndmin=2, comments=None
            )
    except (ValueError, MemoryError):
        return None
    return np.asarray(table[:rows], np.float64).reshape(-1, len(columns))


def is_number(cell: str) -> bool:
    if cell == "":
        return True
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _check_count(count: int, name: str) -> None:
    if count > MAX_POINTS:
        raise UnreadableFile(f"{name}: the file has {count} points, the limit is {MAX_POINTS}.")


def _row(cells: list[str], number: int, name: str, columns: int, more: bool) -> tuple[float, ...]:
    if len(cells) < columns or (len(cells) > columns and not more):
        if columns == 2 and len(cells) == 3:
            raise UnreadableFile(f"{cloud_hint(name)[:-1]}, or save two columns; line {number} has 3 columns.")
        raise UnreadableFile(f"{name}: line {number} has {len(cells)} columns, {NOUNS[columns]}, with a decimal point.")
    if not all(is_number(cell) for cell in cells[:columns]):
        noun = {2: "two", 3: "three"}[columns]
        raise UnreadableFile(f"{name}: line {number} is not {noun} numbers: {' '.join(cells)[:40]!r}.")
    return tuple(float(cell) if cell else float("nan") for cell in cells[:columns])


def _header_units(cells: list[str], name: str, columns: int, more: bool) -> tuple[str | None, ...]:
    if len(cells) < columns or (len(cells) > columns and not more):
        if columns == 2 and len(cells) == 3:
            raise UnreadableFile(cloud_hint(name))
        raise UnreadableFile(f"{name}: the header names {len(cells)} columns, {NOUNS[columns]}.")
    units: list[str | None] = []
    for cell in cells[:columns]:
        match = re.fullmatch(r"[\w ]*?(?:_|\s*[\[(])([A-Za-zµμ]\w*)[\])]?", cell)
        unit = match[1] if match and match[1] not in ("x", "y", "z") else None
        if unit is not None:
            factor(unit, name)
        units.append(unit)
    return tuple(units)
