"""Profiles from files: two columns x, z as text or as a NumPy array, to an open or closed `Profile`.

Text: a header is optional, ``#`` starts a comment, a blank or ``nan`` is a gap, and a header may name units
as ``x_mm``, ``z_in``. The scatter of the points is estimated from their second differences (T. Gasser,
L. Sroka and C. Jennen-Steinmetz, "Residual variance and residual pattern in nonlinear regression",
Biometrika 73, 1986, 625-633).
"""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from core.errors import ToelineError, UnreadableFile
from core.geometry import Points, signed_area
from core.units import unit_in_mm
from vision.picture import read_bytes
from vision.profile import Profile

SUFFIXES = (".csv", ".npy")
MAX_POINTS = 5_000_000
_SEPARATOR = re.compile(r"[,;\t]|\s+")


@dataclass(frozen=True, slots=True, eq=False)
class ProfileFile:
    """A profile with the file it came from."""

    profile: Profile
    path: str
    sha256: str


def read_profile(path: str | Path, *, file_units: str | None = None) -> ProfileFile:
    """Read a profile from a ``.csv`` or ``.npy`` file.

    Parameters
    ----------
    file_units
        Unit of both columns where the file itself names none, mm unless given.

    Raises
    ------
    UnreadableFile
        When the file is missing, damaged, not of two columns or has fewer than 3 points.
    """
    data = read_bytes(path)
    name = str(path)
    suffix = Path(path).suffix.lower()
    units: tuple[str | None, str | None] = (None, None)
    if suffix == ".npy":
        columns = _from_npy(data, name)
    elif suffix == ".csv":
        columns, units = _from_csv(data, name)
    else:
        raise UnreadableFile(f"{name}: profiles are read from {' or '.join(SUFFIXES)} files.")
    factors = [_factor(unit or file_units or "mm", name) for unit in units]
    points = columns * np.array(factors)
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 3:
        raise UnreadableFile(f"{name}: a profile needs at least 3 points, this file has {len(points)}.")
    if np.abs(points).max() > 1e6:
        raise UnreadableFile(f"{name}: points lie more than a kilometre away: check the columns and the units.")
    return ProfileFile(profile_from_points(points), name, hashlib.sha256(data).hexdigest())


def profile_from_points(points_mm: Points) -> Profile:
    """Return the profile of finite points in mm, (N, 2), in the order in which they follow the surface.

    It is closed when the last point comes back to the first; an open one is ordered left to right.
    """
    points = points_mm[np.concatenate([[True], np.any(np.diff(points_mm, axis=0) != 0, axis=1)])]
    steps = np.hypot(*np.diff(points, axis=0).T)
    if len(points) < 3 or not steps.any():
        raise UnreadableFile("the profile has fewer than 3 different points.")
    spacing = float(np.median(steps))
    extent = float(np.hypot(*np.ptp(points, axis=0)))
    gap = float(np.hypot(*(points[-1] - points[0])))
    closed = len(points) > 8 and gap <= max(3 * spacing, 1e-9) and gap < 0.05 * extent
    if closed:
        points = points[:-1] if gap == 0 else points
        points = points[::-1] if signed_area(points) < 0 else points
    elif points[0, 0] > points[-1, 0]:
        points = points[::-1]
    std = noise_std(points)
    return Profile(
        points_mm=points,
        std_mm=np.full(len(points), std),
        closed=closed,
        cut=np.zeros(len(points), bool),
        resolution_mm=spacing,
    )


def noise_std(points: Points) -> float:
    """Return the robust standard deviation of the points across the curve, from second differences.

    Each point is compared with the line through its neighbours, near ones first; where the scatter is as
    large as the spacing, that line has no direction, and neighbours farther off serve. The median takes
    no notice of a few corners. Never below a thousandth of the spacing: numbers in a file are rounded.
    """
    spread, spacing = 0.0, 0.0
    for stride in (1, 2, 4, 8, 16):
        if len(points) < 2 * stride + 8 and stride > 1:
            break
        spread, length = _spread_across(points, stride)
        spacing = spacing or length
        if spread < 0.2 * length:
            break
    return max(spread, 1e-3 * spacing, 1e-6)


def _spread_across(points: Points, stride: int) -> tuple[float, float]:
    """Return the scatter across the line through the neighbours a stride away, and that stride's length."""
    before, here, after = points[: -2 * stride], points[stride:-stride], points[2 * stride :]
    chord = after - before
    length = np.hypot(chord[:, 0], chord[:, 1])
    usable = length > 0
    if not usable.any():
        return 0.0, 0.0
    chord, length, offset = chord[usable], length[usable], (here - before)[usable]
    share = np.sum(offset * chord, axis=1) / length**2
    across = (chord[:, 0] * offset[:, 1] - chord[:, 1] * offset[:, 0]) / length
    scale = np.sqrt(1 + share**2 + (1 - share) ** 2)
    return 1.4826 * float(np.median(np.abs(across / scale))), float(np.median(length) / 2)


def _factor(unit: str, name: str) -> float:
    try:
        return unit_in_mm(unit, name=f"{name}: the file")
    except ToelineError as error:
        raise UnreadableFile(str(error)) from None


def _from_npy(data: bytes, name: str) -> NDArray[np.float64]:
    try:
        array = np.lib.format.read_array(io.BytesIO(data), allow_pickle=False, max_header_size=10_000)
    except (ValueError, EOFError, OSError, SyntaxError, MemoryError, TypeError, OverflowError):
        raise UnreadableFile(f"{name}: this is not a NumPy array of numbers.") from None
    if array.dtype.kind not in "fiu":
        raise UnreadableFile(f"{name}: the array holds {array.dtype}, a profile holds real numbers.")
    if array.ndim != 2 or array.shape[1] != 2:
        raise UnreadableFile(f"{name}: a profile has shape N x 2 (x, z), this array has shape {array.shape}.")
    if len(array) > MAX_POINTS:
        raise UnreadableFile(f"{name}: the profile has {len(array)} points, the limit is {MAX_POINTS}.")
    return np.asarray(array, np.float64)


def _from_csv(data: bytes, name: str) -> tuple[NDArray[np.float64], tuple[str | None, str | None]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableFile(f"{name}: this is not a text file: save the profile as CSV in UTF-8.") from None
    if "\0" in text:
        raise UnreadableFile(f"{name}: this is not a text file: save the profile as CSV in UTF-8.")
    units: tuple[str | None, str | None] = (None, None)
    rows: list[tuple[float, float]] = []
    separator: str | None = None
    header_allowed = True
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.split("#", 1)[0].strip()
        if not line:
            continue
        if separator is None:
            separator = next((sign for sign in ";\t," if sign in raw), " ")
        # A blank before or after the separator is a gap: it must not be stripped away with the line.
        content = raw.split("#", 1)[0]
        cells = content.split() if separator == " " else [cell.strip() for cell in content.split(separator)]
        if header_allowed and not _is_number(cells[0]) and not all(_is_number(cell) for cell in cells):
            units = _header_units(cells, name)
            header_allowed = False
            continue
        header_allowed = False
        rows.append(_row(cells, number, name))
        if len(rows) > MAX_POINTS:
            raise UnreadableFile(f"{name}: the profile has more than {MAX_POINTS} points.")
    return np.array(rows, np.float64).reshape(-1, 2), units


def _is_number(cell: str) -> bool:
    if cell == "":
        return True
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _row(cells: list[str], number: int, name: str) -> tuple[float, float]:
    if len(cells) != 2:
        raise UnreadableFile(
            f"{name}: line {number} has {len(cells)} columns, a profile has two, x and z, with a decimal point."
        )
    if not all(_is_number(cell) for cell in cells):
        raise UnreadableFile(f"{name}: line {number} is not two numbers: {' '.join(cells)[:40]!r}.")
    first, second = (float(cell) if cell else float("nan") for cell in cells)
    return first, second


def _header_units(cells: list[str], name: str) -> tuple[str | None, str | None]:
    if len(cells) != 2:
        raise UnreadableFile(f"{name}: the header names {len(cells)} columns, a profile has two, x and z.")
    units: list[str | None] = []
    for cell in cells:
        match = re.fullmatch(r"[\w ]*?(?:_|\s*[\[(])([A-Za-zµμ]\w*)[\])]?", cell)
        unit = match[1] if match and match[1] not in ("x", "y", "z") else None
        if unit is not None:
            _factor(unit, name)
        units.append(unit)
    return units[0], units[1]
