"""Points of PCD files, version 0.7 of the format's published description: ascii, binary and binary_compressed.

The third kind keeps each field of all points in a row, packed by LZF (M. Lehmann's LibLZF): literal runs, and
references to what was already unpacked, of at least 3 bytes and at most 8 KiB back.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile
from vision.point_table import MAX_POINTS, Table, number_rows

HEADER_BYTES = 1 << 16
MAX_UNPACKED_BYTES = 1 << 30
MOST_PACKED = 100
"""Three bytes of LZF stand for 264 at the most."""

KINDS = {
    ("F", 4): "<f4", ("F", 8): "<f8", ("I", 1): "<i1", ("I", 2): "<i2", ("I", 4): "<i4", ("I", 8): "<i8",
    ("U", 1): "<u1", ("U", 2): "<u2", ("U", 4): "<u4", ("U", 8): "<u8",
}  # fmt: skip


def pcd_table(data: bytes, name: str) -> Table:
    """Return x, y and z of the points; the format names no unit.

    Raises
    ------
    UnreadableFile
        When it is no PCD file with such points, or damaged.
    """
    header, start = _header(data, name)
    labels = header["FIELDS"]
    sizes = [_whole(text, name) for text in header["SIZE"]]
    counts = [_whole(text, name) for text in header.get("COUNT", ["1"] * len(labels))]
    kinds = [KINDS.get((kind, size)) for kind, size in zip(header["TYPE"], sizes, strict=False)]
    if not len(labels) == len(sizes) == len(counts) == len(kinds) or None in kinds:
        raise UnreadableFile(f"{name}: the fields of the PCD file do not fit together.")
    if not {"x", "y", "z"} <= set(labels):
        raise UnreadableFile(f"{name}: the PCD file has no fields x, y and z.")
    count = _points(header, name)
    fields = list(zip(labels, [str(kind) for kind in kinds], counts, strict=True))
    if sum(np.dtype(kind).itemsize * number for _, kind, number in fields) * count > MAX_UNPACKED_BYTES:
        raise UnreadableFile(f"{name}: the PCD file says it has more than {MAX_UNPACKED_BYTES} bytes of points.")
    how = header["DATA"][0].lower()
    readers = {"ascii": _text, "binary": _binary, "binary_compressed": _compressed}
    if how not in readers:
        raise UnreadableFile(f"{name}: the PCD file keeps its points as {how[:30]!r}, which is not known.")
    return Table(readers[how](data[start:], fields, count, name), (None,) * 3)


Fields = list[tuple[str, str, int]]


def _header(data: bytes, name: str) -> tuple[dict[str, list[str]], int]:
    header: dict[str, list[str]] = {}
    start = 0
    while start < min(len(data), HEADER_BYTES):
        end = data.find(b"\n", start)
        if end < 0:
            break
        words = data[start:end].decode("ascii", errors="replace").split()
        start = end + 1
        if not words or words[0].startswith("#"):
            continue
        header[words[0].upper()] = words[1:]
        if words[0].upper() == "DATA":
            break
    if any(not header.get(key) for key in ("FIELDS", "SIZE", "TYPE", "DATA")):
        raise UnreadableFile(f"{name}: this is not a PCD file: FIELDS, SIZE, TYPE or DATA is missing in its header.")
    return header, start


def _whole(text: str, name: str) -> int:
    if not text.isdigit() or len(text) > 12:
        raise UnreadableFile(f"{name}: the header of the PCD file has {text[:20]!r} where a whole number belongs.")
    return int(text)


def _points(header: dict[str, list[str]], name: str) -> int:
    if header.get("POINTS"):
        count = _whole(header["POINTS"][0], name)
    elif header.get("WIDTH") and header.get("HEIGHT"):
        count = _whole(header["WIDTH"][0], name) * _whole(header["HEIGHT"][0], name)
    else:
        raise UnreadableFile(f"{name}: the PCD file does not say how many points it has.")
    if count > MAX_POINTS:
        raise UnreadableFile(f"{name}: the PCD file says it has {count} points, the limit is {MAX_POINTS}.")
    return count


def _short(name: str, needed: int, there: int) -> UnreadableFile:
    return UnreadableFile(f"{name}: the PCD file is cut short: its points need {needed} bytes, {there} are there.")


def _text(data: bytes, fields: Fields, count: int, name: str) -> NDArray[np.float64]:
    first = np.concatenate([[0], np.cumsum([number for _, _, number in fields])]).tolist()
    columns = [first[[label for label, _, _ in fields].index(axis)] for axis in "xyz"]
    table = number_rows(data.decode("ascii", errors="replace"), columns, rows=count)
    if table is None:
        raise UnreadableFile(f"{name}: a point of the PCD file is not made of numbers, or one is missing.")
    if len(table) < count:
        raise UnreadableFile(f"{name}: the PCD file is cut short: it says {count} points and has {len(table)}.")
    return table


def _binary(data: bytes, fields: Fields, count: int, name: str) -> NDArray[np.float64]:
    record = np.dtype([(f"f{i}", kind, (number,)) for i, (_, kind, number) in enumerate(fields)])
    if len(data) < count * record.itemsize:
        raise _short(name, count * record.itemsize, len(data))
    table = np.frombuffer(data, record, count)
    labels = [label for label, _, _ in fields]
    return np.column_stack([table[f"f{labels.index(axis)}"][:, 0].astype(np.float64) for axis in "xyz"])


def _compressed(data: bytes, fields: Fields, count: int, name: str) -> NDArray[np.float64]:
    if len(data) < 8:
        raise _short(name, 8, len(data))
    packed, unpacked = (int(size) for size in np.frombuffer(data, "<u4", 2))
    needed = count * sum(np.dtype(kind).itemsize * number for _, kind, number in fields)
    if unpacked != needed or unpacked > MOST_PACKED * max(packed, 1):
        raise UnreadableFile(f"{name}: the PCD file says {unpacked} bytes of points where {needed} belong.")
    if len(data) < 8 + packed:
        raise _short(name, 8 + packed, len(data))
    content = lzf_unpacked(data[8 : 8 + packed], unpacked)
    if content is None:
        raise UnreadableFile(f"{name}: the packed points of the PCD file are damaged.")
    columns = {}
    start = 0
    for label, kind, number in fields:
        size = np.dtype(kind).itemsize * number * count
        columns[label] = np.frombuffer(content, kind, number * count, start).reshape(count, number)[:, :1]
        start += size
    return np.column_stack([columns[axis][:, 0].astype(np.float64) for axis in "xyz"])


def lzf_unpacked(packed: bytes, size: int) -> bytes | None:
    """Return what LZF packed, None when it is damaged or does not give ``size`` bytes."""
    out = bytearray()
    at, end = 0, len(packed)
    while at < end:
        control = packed[at]
        at += 1
        if control < 32:
            out += packed[at : at + control + 1]
            at += control + 1
            if at > end:
                return None
        else:
            length = control >> 5
            if length == 7:
                if at >= end:
                    return None
                length += packed[at]
                at += 1
            if at >= end:
                return None
            back = ((control & 31) << 8) + packed[at] + 1
            at += 1
            length += 2
            if back > len(out):
                return None
            start = len(out) - back
            if back >= length:
                out += out[start : start + length]
            else:
                # The reference reaches into what it writes: a pattern that repeats.
                pattern = bytes(out[start:])
                out += (pattern * (length // back + 1))[:length]
        if len(out) > size:
            return None
    return bytes(out) if len(out) == size else None
