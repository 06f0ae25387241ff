"""A point cloud of a seam cut into sections square to it, one profile after the other.

The seam's direction, its gentle curve and the side of the air are found from the cloud itself or given. The cloud is
then straightened: each point gets its place along the seam and its two coordinates in the section there, x to the
right and y into the air, seen along the seam.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable, UsageError
from vision.cloud_change import is_change
from vision.cloud_directions import Vector, unit_vector, up_of
from vision.cloud_neighbours import Neighbours, neighbours_of, usual_change
from vision.cloud_profile import profile_of_slab
from vision.cloud_seam import surface_normals
from vision.cloud_slab import LONGEST_MM, slab_length
from vision.cloud_straight import centreline_of, straightened
from vision.cloud_sweep import Sweep, direction_around, seam_direction
from vision.profile import Profile
from vision.section import Flag
from vision.structure import JointChoice

FEWEST = 500
SMALLEST_MM, LARGEST_MM = 3.0, 2e4
"""A seam with its plates is not smaller, and points as dense as are needed are not spread over more."""

CROSSED = "another bead or an obstacle crosses the seam here"
CHANGES = "the surfaces change along the seam within this section: something begins to cross it, or a plate steps"
FEW = "the cloud has too few points here"
PARTLY = "only a part of the section is seen here"
LEAST_SEEN = 0.8
"""A section with points near less than this share of its neighbours' width may lack a plate, and take a cap for one."""

WHOLE, MORE_SHOWN = 0.95, 0.05
"""Along its seam a cloud shows nearly whole joints; where less shows another direction is tried, and must show more."""

MIDDLE = 0.4
"""Of a seam around a pipe so much is nearly straight: looked at along its middle the rest is smeared."""

STRAIGHT_RAD = 0.07
"""The air is looked for where a curved seam has turned no farther from its direction (4 degrees)."""

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
    _neighbours: Neighbours = field(repr=False)
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
    sweep = seam_direction(surface) if seam is None else Sweep(unit_vector(seam, "--along"), 0.0)
    along = sweep.along
    seam_how = "found: the direction that the surfaces are swept along" if seam is None else "as given"
    found = up_of(points, along, air, joint, rng, min(1.0, STRAIGHT_RAD / max(sweep.turn_rad, 1e-9)))
    if seam is None and (isinstance(found, NothingMeasurable) or found.shown < WHOLE):
        around = direction_around(surface.normals, along)
        other = up_of(points, around, air, joint, rng, MIDDLE)
        least = 0.0 if isinstance(found, NothingMeasurable) else found.shown + MORE_SHOWN
        if not isinstance(other, NothingMeasurable) and other.shown > max(least, WHOLE):
            along, seam_how, found = around, "found: around a pipe, whose own axis shows no whole joint", other
    if isinstance(found, NothingMeasurable):
        raise found
    up = found.up
    frame = np.column_stack([along, np.cross(along, up), up])
    origin = np.median(points, axis=0)
    local = (points - origin) @ frame
    line, ends = centreline_of(local)
    local = local[(local[:, 0] >= ends[0]) & (local[:, 0] <= ends[1])]
    place, section = straightened(local, line)
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
    neighbours = neighbours_of(place, section, length)
    slab = slab_mm or slab_length(place, section, pitch_mm, surface.noise_mm)
    usual = usual_change(place, section, slab, neighbours)
    return Sections(info, pitch_mm, slab, place, section, neighbours, usual)


def _flags(doubtful: bool) -> tuple[Flag, ...]:
    if not doubtful:
        return ()
    return (Flag("air_side_doubtful", "the cloud shows a joint from both sides: give the side of the air with --air"),)
