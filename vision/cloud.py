"""A point cloud of a seam cut into sections square to it, one profile after the other.

The seam's direction, its gentle curve and the side of the air are found from the cloud itself or given. The cloud is
then straightened: each point gets its place along the seam and its two coordinates in the section there, x to the
right and y into the air, seen along the seam.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable, UsageError
from core.geometry import Points
from vision.cloud_air import air_of
from vision.cloud_change import change_along, is_change
from vision.cloud_profile import LEAST_POINTS, profile_of_slab
from vision.cloud_seam import (
    GRID_MM,
    Centreline,
    direction_around,
    fit_centreline,
    on_grid,
    seam_direction,
    shifts_between,
    surface_normals,
)
from vision.cloud_slab import LONGEST_MM, slab_length
from vision.profile import Profile
from vision.section import Flag
from vision.structure import JointChoice

Vector = NDArray[np.float64]

FEWEST = 500
SMALLEST_MM, LARGEST_MM = 3.0, 2e4
"""A seam with its plates is not smaller, and points as dense as are needed are not spread over more."""

PIECES, POINTS_OF_A_PIECE = 5, 4_000
PIECE_MM = (1.0, 8.0)
ROW_MM = 4.0
"""Length of the pieces by which a seam's curve, and what crosses it, is seen."""

NEIGHBOURING_MM = 22.0
CROSSED_MM = 0.35
"""A section whose surfaces lie as a whole so far off those of its neighbours is crossed by something."""

BEHIND_MM = 2.5
CROSSED = "another bead or an obstacle crosses the seam here"
CHANGES = "the surfaces change along the seam within this section: something begins to cross it, or a plate steps"
FEW = "the cloud has too few points here"
PARTLY = "only a part of the section is seen here"
LEAST_SEEN, NEAR_MM = 0.8, 2.0
"""A section with points near less than this share of its neighbours' width may lack a plate, and take a cap for one."""

WHOLE, MORE_SHOWN = 0.95, 0.05
"""Along its seam a cloud shows nearly whole joints; where less shows another direction is tried, and must show more."""

MIDDLE = 0.4
"""Of a seam around a pipe so much is nearly straight: looked at along its middle the rest is smeared."""

CHANGES_LOOKED_AT = 25
WIDER = 1.5
SEED = 5


@dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """Points in mm, (N, 3), with the file they came from."""

    points_mm: NDArray[np.float64]
    path: str = ""
    sha256: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class CloudInfo:
    """What was found out about a cloud before it was cut.

    Attributes
    ----------
    seam, air
        (3,) unit vectors in the frame of the cloud: along the seam in its middle, and into the air.
    seam_how, air_how
        How each was told, in words.
    points
        Finite points of the cloud.
    noise_mm, spacing_mm
        Scatter of points across the surface, and usual distance of neighbours.
    length_mm, bend_mm
        Length of the seam, and how far it leaves the chord between its ends.
    flags
        Doubts, for every weld of the cloud.
    """

    seam: Vector
    air: Vector
    seam_how: str
    air_how: str
    points: int
    noise_mm: float
    spacing_mm: float
    length_mm: float
    bend_mm: float
    flags: tuple[Flag, ...] = ()


class CloudSection(NamedTuple):
    """One section: its place along the seam, its profile, or the reason why there is none."""

    position_mm: float
    profile: Profile | None
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Sections:
    """Sections of a cloud in order along the seam, each made when it is asked for.

    ``len(sections)`` is known at once, ``sections.at(i)`` makes one, iterating makes all.
    """

    info: CloudInfo
    pitch_mm: float
    slab_mm: float
    _along: Vector
    _section: NDArray[np.float64]
    _neighbours: _Neighbours = field(repr=False)
    _usual_change_mm: float = 0.0

    def __len__(self) -> int:
        return int(max(0.0, (self.info.length_mm - self.slab_mm) / self.pitch_mm + 1e-6)) + 1

    def __iter__(self) -> Iterator[CloudSection]:
        return (self.at(index) for index in range(len(self)))

    def at(self, index: int) -> CloudSection:
        """Return one section; it spans ``slab_mm`` of seam, or more where a row is missing."""
        position = index * self.pitch_mm
        centre = position + min(self.slab_mm, self.info.length_mm) / 2
        slab, points, length = None, self._section[:0], self.slab_mm
        while slab is None and length <= max(LONGEST_MM, self.slab_mm):
            low, high = np.searchsorted(self._along, [centre - length / 2, centre + length / 2])
            points = self._section[low:high]
            slab = profile_of_slab(self._neighbours.without_behind(points, centre))
            length *= WIDER
        if slab is None:
            return CloudSection(position, None, FEW)
        if self._neighbours.crossed(slab.profile.points_mm, centre):
            return CloudSection(position, None, CROSSED)
        if is_change(self._neighbours.change(self._along[low:high], points, centre), self._usual_change_mm):
            return CloudSection(position, None, CHANGES)
        if self._neighbours.seen_share(points, centre) < LEAST_SEEN:
            return CloudSection(position, None, PARTLY)
        return CloudSection(position, slab.profile, "")


def sections(
    cloud: Cloud,
    pitch_mm: float,
    *,
    seam: Sequence[float] | None = None,
    air: Sequence[float] | None = None,
    slab_mm: float | None = None,
    joint: JointChoice = "auto",
) -> Sections:
    """Cut a cloud into sections square to its seam.

    Parameters
    ----------
    pitch_mm
        Distance from section to section.
    seam, air
        Directions in the frame of the cloud, where they are known: three numbers of any length. Left and right are as
        seen along the seam with the air above.
    slab_mm
        Length of seam whose points make one section: ``pitch_mm`` or as much more as the points need that lie
        sparsely, in rows, or scatter (`vision.cloud_slab`). More points make a section better known, and average over
        what changes along the seam.

    Raises
    ------
    NothingMeasurable
        When the seam's direction or the side of the air cannot be told.
    UsageError
        When a direction is no direction, or both are the same.
    """
    if not (pitch_mm > 0 and (slab_mm is None or slab_mm > 0)):
        raise UsageError("--pitch must be greater than zero.")
    points = cloud.points_mm[np.isfinite(cloud.points_mm).all(axis=1)]
    if len(points) < FEWEST:
        raise NothingMeasurable(f"the cloud has {len(points)} points; a seam needs {FEWEST} or more")
    across = float(np.ptp(np.quantile(points, [0.02, 0.98], axis=0), axis=0).max())
    if not SMALLEST_MM < across < LARGEST_MM:
        raise NothingMeasurable(
            f"the points lie over {across:.3g} mm in all, which is no seam: say with --file-units if they are not in mm"
        )
    rng = np.random.default_rng(SEED)
    surface = surface_normals(points, rng)
    along = seam_direction(surface.normals) if seam is None else _unit(seam, "--along")
    seam_how = "found: the direction that the surfaces are swept along" if seam is None else "as given"
    found = _air(points, along, air, joint, rng)
    if seam is None and (isinstance(found, NothingMeasurable) or found.shown < WHOLE):
        around = direction_around(surface.normals, along)
        other = _air(points, around, air, joint, rng, MIDDLE)
        least = 0.0 if isinstance(found, NothingMeasurable) else found.shown + MORE_SHOWN
        if not isinstance(other, NothingMeasurable) and other.shown > max(least, WHOLE):
            along, seam_how, found = around, "found: around a pipe, whose own axis shows no whole joint", other
    if isinstance(found, NothingMeasurable):
        raise found
    up = found.up
    frame = np.column_stack([along, np.cross(along, up), up])
    origin = np.median(points, axis=0)
    local = (points - origin) @ frame
    line, ends = _centreline(local)
    local = local[(local[:, 0] >= ends[0]) & (local[:, 0] <= ends[1])]
    place, section = _straightened(local, line)
    low, high = np.quantile(place, [0.0005, 0.9995])
    inside = (place >= low) & (place <= high)
    place, section = place[inside] - low, section[inside]
    order = np.argsort(place, kind="stable")
    place, section = place[order], section[order]
    length = float(high - low)
    middle = np.array([1.0, *line.at(np.array([line.middle]), 1)[0]])
    info = CloudInfo(
        seam=frame @ (middle / np.linalg.norm(middle)),
        air=up,
        seam_how=seam_how,
        air_how=found.how,
        points=len(points),
        noise_mm=surface.noise_mm,
        spacing_mm=surface.spacing_mm,
        length_mm=length,
        bend_mm=line.bend_mm,
        flags=_flags(found.doubtful),
    )
    neighbours = _neighbours(place, section, length)
    slab = slab_mm or slab_length(place, section, pitch_mm, surface.noise_mm)
    usual = _usual_change(place, section, slab, neighbours)
    return Sections(info, pitch_mm, slab, place, section, neighbours, usual)


def _usual_change(along: Vector, section: Points, slab_mm: float, neighbours: _Neighbours) -> float:
    """Return by how much plates usually change within a slab, mm: nothing, or as much as rows lie off as a whole."""
    half = slab_mm / 2
    changes = []
    for centre in np.linspace(half, max(float(along[-1]) - half, half), CHANGES_LOOKED_AT):
        low, high = np.searchsorted(along, [centre - half, centre + half])
        changes.append(neighbours.change(along[low:high], section[low:high], float(centre)))
    # What crosses takes up less of a seam than that.
    return float(np.quantile(changes, 0.75))


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
    _unit((x, y, z), option)
    return x, y, z


def _unit(direction: Sequence[float], option: str) -> Vector:
    vector = np.asarray(direction, np.float64)
    if vector.shape != (3,) or not np.isfinite(vector).all() or not np.linalg.norm(vector) > 0:
        raise UsageError(f"{option} must be three finite numbers, not all zero.")
    return np.asarray(vector / np.linalg.norm(vector))


def _flags(doubtful: bool) -> tuple[Flag, ...]:
    if not doubtful:
        return ()
    return (Flag("air_side_doubtful", "the cloud shows a joint from both sides: give the side of the air with --air"),)


class _Up(NamedTuple):
    """The unit vector into the air, how it was told, whether that is doubtful, and how much of a joint shows there."""

    up: Vector
    how: str
    doubtful: bool
    shown: float


def _air(
    points: NDArray[np.float64],
    along: Vector,
    given: Sequence[float] | None,
    joint: JointChoice,
    rng: np.random.Generator,
    middle: float = 1.0,
) -> _Up | NothingMeasurable:
    """Return where the air is, square to the seam, or that no side shows a joint in a share of the seam."""
    if given is not None:
        up = _unit(given, "--air")
        up = up - (up @ along) * along
        if np.linalg.norm(up) < 0.2:
            raise UsageError("--air points along the seam: give the direction from the metal into the air.")
        return _Up(up / np.linalg.norm(up), "as given", False, 1.0)
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
    return _Up(up, f"found: {found.how}", found.doubtful, found.shown)


def _centreline(local: NDArray[np.float64]) -> tuple[Centreline, tuple[float, float]]:
    """Return the seam's line from pieces of it laid over each other, and where it ends; x along, y across, z up."""
    low, high = (float(v) for v in np.quantile(local[:, 0], [0.001, 0.999]))
    places, heights, _ = _rows(local[:, 0], local[:, 1:], low, high)
    shifts = shifts_between(heights)
    known = np.isfinite(shifts).all(axis=1)
    everywhere = (-math.inf, math.inf)
    if not known.any():
        return Centreline((low + high) / 2, max((high - low) / 2, 1e-6), np.zeros(1), np.zeros(1)), everywhere
    # Beyond the last piece that is like the others nothing of the seam is seen: a bench, or nothing at all.
    first, last = np.flatnonzero(known)[[0, -1]]
    half = (places[1] - places[0]) / 2
    start = places[first] - half if first > 0 else -math.inf
    end = places[last] + half if last < len(places) - 1 else math.inf
    line = fit_centreline(places[known], shifts[known], max(low, start), min(high, end))
    return line, (start, end)


def _rows(
    along: Vector, section: NDArray[np.float64], low: float, high: float
) -> tuple[Vector, list[Vector], tuple[float, float]]:
    """Return centres of pieces along the seam, their heights on one grid, and the grid's ends."""
    count = max(3, round((high - low) / ROW_MM))
    edges = np.linspace(low, high, count + 1)
    left, right = (float(v) for v in np.quantile(section[:, 0], [0.001, 0.999]))
    order = np.argsort(along, kind="stable")
    bounds = np.searchsorted(along[order], edges)
    heights = []
    for first, last in pairwise(bounds):
        index = order[first:last]
        index = index[:: max(1, len(index) // POINTS_OF_A_PIECE)]
        slab = profile_of_slab(section[index])
        unknown = np.full(len(np.arange(left, right, GRID_MM)), np.nan)
        heights.append(unknown if slab is None else on_grid(slab.profile.points_mm, left, right))
    return (edges[:-1] + edges[1:]) / 2, heights, (left, right)


def _straightened(local: NDArray[np.float64], line: Centreline) -> tuple[Vector, NDArray[np.float64]]:
    """Return each point's place along the line, mm, and its coordinates in the section there, (N,) and (N, 2)."""
    x = local[:, 0].copy()
    for _ in range(4):
        offset = local - np.column_stack([x, line.at(x)])
        tangent = np.column_stack([np.ones(len(x)), line.at(x, 1)])
        second = line.at(x, 2)
        slope = np.sum(tangent**2, axis=1) - np.sum(offset[:, 1:] * second, axis=1)
        x += np.sum(offset * tangent, axis=1) / np.maximum(slope, 0.2)
    offset = local - np.column_stack([x, line.at(x)])
    tangent = np.column_stack([np.ones(len(x)), line.at(x, 1)])
    size = np.linalg.norm(tangent, axis=1)
    tangent /= size[:, None]
    up = np.array([0.0, 0.0, 1.0]) - tangent[:, 2:3] * tangent
    up /= np.linalg.norm(up, axis=1)[:, None]
    right = np.cross(up, tangent)  # x along, y right, z up is a left-handed frame
    table = np.linspace(x.min(), x.max(), 2001)
    speed = np.sqrt(1 + np.sum(line.at(table, 1) ** 2, axis=1))
    length = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(table))])
    place = np.interp(x, table, length)
    return place, np.column_stack([np.sum(offset * right, axis=1), np.sum(offset * up, axis=1)])


@dataclass(frozen=True, slots=True, eq=False)
class _Neighbours:
    """Usual heights of the sections about each place along the seam."""

    places: Vector
    heights: NDArray[np.float64]
    sides: tuple[float, float]

    def without_behind(self, points: Points, place: float) -> Points:
        """Return the points that do not lie far behind the surface of the neighbours: seen through a hole of it."""
        usual = self._usual(place)
        cell = np.clip(((points[:, 0] - self.sides[0]) / GRID_MM).astype(int), 0, len(usual) - 1)
        behind = points[:, 1] < usual[cell] - BEHIND_MM
        return np.asarray(points[~behind])

    def _usual(self, place: float) -> Vector:
        return np.asarray(self.heights[int(np.argmin(np.abs(self.places - place)))])

    def change(self, along: Vector, points: Points, place: float) -> float:
        """Return by how much the plates of a section's points change from its one end to the other, mm."""
        usual = self._usual(place)
        cell = np.clip(((points[:, 0] - self.sides[0]) / GRID_MM).astype(int), 0, len(usual) - 1)
        return change_along(along, points[:, 0], points[:, 1] - usual[cell])

    def seen_share(self, points: Points, place: float) -> float:
        """Return over which share of the width that the neighbours show points of a section lie, however few."""
        known = self.sides[0] + GRID_MM * np.flatnonzero(np.isfinite(self._usual(place)))
        across = np.sort(points[:, 0])
        after = np.searchsorted(across, known).clip(1, len(across) - 1)
        nearest = np.minimum(np.abs(across[after] - known), np.abs(across[after - 1] - known))
        return float(np.mean(nearest < NEAR_MM)) if len(known) else 1.0

    def crossed(self, profile: Points, place: float) -> bool:
        """Tell whether a profile as a whole lies off those of its neighbours."""
        difference = on_grid(profile, *self.sides) - self._usual(place)
        difference = difference[np.isfinite(difference)]
        return len(difference) > 20 and abs(float(np.median(difference))) > CROSSED_MM


def _neighbours(along: Vector, section: NDArray[np.float64], length: float) -> _Neighbours:
    places, rows, sides = _rows(along, section, 0.0, length)
    heights = np.array(rows)
    usual = np.full_like(heights, np.nan)
    for i, place in enumerate(places):
        near = heights[np.abs(places - place) < NEIGHBOURING_MM]
        seen = np.isfinite(near).sum(axis=0) >= 2
        usual[i, seen] = np.nanmedian(near[:, seen], axis=0)
    return _Neighbours(places, usual, sides)
