"""X3P files: a ZIP of ``main.xml`` and binary points, ISO 25178-72 (before it ISO 5436-2).

Record 1 tells the kind (PRF a profile, SUR a surface on a grid, PCL a list of points) and the axes: an incremental axis
(I) has its coordinate from the index, an absolute one (A) from the data; coordinate = number * increment + offset, in
metres. Record 3 gives the size and the points, as a list in the XML or in a binary file with an optional MD5 and bits
that say which points are valid. The layout was written down from memory of the standard's schema, not read from it.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile
from vision.point_table import MAX_POINTS, cloud_hint

MM_PER_METRE = 1000.0
MAX_XML_BYTES = 64 << 20
TYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
KINDS = ("PRF", "SUR", "PCL")


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: whether its coordinate comes from the index, and how numbers become metres."""

    incremental: bool
    dtype: str
    increment: float
    offset: float


@dataclass(frozen=True, slots=True, eq=False)
class X3p:
    """Kind, and points in mm (N, 3) that are valid and finite, in the order of the file."""

    kind: str
    points_mm: NDArray[np.float64]


def profile_points_mm(data: bytes, name: str) -> NDArray[np.float64]:
    """Return (x, z) of a profile, (N, 2) mm.

    Raises
    ------
    UnreadableFile
        When the file is damaged or holds a surface.
    """
    found = read_x3p(data, name)
    if found.kind != "PRF":
        raise UnreadableFile(cloud_hint(name))
    return found.points_mm[:, [0, 2]]


def read_x3p(data: bytes, name: str) -> X3p:
    """Return what an X3P file holds.

    Raises
    ------
    UnreadableFile
        When it is no such file, is damaged, does not match its checksum or holds too much.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        raise UnreadableFile(f"{name}: this is not an X3P file: it is no ZIP archive.") from None
    with archive:
        root = _xml(_member(archive, "main.xml", MAX_XML_BYTES, name), name)
        kind = _text(root, "FeatureType", name).upper()
        if kind not in KINDS:
            raise UnreadableFile(
                f"{name}: the X3P holds {kind[:20]!r}; profiles (PRF), surfaces (SUR) and points (PCL) are read."
            )
        axes = [_axis(root, f"C{letter}", name) for letter in "XYZ"]
        size = _size(root, name)
        columns = _columns(archive, root, axes, size, name)
    points = np.column_stack(
        [
            (_index(size, at) if axis.incremental else columns[at]) * axis.increment + axis.offset
            for at, axis in enumerate(axes)
        ]
    )
    points = points[np.isfinite(points).all(axis=1)] * MM_PER_METRE
    if not len(points):
        raise UnreadableFile(f"{name}: the X3P holds no valid point.")
    return X3p(kind, points)


def _member(archive: zipfile.ZipFile, path: str, limit: int, name: str) -> bytes:
    """Return one file of the archive, never more than the limit: what the directory says of its size may be a lie."""
    wanted = path.replace("\\", "/").lstrip("./").lower()
    found = next((info for info in archive.infolist() if info.filename.lstrip("./").lower() == wanted), None)
    if found is None:
        raise UnreadableFile(f"{name}: the X3P has no {path[:60]!r} in it.")
    if found.file_size > limit:
        raise UnreadableFile(
            f"{name}: {path[:60]!r} in the X3P would have {found.file_size} bytes, the limit is {limit}."
        )
    try:
        with archive.open(found) as stream:
            content = stream.read(limit + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, NotImplementedError, ValueError):
        raise UnreadableFile(f"{name}: {path[:60]!r} in the X3P is damaged.") from None
    if len(content) > limit:
        raise UnreadableFile(f"{name}: {path[:60]!r} in the X3P has more than {limit} bytes.")
    return content


def _xml(content: bytes, name: str) -> Any:
    import defusedxml.ElementTree as SafeTree
    from defusedxml.common import DefusedXmlException

    try:
        return SafeTree.fromstring(content, forbid_dtd=True)
    except DefusedXmlException:
        raise UnreadableFile(
            f"{name}: main.xml of the X3P defines entities, which no X3P needs: it is not read."
        ) from None
    except (SyntaxError, ValueError, LookupError, RecursionError):
        raise UnreadableFile(f"{name}: main.xml of the X3P is not well-formed XML.") from None


def _find(root: Any, tag: str) -> Any:
    """Return the first element of a name, whatever namespace it is in."""
    return next((element for element in root.iter() if str(element.tag).rsplit("}", 1)[-1] == tag), None)


def _text(root: Any, tag: str, name: str) -> str:
    element = _find(root, tag)
    if element is None or not (element.text or "").strip():
        raise UnreadableFile(f"{name}: main.xml of the X3P does not say {tag}.")
    return str(element.text).strip()


def _number(root: Any, tag: str, name: str, default: float) -> float:
    element = _find(root, tag)
    if element is None or not (element.text or "").strip():
        return default
    try:
        value = float(element.text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise UnreadableFile(f"{name}: {tag} in main.xml of the X3P is not a number.")
    return value


def _axis(root: Any, tag: str, name: str) -> Axis:
    element = _find(root, tag)
    if element is None:
        raise UnreadableFile(f"{name}: main.xml of the X3P does not describe the axis {tag}.")
    incremental = _text(element, "AxisType", name).upper() == "I"
    kind = _find(element, "DataType")
    letter = "D" if kind is None or not kind.text else str(kind.text).strip().upper()
    if letter not in TYPES:
        raise UnreadableFile(f"{name}: the X3P has points of the unknown type {letter[:10]!r}.")
    return Axis(
        incremental, TYPES[letter], _number(element, "Increment", name, 1.0), _number(element, "Offset", name, 0.0)
    )


def _size(root: Any, name: str) -> tuple[int, int, int]:
    listed = _find(root, "ListDimension")
    if listed is not None:
        sizes = [_number(root, "ListDimension", name, 0.0), 1.0, 1.0]
    else:
        sizes = [_number(root, f"Size{letter}", name, 1.0) for letter in "XYZ"]
    if any(size < 1 or size != int(size) for size in sizes):
        raise UnreadableFile(f"{name}: the size of the X3P is not made of whole numbers.")
    x, y, z = (int(size) for size in sizes)
    if x * y * z > MAX_POINTS:
        raise UnreadableFile(f"{name}: the X3P says it has {x * y * z} points, the limit is {MAX_POINTS}.")
    return x, y, z


def _index(size: tuple[int, int, int], at: int) -> NDArray[np.float64]:
    """Return the index along one axis of every point; x runs fastest."""
    x, y, z = size
    number = np.arange(x * y * z)
    return np.asarray([number % x, number // x % y, number // (x * y)][at], np.float64)


def _columns(
    archive: zipfile.ZipFile, root: Any, axes: list[Axis], size: tuple[int, int, int], name: str
) -> dict[int, NDArray[np.float64]]:
    """Return the numbers of the absolute axes by axis, NaN where a point is not valid."""
    count = size[0] * size[1] * size[2]
    absolute = [at for at, axis in enumerate(axes) if not axis.incremental]
    if 2 not in absolute:
        raise UnreadableFile(f"{name}: the X3P has no heights: its z axis is incremental.")
    link = _find(root, "PointDataLink")
    if link is None or not (link.text or "").strip():
        return _listed(root, absolute, count, name)
    record = np.dtype([(str(at), axes[at].dtype) for at in absolute])
    content = _member(archive, str(link.text).strip(), count * record.itemsize + 1024, name)
    _check_md5(content, root, "MD5ChecksumPointData", name)
    if len(content) < count * record.itemsize:
        raise UnreadableFile(
            f"{name}: the X3P is cut short: {count} points need {count * record.itemsize} bytes, "
            f"{len(content)} are there."
        )
    table = np.frombuffer(content, record, count)
    columns = {at: table[str(at)].astype(np.float64) for at in absolute}
    bits = _find(root, "ValidPointsLink")
    if bits is not None and (bits.text or "").strip():
        packed = _member(archive, str(bits.text).strip(), count // 8 + 1024, name)
        _check_md5(packed, root, "MD5ChecksumValidPoints", name)
        valid = np.unpackbits(np.frombuffer(packed, np.uint8), bitorder="little")[:count]
        if len(valid) < count:
            raise UnreadableFile(
                f"{name}: the X3P is cut short: it says of {len(valid)} of {count} points whether they are valid."
            )
        columns[2][valid == 0] = np.nan
    return columns


def _check_md5(content: bytes, root: Any, tag: str, name: str) -> None:
    element = _find(root, tag)
    said = "" if element is None else (element.text or "").strip().lower()
    if len(said) == 32 and said != hashlib.md5(content, usedforsecurity=False).hexdigest():
        raise UnreadableFile(f"{name}: the points of the X3P do not match their checksum: the file was damaged.")


def _listed(root: Any, absolute: list[int], count: int, name: str) -> dict[int, NDArray[np.float64]]:
    """Return points that stand in the XML as ``x;y;z``, an empty datum for one that is not valid."""
    data = [element for element in root.iter() if str(element.tag).rsplit("}", 1)[-1] == "Datum"]
    if len(data) != count:
        raise UnreadableFile(f"{name}: the X3P says it has {count} points and lists {len(data)}.")
    rows = np.full((count, len(absolute)), np.nan)
    for at, element in enumerate(data):
        cells = (element.text or "").replace(",", ";").split(";")
        if not (element.text or "").strip():
            continue
        try:
            numbers = [float(cell) if cell.strip() else float("nan") for cell in cells]
        except ValueError:
            numbers = []
        # All three coordinates may be listed, or those of the absolute axes alone.
        if len(numbers) == 3:
            rows[at] = [numbers[axis] for axis in absolute]
        elif len(numbers) == len(absolute):
            rows[at] = numbers
        else:
            raise UnreadableFile(f"{name}: point {at + 1} of the X3P is not understood: {(element.text or '')[:40]!r}.")
    return {axis: rows[:, i] for i, axis in enumerate(absolute)}
