"""Undercut beside a toe: depth below the plate line, width at the plate line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from core.geometry import Points
from core.quantity import Measured, NotMeasurable, Quantity
from measurement.peak import Peak, blur_part, standing_out
from measurement.plate import TOE_REACH_MM
from measurement.sparse_groove import WIDTHS_MM, Groove, is_coarse, sparse_groove
from measurement.toe import Toe
from measurement.uncertainty import MISSING, Noise, quantity
from measurement.undercut_hump import hidden_by_hump

LONGEST_MM = 6.0
"""No undercut reaches farther from the toe than this."""

UNSURE_TOE_MM = 0.5
"""A toe that is known no better (standard uncertainty) does not tell a shallow groove from a hollow face."""

RIM_ROUNDED = 1.5
"""Where a plate ends, blur has rounded its rim over no more than so many times what it rounds beside a corner: no wall
of an undercut (three standard deviations of a Gaussian spread leave 0.002 of one)."""

MOST_HIDDEN_MM = 0.8
"""An undercut that may be so deep without being seen is not reported as none."""

WIDTH_IN_DEVIATIONS, MOST_FILLED, FILL_DOUBT, LINE_FILL_DOUBT = 3.7, 0.75, 0.6, 1.8
"""Width of an undercut at the plate line in standard deviations of the Gaussian most like it; the most that blur
is taken to have taken of its variance; share of the correction that is doubt. Judged on rendered pictures."""

ALONG_LINE = 2.2
"""Optics that blur a line along as much as across round it by so many times what thick light does: the floor of a
groove is then seen higher by as much as it is curved, a little more in a notch. How much of a line's width is which, a
frame does not tell (judged on frames drawn either way)."""


HIDDEN_SHARE = 0.75
"""Share of what may be hidden beneath a hump that is its standard uncertainty: the interval (k = 2) holds all of it."""

HUMP = "something stands in the undercut, like spatter: it is deeper beneath that, look at it"


@dataclass(frozen=True, slots=True)
class Undercut:
    """Depth and width of the groove beside one toe."""

    depth: Measured
    width: Measured

    @property
    def present(self) -> bool:
        return isinstance(self.depth, Quantity) and self.depth.value > 0


def undercut(toe: Toe, noise: Noise) -> Undercut:
    """Return depth and width of the undercut, both 0 when nothing lies below the plate line but noise."""
    along, depth = _beside(toe, RIM_ROUNDED * noise.rounded_mm)
    if len(along) < 5:
        missing = NotMeasurable("fewer than 5 points of plate surface beside the toe; show more of the plate")
        return Undercut(missing, missing)
    near = along <= TOE_REACH_MM
    base_std = max(toe.fit.std_at(toe.along_plate), toe.fit.std_at(toe.along_plate + TOE_REACH_MM))
    if np.count_nonzero(near) < 5:
        near = along <= along[min(4, len(along) - 1)]
    coarse = is_coarse(noise)
    groove = sparse_groove(along, depth, noise, base_std) if coarse else None
    if groove is not None and groove.present:
        if groove.width < WIDTHS_MM[-1]:
            return _of_few_points(groove, toe, noise)
        groove = None  # one wider than any that was looked for has points enough
    peak, reach = standing_out(along[near], depth[near], noise, base_std)
    if groove is not None:
        peak, reach = None, max(reach, 2.0 * groove.std)
    if peak is None:
        if toe.std > UNSURE_TOE_MM and _dips(toe, 2 * reach):
            either = NotMeasurable(
                f"the toe is not known to better than {2 * toe.std:.1f} mm, and what lies below the plate line "
                "beside it may be undercut or the face itself; mark the toe"
            )
            return Undercut(either, either)
        if reach > MOST_HIDDEN_MM:
            deep = f"an undercut {reach:.1f} mm deep" if math.isfinite(reach) else "an undercut of any depth"
            hidden = NotMeasurable(f"points lie so far apart beside the toe that {deep} may lie between them")
            return Undercut(hidden, hidden)
        note = f"no undercut above the noise of {reach:.3f} mm"
        none = quantity(0.0, "mm", {"edge": reach / 2}, noise, note=note)
        return Undercut(none, none)
    width = _width(along, depth, peak, toe, noise)
    filled = peak.height * _filled_share(width, noise)
    doubt = LINE_FILL_DOUBT if noise.of_line else FILL_DOUBT
    parts = {
        "edge": peak.std,
        "plate fit": toe.fit.std_at(toe.along_plate + peak.along),
        "blur": max(blur_part(peak, noise, ALONG_LINE if noise.of_line else 1.0), doubt * filled),
    }
    extent = width.value if isinstance(width, Quantity) else LONGEST_MM
    beneath = hidden_by_hump(along, depth, extent, noise.point_std_mm)
    if beneath > 0:
        parts[MISSING] = HIDDEN_SHARE * beneath
    told = HUMP if beneath > 0 else None
    return Undercut(quantity(peak.height + filled, "mm", parts, noise, note=told), width)


def _dips(toe: Toe, least_mm: float) -> bool:
    """Tell whether the face dips below the plate line where the toe may still be, or as a groove beside the weld does.

    Beyond such a groove the face rises above the line; that of plates out of line may only go down to the lower one.
    """
    along, height = toe.face[:, 0], toe.face[:, 1]
    below = height < -least_mm
    risen = np.flatnonzero(height > least_mm)
    groove = (along < LONGEST_MM) & (np.arange(len(along)) < (risen[-1] if len(risen) else 0))
    return bool(np.any(below & ((along < 2 * toe.std) | groove)))


def _of_few_points(groove: Groove, toe: Toe, noise: Noise) -> Undercut:
    """Return depth and width of a groove by its form; that of its points' stretches is in it already."""
    parts = {"edge": groove.std, "plate fit": toe.fit.std_at(toe.along_plate + groove.start)}
    width = quantity(groove.start + groove.width, "mm", {"edge": groove.width_std, toe.source: toe.std}, noise)
    return Undercut(quantity(groove.depth, "mm", parts, noise), width)


def _filled_share(width: Measured, noise: Noise) -> float:
    """Return by which share of what is seen of it a narrow groove is deeper: blur fills it.

    A Gaussian groove of standard deviation s that was blurred by b is left with sqrt(1 - b²/s²) of its depth.
    """
    if not isinstance(width, Quantity) or width.value <= 0:
        return 0.0
    spread = (noise.blur_mm * WIDTH_IN_DEVIATIONS / width.value) ** 2
    return 1 / math.sqrt(1 - min(spread, MOST_FILLED)) - 1


def _beside(toe: Toe, rim_mm: float) -> tuple[Points, Points]:
    """Distance from the toe outwards, rising, and depth below the plate line, but for what lies at the plate's rim."""
    along, depth = -toe.plate[:, 0], -toe.plate[:, 1]
    furthest = min(LONGEST_MM, float(along.max()) - rim_mm) if len(along) else 0.0
    inside = (along >= 0) & (along <= furthest)
    order = np.argsort(along[inside], kind="stable")
    return along[inside][order], depth[inside][order]


def _width(along: Points, depth: Points, peak: Peak, toe: Toe, noise: Noise) -> Measured:
    """The outer wall, from seven tenths of the depth upwards, is extended to the plate line as a parabola."""
    outer = np.flatnonzero(along > peak.along)
    shallow = outer[depth[outer] < max(0.12 * peak.height, noise.point_std_mm)]
    if len(shallow) == 0:
        return NotMeasurable("the undercut reaches beyond the visible plate surface; show more of the plate")
    end = int(shallow[0])
    steep = peak.height / max(float(along[end]) - peak.along, 1e-6)
    wall = outer[(outer < end) & (depth[outer] < 0.7 * peak.height)]
    if len(wall) >= 5:
        rows = slice(int(wall[0]), end)
        extended = _crossing(along[rows], depth[rows])
        if extended is not None:
            width, slope, share = extended
            edge_std = noise.of_mean(share) / slope
            # how a wall goes on beyond its points is known to a fifth of the way
            doubt = 0.2 * (width - float(along[end - 1]))
            return _crossed(width, math.hypot(edge_std, doubt), slope, toe, noise)
    return _crossed(float(along[end]), noise.point_std_mm / steep + 0.1 * peak.height / steep, steep, toe, noise)


def _crossing(x: Points, y: Points) -> tuple[float, float, float] | None:
    """Return where a parabola through a wall comes to 0, its fall there, and the leverage of that place."""
    reach = float(x[-1] - x[0])
    t = (x - x[-1]) / reach
    design = np.vstack([np.ones_like(t), t, t * t])
    # numpy's own takes longer over the call than over so few numbers
    inverse = np.asarray(cv2.invert(design @ design.T, flags=cv2.DECOMP_SVD)[1], float)
    a, b, c = (inverse @ (design @ y)).tolist()
    within = [root for root in _roots(c, b, a) if 0.0 < root < 1.0]
    if not within:
        return None
    zero = min(within)
    slope = -(b + 2 * c * zero) / reach
    at = np.array([1.0, zero, zero * zero])
    return (float(x[-1] + zero * reach), float(slope), float(at @ inverse @ at)) if slope > 0.02 else None


def _roots(square: float, linear: float, constant: float) -> tuple[float, ...]:
    """Return the real roots of a polynomial of degree 2, or of what is left of it."""
    if square == 0.0:
        return () if linear == 0.0 else (-constant / linear,)
    inner = linear * linear - 4.0 * square * constant
    if inner < 0.0:
        return ()
    # the sum that loses no digits, and the other root by their product
    half = -0.5 * (linear + math.copysign(math.sqrt(inner), linear))
    return (half / square,) if half == 0.0 else (half / square, constant / half)


def _crossed(width: float, edge_std: float, slope: float, toe: Toe, noise: Noise) -> Measured:
    parts = {
        "edge": edge_std,
        "plate fit": toe.fit.std_at(toe.along_plate + width) / max(slope, 0.05),
        toe.source: toe.std,
        **noise.all_edges,
        "blur": noise.blur_mm / (2 if noise.of_line else 3),
    }
    return quantity(width, "mm", parts, noise)
