"""Where a laser line ends: at an edge it fades over its own width, and its true end is half as bright as its body."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from core.fitting import total_least_squares
from core.geometry import Points, step_lengths
from core.medians import median, quantile

BREAK_PX = 6.0
"""Neighbours farther apart than this have something missing between them."""

END_POINTS, FEWEST_END_POINTS = 16, 8
LEAST_GAP_PX, MOST_CORNER_PX = 20.0, 30.0
STRAIGHT_PX = 0.35
FARTHEST_SIGMAS = 12.0
BENT_STDS = 3.0

LEAST_END_STD_PX, LEAN_STD_PX, OF_SPREAD = 0.2, 0.15, 2.2
"""Standard uncertainty of an end in even light, and what each unit of the line's slope adds; how much of the spread of
light along the line, as a share of its height and in lengths over which it fades, moves the place where half of it is
left (judged on rendered frames)."""

MOST_LEAN = 3.0

LEAST_ROUNDED, LEAST_BLUR_PX, CLOSE_FADES = 3, 0.4, (3.0, 1.0)
"""Fewest last points that an end may round; least blur of a lens; where the light close to an end is taken, in lengths
over which it fades."""

FLANKS_SIGMAS = ((-0.7, 0.0, 0.7), (-1.2, 1.2), (-1.6, 1.6), (-2.0, 2.0), (-2.4, 2.4))
CUT_OFF, MUCH_CUT_OFF = 0.9, 0.1
"""Rows beside a line in which its end is looked for, in turn, until the light in one is below this share of the
brightest: what is brighter is cut off. Done where more than the second share of the points is overexposed."""


TAIL_FADES, TAIL_STEPS = 2.0, 10
TAIL_SHARE, TAIL_NOISE, TAIL_SIGMAS = 0.06, 4.0, 3.5
"""From how many fades behind an end, over how many quarters of a pixel, light goes on that is so bright against that
before it and against noise, and how far beside the line, in its widths, there is none (judged on rendered frames)."""

LEAST_DROPOUT_SHARE, IN_LINE_TURN = 0.25, 0.06
"""A narrower gap, as a share of one that is wide enough for an end, is no dropout; the line goes on behind one with no
larger turn (a tangent)."""

BEYOND_FADES, BEYOND_PX, BRIGHTER = 2.0, 6.0, 1.4
"""Light that leads farther on than so many times what the line fades over, and px, and is so many times brighter than
that before it, is that of a spark and shows no end."""

CROSSED_PX, CROSSING_POINTS = 8.0, 60
"""So wide a gap parts a stretch at least from one that crosses its continuation, over as much on both sides together;
within so many points."""

MUCH_OF_GAP = 0.5
"""Where it goes on over a larger share of a gap no surface ends before it."""


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """Where a line ends (2,), what is not known of that, and how many of its last points it replaces.

    ``shifts`` (2, 2) are one standard uncertainty along the line and one across it, px; over ``further_px`` dimmer
    light goes on.
    """

    point: Points
    shifts: Points
    replaces: int
    further_px: float


def pieces(points: Points) -> Iterator[tuple[int, int]]:
    """Yield start and stop of the stretches between gaps."""
    breaks = np.flatnonzero(step_lengths(points) > BREAK_PX)
    yield from pairwise([0, *(breaks + 1).tolist(), len(points)])


@dataclass(frozen=True, slots=True)
class _Gap:
    """A gap after a point, how wide one is that surfaces end at, and whether the line goes on straight behind it."""

    after: int
    wide: float
    straight_on: bool


def with_ends(
    gray: NDArray[Any],
    points: Points,
    std: NDArray[np.float64],
    saturated: NDArray[np.bool_],
    sigma: float,
    spread_px: tuple[float, float],
) -> tuple[Points, NDArray[np.float64], NDArray[np.bool_], dict[int, Points]]:
    """Return the points with the true end of each stretch beside a gap added where the line runs straight to it.

    ``sigma`` is the usual width of the line along its columns; light is spread by ``spread_px`` along rows and columns.
    Last comes which of the points are such ends, each with what is not known of it, px.
    """
    spans = list(pieces(points))
    ends: dict[int, Points] = {}
    wide = max(LEAST_GAP_PX, min(8 * sigma, MOST_CORNER_PX), 8 * spread_px[0])
    if len(spans) == 1:
        return points, std, saturated, ends
    parts: list[tuple[Points, NDArray[np.float64], NDArray[np.bool_]]] = []
    count = 0
    gray = np.ascontiguousarray(gray)
    onward = [_goes_on(points, stop - 1, wide, spread_px[1]) for _, stop in spans[:-1]]
    for number, (start, stop) in enumerate(spans):
        own = (points[start:stop], std[start:stop], saturated[start:stop])
        usual, cut_off = median(own[1]), bool(own[2].mean() > MUCH_CUT_OFF)
        first = last = None
        begin, end = 0, stop - start
        if number:
            gap = _Gap(start - 1, wide, onward[number - 1])
            first, begin = _at_gap(gray, points, gap, own[0][::-1], usual, spread_px, cut_off=cut_off)
        if number < len(spans) - 1:
            gap = _Gap(stop - 1, wide, onward[number])
            last, replaced = _at_gap(gray, points, gap, own[0], usual, spread_px, cut_off=cut_off)
            end -= replaced
        inner = slice(begin, end)
        body = (own[0][inner], own[1][inner], own[2][inner])
        if first is not None:
            parts.append((first.point[None], own[1][:1], own[2][:1]))
            ends[count] = first.shifts
        parts.append(body)
        count += len(body[0]) + (first is not None)
        if last is not None:
            parts.append((last.point[None], own[1][-1:], own[2][-1:]))
            ends[count] = last.shifts
            count += 1
    return (
        np.vstack([part[0] for part in parts]),
        np.concatenate([part[1] for part in parts]),
        np.concatenate([part[2] for part in parts]),
        ends,
    )


def _at_gap(
    gray: NDArray[Any],
    points: Points,
    gap: _Gap,
    run: Points,
    std: float,
    spread_px: tuple[float, float],
    *,
    cut_off: bool,
) -> tuple[_End | None, int]:
    """Return where a stretch (its points towards the gap) ends at a gap, and how many points that replaces; no end
    where it cannot be told or dimmer light goes on.
    """
    straight_on, ends = gap.straight_on, _wide(points, gap.after, gap.wide) or _crossed(points, gap.after, run)
    if not straight_on and not ends:
        return None, 0
    end = _end(gray, run, std, spread_px, cut_off=cut_off, slanted=straight_on)
    if end is None:
        return None, 0
    if not ends or _reaches(points, gap.after, end):
        # Light that fades strays aside before dimmer light goes on, too, and what lies in a narrow gap may be a spark.
        return None, end.replaces if straight_on else 0
    return end, end.replaces


def _wide(points: Points, after: int, least: float) -> bool:
    """Tell whether a gap is wide enough for an end: at corners a few points are missing and the line goes on."""
    return float(np.hypot(*(points[after + 1] - points[after]))) > least


def _crossed(points: Points, after: int, run: Points) -> bool:
    """Tell whether what follows behind a gap crosses the straight continuation of a stretch: that ends before it.

    A line that turns a corner leads off to one side; a strip that is seen past an edge lies on both.
    """
    body = run[-END_POINTS - LEAST_ROUNDED : -LEAST_ROUNDED]
    last, behind = points[after], points[after + 1]
    if len(body) < END_POINTS or float(np.hypot(*(behind - last))) < CROSSED_PX:
        return False
    towards_start = math.dist(run[-1], behind) < math.dist(run[-1], last)
    other = points[: after + 1][::-1] if towards_start else points[after + 1 :]
    other = other[:CROSSING_POINTS]
    breaks = np.flatnonzero(step_lengths(other) > BREAK_PX)
    off = total_least_squares(body).offset(other[: int(breaks[0]) + 1] if len(breaks) else other)
    return float(off.min()) < -CROSSED_PX / 2 and float(off.max()) > CROSSED_PX / 2


def _goes_on(points: Points, after: int, wide: float, sigma: float) -> bool:
    """Tell whether a line goes on straight behind a gap too narrow for an end: light is missing there, no corner."""
    if float(np.hypot(*(points[after + 1] - points[after]))) < LEAST_DROPOUT_SHARE * wide:
        return False
    before, behind = points[: after + 1], points[:after:-1]
    lines = []
    for run in (before, behind):
        rounded = _rounded(run, sigma)
        body = run[-END_POINTS - rounded : -rounded]
        if len(body) < END_POINTS or float(step_lengths(run[-END_POINTS - rounded :]).max()) > BREAK_PX:
            return False
        lines.append(total_least_squares(body))
    one, other = lines
    turn = one.dx * other.dy - one.dy * other.dx
    apart = max(abs(float(one.offset(other.point))), abs(float(other.offset(one.point))))
    return abs(turn) < IN_LINE_TURN and apart < max(1.0, sigma)


def _reaches(points: Points, after: int, end: _End) -> bool:
    """Tell whether dimmer light goes on from an end over much of the gap behind it: no surface ends there."""
    return end.further_px > MUCH_OF_GAP * float(np.hypot(*(points[after + 1] - points[after])))


def _beside(gray: NDArray[Any], spots: Points, sigma_across: Points, *, cut_off: bool) -> NDArray[np.float64]:
    """Return the light along spots on a line; of an overexposed line that of its flanks, where it is not cut off.

    Cut-off light is at half of its level where the line is much darker than at half of what it would have been.
    """
    rows = FLANKS_SIGMAS if cut_off else FLANKS_SIGMAS[:1]
    full = float(gray.max()) if cut_off else math.inf
    seen = np.empty(0)
    for shifts in rows:
        grid = np.stack([spots + shift * sigma_across for shift in shifts], axis=0).astype(np.float32)
        seen = cv2.remap(gray, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR).astype(float).mean(axis=0)
        if quantile(seen, 0.8) < CUT_OFF * full:
            break
    return seen


def _end(
    gray: NDArray[Any],
    run: Points,
    std: float,
    spread_px: tuple[float, float],
    *,
    cut_off: bool,
    slanted: bool = False,
) -> _End | None:
    """Return where a line ends, None where it cannot be told; light is spread by so much along rows and columns.

    A ``slanted`` line is taken from as far before its end as that rounds any of its columns: a plate has the length.
    Columns that pass the end see only its rounding and bend away from the line: the end is sought along the line of
    the points before them, or along their parabola where they bend more than they scatter.
    """
    sigma = spread_px[1]
    rounded = _rounded(run, sigma) if slanted else max(math.ceil(2 * spread_px[0]), LEAST_ROUNDED)
    if len(run) < END_POINTS + rounded:
        return None
    for count in (END_POINTS, FEWEST_END_POINTS):
        # A short steep face has few columns: more of them would take in the corner before it.
        body = run[-count - rounded : -rounded]
        line = total_least_squares(body)
        middle = line.point
        along = line.direction if float(line.direction @ (body[-1] - body[0])) > 0 else -line.direction
        across = np.array([-along[1], along[0]])
        off = float(np.abs((body - middle) @ across).max())
        if off <= max(STRAIGHT_PX, 0.25 * sigma, 3.5 * std):
            break
    else:
        return None
    # Over so much it fades at its end, seen along a line of any direction: 1 over the root of u' S^-1 u.
    fade = 1.0 / float(np.hypot(*(along / np.maximum(spread_px, LEAST_BLUR_PX))))
    tip = float((body[-1] - middle) @ along)
    course = _course((body - middle) @ along, (body - middle) @ across, std)
    at = np.arange(tip - 3 * fade - 4, tip + FARTHEST_SIGMAS * fade + 10, 0.25)
    aside = np.polyval(course, np.minimum(at, tip + rounded + sigma))
    spots = middle + at[:, None] * along + aside[:, None] * across
    # Beside a line that is spread more along the columns its end lies aside, as that of any slanted section would:
    # from place to place of that direction it stands still.
    turned = np.square(spread_px) * across
    seen = _beside(gray, spots, turned / max(math.sqrt(float(turned @ across)), 1e-6), cut_off=cut_off)
    before = seen[at < tip]
    inside = median(before)
    outside = quantile(seen, 0.1)
    if inside <= outside:
        return None
    place = _falls_below(0.5 * (inside + outside), at, seen, tip)
    if place is None:
        return None
    ahead = seen[(at > tip) & (at < place)]
    if place - tip > BEYOND_FADES * fade + BEYOND_PX and quantile(ahead, 0.8) - outside > BRIGHTER * (inside - outside):
        return None  # a spark leads on from the last point
    # A line that grows dimmer or brighter towards its end leaves open what the half of its light is there.
    close = (at > place - CLOSE_FADES[0] * fade) & (at < place - CLOSE_FADES[1] * fade)
    level = inside
    if close.any():
        away = (place - at[close]) / (math.sqrt(2.0) * fade)
        whole = np.mean([0.5 + 0.5 * math.erf(value) for value in away.tolist()])
        level = outside + (float(seen[close].mean()) - outside) / float(whole)
    other = _falls_below(0.5 * (level + outside), at, seen, tip)
    uneven = abs((tip if other is None else other) - place)
    last = (run[-rounded:] - middle) @ along
    off = np.abs((run[-rounded:] - middle) @ across - np.polyval(course, last)) > max(0.5 * STRAIGHT_PX, 4.0 * std)
    bad = np.flatnonzero((last > place - 0.25) | off)
    behind = at > place + TAIL_FADES * fade
    lit = _lit(gray, spots[behind], sigma * across, inside - outside)
    further = float(at[behind][lit - 1]) - place if lit >= TAIL_STEPS else 0.0
    lean = min(abs(float(along[1])) / max(abs(float(along[0])), 1e-6), MOST_LEAN)
    spread = 1.4826 * median(np.abs(before - inside)) / (inside - outside)
    # Other light behind the end moves it, too, be it grain that the room lights up.
    dark = seen[behind]
    grain = 1.4826 * median(np.abs(dark - median(dark))) / (inside - outside) if len(dark) else 0.0
    std_along = math.hypot(
        LEAST_END_STD_PX,
        LEAN_STD_PX * lean,
        OF_SPREAD * math.hypot(spread, grain) * fade,
        uneven,
        further / math.sqrt(3.0),
    )
    seen_at = (body - middle) @ along
    turn = math.atan(float(np.polyval(np.polyder(course), place)))
    std_across = _extrapolated(seen_at, (body - middle) @ across, std, place)
    shifts = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) @ np.stack([along, across])
    return _End(
        np.asarray(middle + place * along + float(np.interp(place, at, aside)) * across),
        np.array([[std_along], [std_across]]) * shifts,
        rounded - int(bad[0]) if len(bad) else 0,
        further,
    )


def _rounded(run: Points, sigma: float) -> int:
    """Return how many last points of a stretch its end may round at the most.

    A column meets the rounding beside the line, too: along a slanted line that is farther from its end. Where a whole
    line is slanted what of its width along the columns, ``sigma``, is blur is not seen: all of it may be.
    """
    least = max(math.ceil(2 * sigma), LEAST_ROUNDED)
    before = run[-END_POINTS - least : -least]
    if len(before) < END_POINTS:
        return least
    x, y = (abs(float(step)) for step in before[-1] - before[0])
    length = max(math.hypot(x, y), 1e-6)
    across = sigma * max(x, y) / length
    return max(math.ceil(2 * across * (x + y) / length), LEAST_ROUNDED)


def _lit(gray: NDArray[Any], spots: Points, sigma_across: Points, height: float) -> int:
    """Return over how many spots behind the end of a line dimmer light goes on.

    Behind a glint, or where a surface turns away from the light, a line goes on at a fraction of its ``height``. The
    halo of bright light lies beside the line as well as on it.
    """
    if len(spots) < TAIL_STEPS:
        return 0
    grid = np.stack([spots + side * TAIL_SIGMAS * sigma_across for side in (-1.0, 0.0, 1.0)]).astype(np.float32)
    below, seen, above = cv2.remap(gray, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR).astype(float)
    noise = 1.4826 * median(np.abs(np.diff(np.concatenate([below[::4], above[::4]])))) / math.sqrt(2.0)
    lit = seen - np.maximum(below, above) > max(TAIL_SHARE * height, TAIL_NOISE * noise)
    return len(lit) if lit.all() else int(np.argmin(lit))


def _falls_below(level: float, at: NDArray[np.float64], seen: NDArray[np.float64], tip: float) -> float | None:
    """Return where light seen at places first falls below a level behind the last point of its line."""
    below = np.flatnonzero((seen < level) & (at > tip))
    if not len(below) or below[0] == 0:
        return None
    first = int(below[0])
    share = (seen[first - 1] - level) / max(float(seen[first - 1] - seen[first]), 1e-6)
    return float(at[first - 1] + min(max(float(share), 0.0), 1.0) * (at[first] - at[first - 1]))


def _course(along: NDArray[np.float64], across: NDArray[np.float64], std: float) -> NDArray[np.float64]:
    """Return the parabola of points about their line as polynomial coefficients (3,), 0 where they only scatter."""
    parabola = np.polyfit(along, across, 2)
    # Standard uncertainty of the bend of a parabola through evenly spaced points.
    uncertain = std * math.sqrt(180.0 / len(along)) / float(np.ptp(along)) ** 2
    return parabola if abs(float(parabola[0])) > BENT_STDS * uncertain else np.zeros(3)


def _extrapolated(along: NDArray[np.float64], across: NDArray[np.float64], std: float, place: float) -> float:
    """Return the standard uncertainty of a course of points, each uncertain by ``std``, led on to a place beyond them.

    A polynomial led on is uncertain by the sum of its Legendre terms there; how the surface bends beyond the points is
    not seen, and half of what the bend of their parabola makes there is not known.
    """
    middle, half = 0.5 * float(along.min() + along.max()), 0.5 * float(np.ptp(along))
    away = (place - middle) / half
    terms = 1.0 + 3.0 * away**2
    bent = float(np.polyval(np.polyfit(along, across, 2), place))
    return math.hypot(std * math.sqrt(terms / len(along)), 0.5 * bent)
