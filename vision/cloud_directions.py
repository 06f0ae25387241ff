"""Directions in the frame of a cloud: as given in words or numbers, and where the air is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable, UsageError
from vision.cloud_air import air_of
from vision.cloud_profile import LEAST_POINTS
from vision.structure import JointChoice

Vector = NDArray[np.float64]

PIECES, POINTS_OF_A_PIECE = 5, 4_000
PIECE_MM = (1.0, 8.0)
"""The side of the air is looked for in so many pieces of the seam, of so many points, so long."""


def direction_of(text: str, option: str) -> tuple[float, float, float]:
    """Return the direction that ``x``, ``-z`` or ``0,0.5,1`` names.

    Raises
    ------
    UsageError
        When it names none.
    """
    bare = text.strip().lower()
    axis = bare.lstrip("+-")
    if axis in ("x", "y", "z") and len(bare) <= 2:
        size = -1.0 if bare.startswith("-") else 1.0
        return tuple(size if name == axis else 0.0 for name in "xyz")  # type: ignore[return-value]
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(f"{option} takes x, y, z, -x, -y, -z or three numbers like 0,0.5,1, got {text!r}.") from None
    unit_vector((x, y, z), option)
    return x, y, z


def unit_vector(direction: Sequence[float], option: str) -> Vector:
    """Return a direction of three numbers as a unit vector.

    Raises
    ------
    UsageError
        When they are not three finite numbers, or all zero.
    """
    vector = np.asarray(direction, np.float64)
    if vector.shape != (3,) or not np.isfinite(vector).all() or not np.linalg.norm(vector) > 0:
        raise UsageError(f"{option} must be three finite numbers, not all zero.")
    return np.asarray(vector / np.linalg.norm(vector))


class Up(NamedTuple):
    """The unit vector into the air, how it was told, whether that is doubtful, and how much of a joint shows there."""

    up: Vector
    how: str
    doubtful: bool
    shown: float


def up_of(
    points: NDArray[np.float64],
    along: Vector,
    given: Sequence[float] | None,
    joint: JointChoice,
    rng: np.random.Generator,
    middle: float = 1.0,
) -> Up | NothingMeasurable:
    """Return where the air is, square to the seam, or why it cannot be told.

    Parameters
    ----------
    points, along
        (N, 3) points in mm and the (3,) unit vector along the seam.
    given
        The direction into the air where it is known.
    middle
        Share of the seam's length that is looked at, about its middle.

    Raises
    ------
    UsageError
        When the given direction is none, or the seam's own.
    """
    if given is not None:
        up = unit_vector(given, "--air")
        up = up - (up @ along) * along
        if np.linalg.norm(up) < 0.2:
            raise UsageError("--air points along the seam: give the direction from the metal into the air.")
        return Up(up / np.linalg.norm(up), "as given", False, 1.0)
    across = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    across /= np.linalg.norm(across)
    other = np.cross(along, across)
    place = points @ along
    low, high = np.quantile(place, [0.002, 0.998])
    length = float(np.clip((high - low) * POINTS_OF_A_PIECE / len(points), *PIECE_MM))
    pieces = []
    for share in 0.5 + middle * ((np.arange(PIECES) + 0.5) / PIECES - 0.5):
        centre = low + share * (high - low)
        piece = points[np.abs(place - centre) < length / 2]
        if len(piece) > POINTS_OF_A_PIECE:
            piece = piece[rng.choice(len(piece), POINTS_OF_A_PIECE, replace=False)]
        if len(piece) >= LEAST_POINTS:
            pieces.append(np.column_stack([piece @ across, piece @ other]))
    try:
        found = air_of(pieces, joint)
    except NothingMeasurable as error:
        return error
    up = math.cos(found.angle_rad) * across + math.sin(found.angle_rad) * other
    return Up(up, f"found: {found.how}", found.doubtful, found.shown)
