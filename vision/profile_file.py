"""Profiles from files: two columns x, z as text, as a NumPy array or in an X3P, to an open or closed `Profile`.

The scatter of the points is estimated from their second differences (T. Gasser,
L. Sroka and C. Jennen-Steinmetz, "Residual variance and residual pattern in nonlinear regression",
Biometrika 73, 1986, 625-633).
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from core.errors import UnreadableFile
from core.geometry import Points, diagonal, signed_area, step_lengths
from core.medians import median
from vision.cloud_profile import profile_of_slab, usual_near
from vision.line_scatter import across_chords
from vision.picture import read_bytes
from vision.point_table import array_columns, array_table, cloud_hint, in_mm
from vision.point_text import text_columns, text_table
from vision.profile import Gap, Profile, usual_std_mm
from vision.profile_clean import cleaned
from vision.section import Flag

CLOUD_ONLY = (".ply", ".pcd", ".xyz", ".pts")
TEXT = (".csv", ".txt", ".asc")
SUFFIXES = (*TEXT, ".npy", ".x3p", *CLOUD_ONLY)
"""Files of points; those of clouds are told apart, so that they are not taken for pictures."""

GAP_STEPS, GAP_NOISE, MISSING = 5.0, 6.0, "the file has no points here"
DENSE = 1.5
"""Points whose scatter is larger than so many steps do not follow each other along the surface."""

MOST_SMOOTHED, SMOOTHER, STILL_GROWS, LEAST_SCATTER = 10, 0.8, 1.1, 2e-3
"""Most neighbours over which points are taken to be averaged; how much less than about the second ones points scatter
about their next neighbours then; growth from one neighbour to the next that tells that they still share something; what
they scatter at least, in spacings."""


@dataclass(frozen=True, slots=True, eq=False)
class ProfileFile:
    """A profile with the file it came from, and doubts that its points left."""

    profile: Profile
    path: str
    sha256: str
    flags: tuple[Flag, ...] = ()


def read_profile(path: str | Path, *, file_units: str | None = None) -> ProfileFile:
    """Read a profile from a ``.csv``, ``.npy`` or ``.x3p`` file.

    Parameters
    ----------
    file_units
        Unit of both columns where the file itself names none, mm unless given. An ``.x3p`` is in metres by its
        standard.

    Raises
    ------
    UnreadableFile
        When the file is missing, damaged, not of two columns or has fewer than 3 points.
    """
    name = str(path)
    suffix = Path(path).suffix.lower()
    data = read_bytes(path)
    if suffix in CLOUD_ONLY:
        raise UnreadableFile(cloud_hint(name))
    if suffix == ".x3p":
        from vision.x3p import profile_points_mm

        points = profile_points_mm(data, name)
    elif suffix in (".npy", *TEXT):
        points = _in_section(data, name, suffix, file_units)
    else:
        raise UnreadableFile(f"{name}: profiles are read from .csv or .npy files, and from .txt and .x3p.")
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 3:
        raise UnreadableFile(f"{name}: a profile needs at least 3 points, this file has {len(points)}.")
    if np.abs(points).max() > 1e6:
        raise UnreadableFile(f"{name}: points lie more than a kilometre away: check the columns and the units.")
    clean = cleaned(points, noise_std)
    if len(clean.points) < 3:
        raise UnreadableFile(f"{name}: a profile needs at least 3 points, this file has {len(clean.points)}.")
    profile = profile_from_points(clean.points)
    # Steps between points that scatter more than they are apart tell nothing of how far apart they are.
    spacing = diagonal(clean.points) / len(clean.points)
    dense = None if profile.closed or usual_std_mm(profile) < DENSE * spacing else _averaged(clean.points)
    flags: tuple[Flag, ...] = ()
    if clean.left_out:
        text = f"{clean.left_out} points of the file stand alone off the surface and were left out"
        flags = (Flag("stray_points", text),)
    if dense is None and profile.correlation_points > 1:
        flags += (_averaged_by_device(profile),)
    return ProfileFile(dense or profile, name, hashlib.sha256(data).hexdigest(), flags)


def _averaged_by_device(profile: Profile) -> Flag:
    """Return what a user is told of points that share their scatter with their neighbours."""
    over = round(profile.correlation_points)
    width = over * profile.resolution_mm
    text = (
        f"neighbouring points scatter together, as if the device averaged each over {over} of them ({width:.2f} mm): "
        "corners are rounded and narrow undercuts shallower by that; export points as measured where it can"
    )
    return Flag("points_averaged", text)


def _averaged(points: Points) -> Profile | None:
    """Return the profile of points whose scatter hides which comes first, by their means along the surface."""
    slab = profile_of_slab(points)
    return None if slab is None else slab.profile


def _in_section(data: bytes, name: str, suffix: str, file_units: str | None) -> Points:
    """Return the points of a table in mm, (N, 2): of a third column that is the same for all nothing is lost."""
    read, columns = (array_table, array_columns) if suffix == ".npy" else (text_table, text_columns)
    if columns(data) != 3:
        return in_mm(read(data, name, 2), name, file_units)
    points = in_mm(read(data, name, 3), name, file_units)
    points = points[np.isfinite(points).all(axis=1)]
    same = np.ptp(points, axis=0) == 0 if len(points) else np.zeros(3, bool)
    if np.count_nonzero(same) != 1:
        return in_mm(read(data, name, 2), name, file_units)  # which says what is wrong
    return np.asarray(points[:, ~same])


def profile_from_points(points_mm: Points) -> Profile:
    """Return the profile of finite points in mm, (N, 2), in the order in which they follow the surface.

    It is closed when the last point comes back to the first; an open one is ordered left to right.
    """
    points = points_mm[np.concatenate([[True], np.any(np.diff(points_mm, axis=0) != 0, axis=1)])]
    steps = np.hypot(*np.diff(points, axis=0).T)
    if len(points) < 3 or not steps.any():
        raise UnreadableFile("the profile has fewer than 3 different points.")
    spacing = float(np.median(steps))
    extent = diagonal(points)
    gap = float(np.hypot(*(points[-1] - points[0])))
    closed = len(points) > 8 and gap <= max(3 * spacing, 1e-9) and gap < 0.05 * extent
    if closed:
        points = points[:-1] if gap == 0 else points
        points = points[::-1] if signed_area(points) < 0 else points
    elif points[0, 0] > points[-1, 0]:
        points = points[::-1]
    rounded = height_step(points)
    std = math.hypot(noise_std(points), rounded / math.sqrt(12.0))
    smooth, smooth_std = (1, std) if rounded or closed else smoothed_over(points)
    std = max(std, smooth_std)
    steps = step_lengths(points)
    wide = (
        []
        if closed
        else np.flatnonzero(steps > GAP_STEPS * np.maximum(usual_near(steps), spacing) + GAP_NOISE * std).tolist()
    )
    return Profile(
        points_mm=points,
        std_mm=np.full(len(points), std),
        closed=closed,
        cut=np.zeros(len(points), bool),
        resolution_mm=spacing,
        blur_mm=0.0 if smooth == 1 else smooth * spacing / math.sqrt(12.0),
        correlation_points=float(smooth),
        gaps=tuple(Gap(index, float(steps[index]), MISSING) for index in wide),
        sampled=True,
    )


def height_step(points: Points) -> float:
    """Return the step to which heights are rounded, 0 where there is none: neighbours then agree too well."""
    different = np.unique(points[:, 1])
    if len(different) < 3 or len(different) > 0.5 * len(points):
        return 0.0
    steps = np.diff(different)
    least = float(np.min(steps))
    return least if np.abs(steps / least - np.round(steps / least)).max() < 0.02 else 0.0


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


def smoothed_over(points: Points) -> tuple[int, float]:
    """Return over how many neighbours the device averaged its points, 1 where it did not, and what they scatter then.

    A point scatters about the line through its next neighbours as much as about that through those farther off, unless
    they share what made them: it is so over as many neighbours as that grows. Wander of the surface, which grows on and
    on, is none: it hardly shows between next neighbours.
    """
    spreads = [_spread_across(points, stride)[0] for stride in range(1, min(MOST_SMOOTHED, len(points) // 8) + 1)]
    if len(spreads) < 3 or spreads[0] > SMOOTHER * spreads[1]:
        return 1, spreads[0] if spreads else 0.0
    if spreads[0] < LEAST_SCATTER * median(step_lengths(points)):
        return 1, spreads[0]  # drawn, or bent without any scatter
    for at in range(1, len(spreads) - 1):
        if spreads[at + 1] < STILL_GROWS * spreads[at]:
            return at + 1, spreads[at]
    return len(spreads), spreads[-1]


def _spread_across(points: Points, stride: int) -> tuple[float, float]:
    """Return the scatter across the line through the neighbours a stride away, and that stride's length."""
    across, chord = across_chords(points, stride)
    if len(across) == 0:
        return 0.0, 0.0
    return 1.4826 * float(np.median(np.abs(across))), float(np.median(chord) / 2)
