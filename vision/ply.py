"""Vertices of PLY files (G. Turk, "The PLY polygon file format", 1994): ASCII and binary of both byte orders.

Read here because the readers at hand are either under a licence that would bind the whole program or trust the counts
of a header; the layout is small. Faces and other elements after the vertices are not read.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile
from vision.point_table import MAX_POINTS, Table, number_rows

HEADER_BYTES = 1 << 16
TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
ORDERS = {"binary_little_endian": "<", "binary_big_endian": ">"}


def ply_table(data: bytes, name: str) -> Table:
    """Return x, y, z of the vertices; their unit where a comment of the header says ``units: mm``.

    Raises
    ------
    UnreadableFile
        When it is no PLY file with such vertices, or cut short.
    """
    end = data.find(b"end_header", 0, HEADER_BYTES)
    if not data.startswith(b"ply") or end < 0:
        raise UnreadableFile(f"{name}: this is not a PLY file: its header is missing or has no end.")
    header = data[:end].decode("ascii", errors="replace").splitlines()
    start = data.find(b"\n", end) + 1
    if start == 0:
        raise UnreadableFile(f"{name}: the PLY file ends with its header.")
    order, count, skipped, properties, unit = _header(header, name)
    if order is None:
        rows = _text(data[start:], count, skipped, properties, name)
    else:
        rows = _binary(data, start, count, skipped, properties, order, name)
    return Table(rows, (unit,) * 3)


def _header(
    lines: list[str], name: str
) -> tuple[str | None, int, list[tuple[int, list[str]]], list[tuple[str, str]], str | None]:
    """Return byte order (None: text), number of vertices, what stands before them, their properties, and the unit."""
    form, unit = "", None
    before: list[tuple[int, list[str]]] = []
    vertices: tuple[int, list[tuple[str, str]]] | None = None
    current: str | None = None
    for line in lines[1:]:
        words = line.split()
        if not words:
            continue
        if words[0] == "format" and len(words) > 1:
            form = words[1]
        elif words[0] in ("comment", "obj_info"):
            match = re.search(r"\bunits?\b\s*[:=]?\s*([A-Za-zµμ]+)", line)
            unit = match[1] if match else unit
        elif words[0] == "element" and len(words) == 3:
            if vertices is not None:
                break
            current, number = words[1], _count(words[2], name)
            if current == "vertex":
                vertices = (number, [])
            else:
                before.append((number, []))
        elif words[0] == "property" and len(words) >= 3:
            _add_property(words, current, vertices, before, name)
    if form != "ascii" and form not in ORDERS:
        raise UnreadableFile(f"{name}: the PLY file has the unknown format {form[:30]!r}.")
    if vertices is None or not {"x", "y", "z"} <= {label for label, _ in vertices[1]}:
        raise UnreadableFile(f"{name}: the PLY file has no vertices with x, y and z.")
    return ORDERS.get(form), vertices[0], before, vertices[1], unit


def _add_property(
    words: list[str],
    current: str | None,
    vertices: tuple[int, list[tuple[str, str]]] | None,
    before: list[tuple[int, list[str]]],
    name: str,
) -> None:
    if words[1] == "list" or words[1] not in TYPES:
        raise UnreadableFile(
            f"{name}: the PLY file has {' '.join(words)[:40]!r} in or before its vertices, which is not read: "
            "save the points alone."
        )
    if current == "vertex" and vertices is not None:
        vertices[1].append((words[2].lower(), TYPES[words[1]]))
    elif before:
        before[-1][1].append(TYPES[words[1]])


def _count(text: str, name: str) -> int:
    if not text.isdigit() or len(text) > 12 or int(text) > MAX_POINTS:
        raise UnreadableFile(f"{name}: the PLY file says it has {text[:30]} points, the limit is {MAX_POINTS}.")
    return int(text)


def _binary(
    data: bytes,
    start: int,
    count: int,
    skipped: list[tuple[int, list[str]]],
    properties: list[tuple[str, str]],
    order: str,
    name: str,
) -> NDArray[np.float64]:
    for number, types in skipped:
        start += number * sum(np.dtype(kind).itemsize for kind in types)
    record = np.dtype([(f"p{i}", order + kind) for i, (_, kind) in enumerate(properties)])
    if len(data) - start < count * record.itemsize:
        raise UnreadableFile(
            f"{name}: the PLY file is cut short: {count} points need {count * record.itemsize} bytes, "
            f"{max(0, len(data) - start)} are there."
        )
    table = np.frombuffer(data, record, count, start)
    labels = [label for label, _ in properties]
    return np.column_stack([table[f"p{labels.index(axis)}"].astype(np.float64) for axis in "xyz"])


def _text(
    data: bytes, count: int, skipped: list[tuple[int, list[str]]], properties: list[tuple[str, str]], name: str
) -> NDArray[np.float64]:
    labels = [label for label, _ in properties]
    columns = [labels.index(axis) for axis in "xyz"]
    skip = sum(number for number, _ in skipped)
    table = number_rows(data.decode("ascii", errors="replace"), columns, rows=count, skip=skip)
    if table is None:
        raise UnreadableFile(f"{name}: a vertex of the PLY file is not made of numbers, or one is missing.")
    if len(table) < count:
        raise UnreadableFile(f"{name}: the PLY file is cut short: it says {count} points and has {len(table)}.")
    return table
