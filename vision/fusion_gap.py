"""The gap between the plates behind the root of a fillet: a dark line that continues one plate's surface."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Line, Points
from core.medians import median
from vision.fusion_frame import grid
from vision.fusion_line import Found
from vision.fusion_sheet import window_px
from vision.section import Section

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]
Floats = NDArray[np.float64]

REACH_MM, ALONG_MM, ACROSS_MM = 1.3, 0.05, 0.02
START_WITHIN = 0.9
LEAST_DEPTH = 6.0
CLEAR_OF_NOISE = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Seam:
    """A dark line behind the root: its middle line leads away from the root, dark from ``start_mm`` on."""

    line: Line
    width: Found | str
    blackout_mm: float
    start_mm: float = -0.1


def find_seam(gray: Gray, section: Section, calibration: Calibration) -> Seam | None:
    """Return the seam between the plates, None where none is seen behind either plate line."""
    surface, root = section.face, section.root
    if surface is None or root is None:
        return None
    leg = 0.5 * sum(float(np.hypot(*(toe - root))) for toe in (surface.toe_left, surface.toe_right))
    found: list[tuple[float, Seam]] = []
    for plate in (surface.left.fit.line, surface.right.fit.line):
        back = Line(float(root[0]), float(root[1]), -plate.dx, -plate.dy)
        seam = _dip(gray, back, (0.28 * leg, 0.62 * leg), section, calibration)
        if seam is not None:
            found.append(seam)
    return max(found, key=lambda item: item[0])[1] if found else None


def _dip(
    gray: Gray, back: Line, span_mm: tuple[float, float], section: Section, calibration: Calibration
) -> tuple[float, Seam] | None:
    """Return how clear a dark line stands along a way, and the line."""
    pixel = section.resolution_mm
    along = np.arange(span_mm[0], span_mm[1], max(2 * pixel, 2 * ALONG_MM))
    spacing = max(pixel, ACROSS_MM)
    across = np.arange(-REACH_MM, REACH_MM + spacing, spacing)
    at = _across(back, along, across, calibration)
    height, width = gray.shape
    if at.min() < 0 or at[..., 0].max() > width - 1 or at[..., 1].max() > height - 1 or len(along) < 4:
        return None
    rows = cv2.remap(gray, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    half = len(rows) // 2
    profile = np.partition(rows, (half - 1, half), axis=0)[half - 1 + len(rows) % 2 : half + 1].mean(axis=0)
    near = np.abs(across) < 0.75
    base = np.interp(across, across[~near], cv2.blur(profile[~near][:, None], (1, 9)).ravel())
    dip = base - profile
    noise = 1.4826 * median(np.abs(dip[~near] - median(dip[~near]))) + 0.5
    at_dip = int(np.argmax(np.where(near, dip, -np.inf)))
    depth = float(dip[at_dip])
    if depth < max(LEAST_DEPTH, CLEAR_OF_NOISE * noise):
        return None
    low, high = _half_crossings(dip, at_dip, 0.5 * depth)
    if low is None or high is None:
        # As wide as the window: that is the air beside a plate, not a gap.
        return None
    opening = (high - low) * spacing
    middle = -REACH_MM + 0.5 * (low + high) * spacing
    line = Line(
        float(back.x + middle * back.normal[0]), float(back.y + middle * back.normal[1]), back.dx, back.dy
    )  # fmt: skip
    spread = max(section.blur_mm, 0.7 * pixel)
    resolved = opening > 4.0 * spread + pixel
    value: Found | str = (
        Found(opening, float(np.hypot(0.3 * pixel, 0.15 * spread)))
        if resolved
        else f"a line shows between the plates, narrower than the picture resolves ({opening:.2f} mm)"
    )
    wide = opening + 4.0 * spread
    start = _start(gray, line, 0.5 * wide + 0.15, 0.5 * depth, span_mm[1], calibration)
    return depth / noise, Seam(line, value, wide, start)


def _across(line: Line, along: Floats, across: Floats, calibration: Calibration) -> Plane:
    """Return the places of the picture so far along a line and so far beside it, (I, J, 2) px."""
    starts = line.point + along[:, None] * line.direction
    return np.asarray(window_px(calibration, grid(starts, line.normal[None], across)), np.float32)


def _start(gray: Gray, line: Line, beside_mm: float, least: float, end_mm: float, calibration: Calibration) -> float:
    """Return from where on a line is dark against both of its sides, mm; weld metal may have closed it before."""
    along = np.arange(0.0, end_mm, ALONG_MM)
    across = np.array([-beside_mm, 0.0, beside_mm])
    at = _across(line, along, across, calibration)
    levels = cv2.remap(gray, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float32)
    dip = cv2.blur((levels[:, [0, 2]].min(axis=1) - levels[:, 1])[:, None], (1, 5)).ravel()
    bright = np.flatnonzero(dip < least)
    # A bright place in the far part is a grain, not the end of the gap.
    before = bright[bright < len(along) * START_WITHIN]
    return float(along[before[-1]]) if len(before) else -0.1


def _half_crossings(dip: NDArray[np.float32], peak: int, level: float) -> tuple[float | None, float | None]:
    """Return where the dip crosses a level on both sides of its peak, in samples."""
    ends: list[float | None] = []
    for step in (-1, 1):
        at = peak
        while 0 < at < len(dip) - 1 and dip[at] > level:
            at += step
        if dip[at] > level:
            ends.append(None)
            continue
        before = at - step
        share = (float(dip[before]) - level) / max(float(dip[before] - dip[at]), 1e-6)
        ends.append(before + step * share)
    return ends[0], ends[1]


def blackout(seam: Seam | None, calibration: Calibration) -> list[tuple[Points, float]]:
    """Return the seam as a line in the picture with the width to leave out, px."""
    if seam is None:
        return []
    ends = calibration.to_px(np.array([seam.line.at(seam.start_mm), seam.line.at(60.0)]))
    return [(ends, seam.blackout_mm / calibration.mm_per_px(ends[0]))]
