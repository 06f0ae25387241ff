"""Point clouds from files: three columns as text or as a NumPy array, PLY, PCD and X3P."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile
from vision.cloud import Cloud
from vision.pcd import pcd_table
from vision.picture import read_bytes
from vision.ply import ply_table
from vision.point_table import Table, array_columns, array_table, in_mm
from vision.point_text import text_columns, text_table

CLOUD_SUFFIXES = (".ply", ".pcd", ".xyz", ".asc", ".pts", ".txt", ".csv", ".npy", ".x3p")
FARTHEST_MM = 1e6
SAMPLE, OFTEN = 2000, 5
"""A point that is there so many times among so many of a cloud, exactly, stands for nothing that was measured."""


_READERS: dict[str, Callable[[bytes, str], Table]] = {
    ".ply": ply_table,
    ".pcd": pcd_table,
    **dict.fromkeys((".xyz", ".asc", ".pts", ".txt", ".csv"), lambda data, name: text_table(data, name, 3)),
    ".npy": lambda data, name: array_table(data, name, 3),
}


def read_cloud(path: str | Path, *, file_units: str | None = None) -> Cloud:
    """Read a point cloud; points that are not finite numbers are left out.

    Parameters
    ----------
    file_units
        Unit of the coordinates where the file itself names none, mm unless given. An ``.x3p`` is in metres by its
        standard.

    Raises
    ------
    UnreadableFile
        When the file is missing, damaged, of another kind, in pixels, or holds no points.
    """
    name = str(path)
    suffix = Path(path).suffix.lower()
    if suffix not in CLOUD_SUFFIXES:
        raise UnreadableFile(f"{name}: point clouds are read from {', '.join(CLOUD_SUFFIXES)} files.")
    data = read_bytes(path)
    if suffix == ".x3p":
        from vision.x3p import read_x3p

        found = read_x3p(data, name)
        if found.kind == "PRF":
            raise UnreadableFile(f"{name}: this X3P holds one profile: measure it with 'toeline measure'.")
        points = found.points_mm
    else:
        points = in_mm(_READERS[suffix](data, name), name, file_units)
    points = without_fillers(points[np.isfinite(points).all(axis=1)])
    if len(points) < 3:
        raise UnreadableFile(f"{name}: the cloud has {len(points)} points that are finite numbers.")
    if np.abs(points - np.median(points, axis=0)).max() > FARTHEST_MM:
        raise UnreadableFile(f"{name}: points lie more than a kilometre apart: check the columns and the units.")
    return Cloud(points, name, hashlib.sha256(data).hexdigest())


def without_fillers(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return points (N, 3) without those that a device wrote where it saw nothing, as -9999 in all three columns."""
    some = points[:: max(1, len(points) // SAMPLE)]
    values, counts = np.unique(some, axis=0, return_counts=True)
    for value in values[counts >= OFTEN] if len(values) > OFTEN else ():
        points = points[(points != value).any(axis=1)]
    return points


def is_cloud(path: str | Path) -> bool:
    """Tell whether a file holds a cloud and not a profile or a picture, as far as its name and its beginning tell."""
    suffix = Path(path).suffix.lower()
    if suffix in (".ply", ".pcd", ".xyz", ".asc", ".pts"):
        return True
    if suffix not in CLOUD_SUFFIXES:
        return False
    try:
        data = read_bytes(path)
        if suffix == ".x3p":
            from vision.x3p import read_x3p

            return read_x3p(data, str(path)).kind != "PRF"
    except UnreadableFile:
        return False
    columns = array_columns(data) if suffix == ".npy" else text_columns(data)
    return columns is not None and columns >= 3
