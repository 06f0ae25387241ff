"""Tables of points in array files: two columns make a profile, three a cloud. Text is read by `vision.point_text`."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.errors import ToelineError, UnreadableFile
from core.units import unit_in_mm

MAX_POINTS = 20_000_000
MOST_COLUMNS = 12
"""Coordinates, normal, colour, brightness and the like of a point; more columns than that are a picture of heights."""

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
    """Return the table of a NumPy file; nothing in it is ever run.

    Columns may stand as rows, as named fields, or on the grid of a scanner; what follows the coordinates is not read.
    """
    try:
        array = np.lib.format.read_array(io.BytesIO(data), allow_pickle=False, max_header_size=10_000)
    except Exception:  # NumPy tells a damaged header in a dozen ways, from MemoryError to tokenizer errors
        raise UnreadableFile(f"{name}: this is not a NumPy array of numbers.") from None
    axes = ("x", "z") if columns == 2 else ("x", "y", "z")
    fields = {label.lower(): label for label in array.dtype.names or ()}
    if set(axes) <= set(fields) and all(array.dtype[fields[axis]].kind in "fiu" for axis in axes):
        array = np.column_stack([array[fields[axis]].ravel().astype(np.float64) for axis in axes])
    if array.dtype.kind not in "fiu":
        raise UnreadableFile(f"{name}: the array holds {array.dtype}, points are real numbers.")
    layout = _layout(array.shape)
    if layout is None or layout[0] != columns:
        wanted = "N x 2 (x, z)" if columns == 2 else "N x 3 (x, y, z)"
        what = "profile" if columns == 2 else "cloud"
        hint = cloud_hint(name) if columns == 2 and layout is not None else ""
        raise UnreadableFile(hint or f"{name}: a {what} has shape {wanted}, this array has shape {array.shape}.")
    rows = array.T if layout[1] else array.reshape(-1, array.shape[-1])[:, :columns]
    check_count(len(rows), name)
    return Table(np.asarray(rows, np.float64), (None,) * columns)


def _layout(shape: tuple[int, ...]) -> tuple[int, bool] | None:
    """Return how many coordinates an array's points have, and whether they stand in rows, None for no points."""
    if len(shape) == 3 and shape[2] == 3:
        return 3, False
    if len(shape) != 2:
        return None
    if shape[1] == 2 or 3 <= shape[1] <= MOST_COLUMNS < shape[0]:
        return min(shape[1], 3), False
    if shape[0] in (2, 3) and shape[1] > MOST_COLUMNS:
        return shape[0], True
    return (3, False) if shape[1] == 3 else None


def cloud_hint(name: str) -> str:
    """Return what to say when a cloud is given where a profile is wanted."""
    return f"{name}: this is a point cloud, x, y and z: cut it into sections with 'toeline scan'."


def array_columns(data: bytes) -> int | None:
    """Return how many coordinates the points of a NumPy file have, None when that cannot be told."""
    try:
        stream = io.BytesIO(data[:4096])
        version = np.lib.format.read_magic(stream)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, _, kind = read(stream, max_header_size=10_000)
    except Exception:  # as above
        return None
    if kind.names:
        names = {label.lower() for label in kind.names}
        return 3 if {"x", "y", "z"} <= names else 2 if {"x", "z"} <= names else None
    layout = _layout(shape)
    return None if layout is None else layout[0]


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


def check_count(count: int, name: str) -> None:
    if count > MAX_POINTS:
        raise UnreadableFile(f"{name}: the file has {count} points, the limit is {MAX_POINTS}.")
