"""The whole way for one laser frame: pixels to the line, the line to a profile in mm, the profile to welds.

A frame of a folder, a video or a single file go the same way; `inspection.picture` and scans both stand on it.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.errors import NothingMeasurable, UsageError
from inspection.gap_doubt import with_gaps
from inspection.groove_light import with_doubtful_ends
from inspection.settings import JointChoice, Region
from vision.profile import Profile
from vision.section import Flag
from vision.stripe import Stripe, extract, line_channel
from vision.stripe_profile import check_frame, profile_from_stripe

if TYPE_CHECKING:
    from vision.found import FoundWelds

MANY_SATURATED = 0.3

LEAST_SLANT = 0.3
"""A line that rises by a larger share of its extent, one way or the other, may be followed along either side."""

HARDLY_SEEN = {"few_plate_points", "edge_not_seen"}
"""Flags of a weld of which a plate rests on few points, or on none."""


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredFrame:
    """What one frame gave: the line in the picture, the profile in mm, the welds in it."""

    stripe: Stripe
    profile: Profile
    found: FoundWelds


def measure_frame(
    pixels: NDArray[Any],
    calibration: Calibration,
    *,
    joint: JointChoice = "auto",
    region: Region | None = None,
    outside_diameter_mm: float | None = None,
) -> MeasuredFrame:
    """Find the welds that the laser line of a frame shows.

    Parameters
    ----------
    pixels
        (H, W) or (H, W, 3) blue, green, red; 8 or 16 bits, as the camera gave them.
    region
        (x, y, width, height) in pixels; the line is sought inside.
    outside_diameter_mm
        Of the pipe, where the parent metal is one and its size is known.

    Raises
    ------
    CalibrationRefused
        When the calibration is not that of a rig with such frames.
    NothingMeasurable
        When there is no clear line or no weld in it, with what was seen instead.
    """
    check_frame(calibration, pixels.shape)
    stripe = _within(pixels, region)
    try:
        first = _measured(pixels, stripe, calibration, joint, outside_diameter_mm)
    except NothingMeasurable:
        other = _measured_across(pixels, region, stripe, calibration, joint, outside_diameter_mm)
        if other is None:
            raise
        return other
    # A line that leads back shows as one that breaks off.
    breaks = any(0 <= gap.after < len(stripe.points_px) - 1 for gap in stripe.gaps)
    if breaks and "few_plate_points" in _hardly_seen(first):
        other = _measured_across(pixels, region, stripe, calibration, joint, outside_diameter_mm)
        if other is not None and not _hardly_seen(other):
            return other
    return first


def _hardly_seen(measured: MeasuredFrame) -> set[str]:
    """Return the flags that tell that a plate of a weld was hardly seen: it may lead back where it is followed."""
    return {flag.code for weld in measured.found.welds for flag in weld.section.flags} & HARDLY_SEEN


def _measured_across(
    pixels: NDArray[Any],
    region: Region | None,
    stripe: Stripe,
    calibration: Calibration,
    joint: JointChoice,
    outside_diameter_mm: float | None,
) -> MeasuredFrame | None:
    """Return what a slanted line gives when it is followed along the other side of the frame, None where nothing."""
    across = _followed_across(pixels, region, stripe)
    if across is not None:
        with contextlib.suppress(NothingMeasurable):
            other = _measured(pixels, across, calibration, joint, outside_diameter_mm)
            # Of a groove whose faces lead back the surfaces alone would be left, as of square edges.
            if all(weld.section.joint != "groove" for weld in other.found.welds):
                return other
    return None


def _followed_across(pixels: NDArray[Any], region: Region | None, stripe: Stripe) -> Stripe | None:
    """Return a slanted line followed along the other side of the frame, None where it is none or cannot be followed.

    Followed from top to bottom the edge of a lap that is square to a slanted plate leads back; from left to right it
    does not, or the other way round.
    """
    x, y = np.abs(stripe.points_px[-1] - stripe.points_px[0]).tolist()
    if min(x, y) < LEAST_SLANT * max(x, y):
        return None
    with contextlib.suppress(NothingMeasurable):
        return _within(pixels, region, "rows" if stripe.orientation == "columns" else "columns")
    return None


def _measured(
    pixels: NDArray[Any],
    stripe: Stripe,
    calibration: Calibration,
    joint: JointChoice,
    outside_diameter_mm: float | None,
) -> MeasuredFrame:
    from vision.find_profile import find_welds_in_profile

    profile = profile_from_stripe(stripe, calibration)
    found = find_welds_in_profile(
        profile, joint=joint, calibration=calibration, outside_diameter_mm=outside_diameter_mm
    )
    if not found.welds:
        raise NothingMeasurable(
            "no weld was recognised along the laser line: two straight plate surfaces with a weld between them are "
            "needed in the frame"
        )
    welds = with_gaps(found, profile, _stripe_flags(stripe)).welds
    if any(weld.section.joint == "groove" for weld in welds) and outside_diameter_mm is None:
        gray = line_channel(pixels)
        welds = tuple(with_doubtful_ends(weld, gray, stripe, calibration) for weld in welds)
    return MeasuredFrame(stripe, profile, replace(found, welds=welds))


def _within(
    pixels: NDArray[Any], region: Region | None, orientation: Literal["auto", "rows", "columns"] = "auto"
) -> Stripe:
    if region is None:
        return extract(pixels, orientation=orientation)
    x, y, width, height = region
    part = pixels[y : y + height, x : x + width]
    if min(part.shape[:2]) < 32:
        raise UsageError("--region must leave 32 x 32 pixels of the frame or more.")
    stripe = extract(np.ascontiguousarray(part), orientation=orientation)
    return replace(stripe, points_px=stripe.points_px + np.array([x, y], float))


def _stripe_flags(stripe: Stripe) -> tuple[Flag, ...]:
    flags = []
    share = float(stripe.saturated.mean())
    if share > MANY_SATURATED:
        text = f"the laser line is overexposed along {100 * share:.0f} % of its length: shorten the exposure"
        flags.append(Flag("stripe_saturated", text))
    if stripe.second_line > 0:
        text = (
            f"a second line, {100 * stripe.second_line:.0f} % as bright, runs beside the laser line: see in the "
            "overlay that the right one was taken, and cover what reflects"
        )
        flags.append(Flag("second_line", text))
    return tuple(flags)
