"""Spatter on the outline of a section in a picture: the outline is led past it, as the surfaces beside it go on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from core.fitting import total_least_squares
from core.geometry import Points, intersection
from vision.found import FoundWelds, all_flagged
from vision.outline import Outline
from vision.profile import Profile
from vision.spatter import OVERHANG_MM, Bump, bumps, left_out, may_be_overlap, sticks_to, suspected, without

BESIDE_STEPS = (2, 12)
"""Points of the outline beside a foot whose line says how the surface goes on: from, to."""

OVERHANG_STEPS, OVERHANG_NOISES = 0.5, 4.0
"""A lobe of weld metal reaches over the plate by so many steps of the outline, and of its noise, at least: blur fills
the crevice below it, from which the outline comes out on top of the lobe."""

DEEPEST_SHARE = 1.0
"""Two surfaces meet below a drop no deeper than this share of its width."""


def beside_drops(
    found: FoundWelds, outlines: list[Outline], search: Callable[[list[Outline]], FoundWelds | None]
) -> FoundWelds:
    """Return the welds of an outline led past spatter that sticks to one of them; two of a joint stay as they are.

    Parameters
    ----------
    found
        What was found with it.
    search
        Finds the welds of outlines.
    """
    if len(outlines) > 1:
        return found
    (outline,) = outlines
    points = found.outline_mm[0]
    step_mm = float(np.hypot(*(points[1] - points[0])))
    noise = outline.noise_px / outline.step_px * step_mm
    drops = [drop for drop in bumps(points, noise) if any(sticks_to(drop, w.section, points) for w in found.welds)]
    if not drops:
        return found
    over_mm = min(max(OVERHANG_STEPS * step_mm, OVERHANG_NOISES * noise), OVERHANG_MM)
    lobes = [
        drop for drop in drops if any(may_be_overlap(drop, w.section, points, least_mm=over_mm) for w in found.welds)
    ]
    if lobes:
        return all_flagged(found, suspected(lobes))
    led = outline.points_px.copy()
    for drop in drops:
        led[drop.start + 1 : drop.stop] = _past(outline.points_px, drop)
    other = search([replace(outline, points_px=led)])
    if other is None or [w.section.joint for w in other.welds] != [w.section.joint for w in found.welds]:
        return all_flagged(found, suspected(drops))
    return replace(
        all_flagged(other, left_out(drops)),
        outline_px=found.outline_px,
        outline_mm=found.outline_mm,
        seen=_seen(points, drops),
    )


def _past(points: Points, drop: Bump) -> Points:
    """Return places for the points between the feet of a drop: on both surfaces to where they meet, or straight."""
    first, last = points[drop.start], points[drop.stop]
    way = np.stack([first, last])
    near, far = BESIDE_STEPS
    before = points[max(0, drop.start - far) : max(0, drop.start - near)]
    after = points[drop.stop + near : drop.stop + far]
    if min(len(before), len(after)) >= far - near:
        corner = intersection(total_least_squares(before), total_least_squares(after))
        if corner is not None and _is_below(corner, first, last):
            way = np.stack([first, corner, last])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    at = np.linspace(0.0, length[-1], drop.stop - drop.start + 1)[1:-1]
    return np.column_stack([np.interp(at, length, way[:, i]) for i in (0, 1)])


def _is_below(corner: Points, first: Points, last: Points) -> bool:
    """Tell whether a corner lies between two feet and not far from their chord: both surfaces lead there."""
    chord = last - first
    width = float(np.hypot(*chord))
    along = float((corner - first) @ chord) / width**2
    away = abs(float(chord[0] * (corner - first)[1] - chord[1] * (corner - first)[0])) / width
    return 0.0 < along < 1.0 and away < DEEPEST_SHARE * width


def _seen(points: Points, drops: list[Bump]) -> Profile:
    """Return the outline without the points of drops, their places as gaps."""
    count = len(points)
    step_mm = float(np.hypot(*(points[1] - points[0])))
    return without(Profile(points, np.zeros(count), True, np.zeros(count, bool), step_mm), drops)
