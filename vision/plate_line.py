"""The line of a plate's surface: fitted to a run of points, with how far such surfaces wander about their lines."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from core.fitting import WANDER_PIECE, LineFit, correlation_points, robust_line, with_correlation, with_wander
from core.geometry import Line, Points, distance
from core.medians import median
from vision.bowed_plate import with_bow
from vision.line_scatter import scatter_std
from vision.runs import Run

SHORTEST_WANDER_MM = 1.2
"""Rolled, ground and cut surfaces wander over millimetres (common practice, no source); shorter stretches
of a surface carry no independent information about its line, unless all its long surfaces show that they do."""

FEWEST_STRETCHES, STRETCH_DOUBT = 16, 2.0
"""Stretches, of all long surfaces together, that tell how far such stretches stray; times the length told that one
piece may have: with half as much again the misalignment of smooth plates was not held in 7 to 10 % of pictures."""

GRID_BIAS = 0.007
"""Steps by which a line of edge points that runs along the pixels may lie off as a whole, and at its ends against its
middle, however long it is: the place of an edge between two pixels is told with a bias that depends on where it lies
(judged on rendered pictures)."""

PIECES_SHARED = 8.0
"""So many pieces of wander the long surfaces of a part count for, against those of one surface alone."""

MEANT_MM, FEWEST_MEANT, FEWEST_MEANS = 0.25, 6, 6
"""Length, and least number, of the points that are averaged to tell wander from scatter; how many means tell it."""

NEIGHBOURS = 3
"""So many neighbouring points of an edge scatter alike."""

NOISY_MM = 0.02
"""Points that scatter by more tell a toe only together with much of the face."""

SCATTERED_MM = 0.006
"""The same where each point scatters on its own and comes from no line or edge in a picture (those of a scanner): how
much they do is known well (judged on drawn clouds, whose caps are told four times better by all of the face)."""


ALIKE = 2.0
"""Where so many neighbours scatter alike, means of them are no better than points, and stray as a surface wanders."""


@dataclass(frozen=True, slots=True)
class Detail:
    """How fine the profile is.

    Attributes
    ----------
    noise_mm
        Standard deviation of a point across the outline.
    step_mm
        Distance of neighbouring points.
    blur_mm
        Standard deviation of the edge spread.
    alone
        Each point scatters on its own, as those of a laser line do, which come from pixels of their own.
    wander_mm
        How far the part's straight surfaces wander about their lines, seen on the longest of them.
    wander_length_mm
        Length of a stretch of surface that carries one piece of information about its line.
    lines
        Lines of runs that were fitted for it.
    alike
        So many neighbouring points scatter alike, as the profile's own makes it known; 1 where it tells nothing.
    limit_doubt_mm
        How far plates and weld may lie off each other because one of them is at the limit of the sensor.
    band_mm
        As much of its width as rounds corners of an overexposed laser line; else 0.
    noisy_mm
        Points that scatter by more tell a toe only together.
    """

    noise_mm: float
    step_mm: float
    blur_mm: float
    alone: bool = False
    wander_mm: float = 0.0
    wander_length_mm: float = SHORTEST_WANDER_MM
    lines: Mapping[Run, LineFit] = field(default_factory=dict)
    alike: float = 1.0
    limit_doubt_mm: float = 0.0
    band_mm: float = 0.0
    noisy_mm: float = NOISY_MM

    @property
    def scattered(self) -> bool:
        """Whether points scatter much, each on its own: what they do together is the surface's wander."""
        return self.noise_mm > self.noisy_mm and self.alike < ALIKE

    @property
    def noisy(self) -> bool:
        """Whether the points' own scatter is what a fit to them shows, and no wander of the surface."""
        return self.alone or self.scattered


def fit_plate(points: Points, run: Run, detail: Detail, *, toe_at_stop: bool) -> tuple[LineFit, Points]:
    """Fit the plate line of a run; return it and the run's points, both leading away from the weld."""
    ordered = points[run.indices(len(points))]
    body = _body(ordered, detail)
    fit = detail.lines.get(run) or _line_of(body, run.line, detail)
    if toe_at_stop:
        ordered, body = ordered[::-1], body[::-1]
        fit = replace(fit, inliers=fit.inliers[::-1])
    # Few points do not show what they share.
    correlation = max(correlation_points(fit.line.offset(body)[fit.inliers]), min(detail.alike, len(body) / 2))
    fit = with_correlation(fit, correlation)
    length = distance(body[-1], body[0])
    wander = wander_of(fit, detail)
    correlation_mm = max(correlation * detail.step_mm, detail.wander_length_mm)
    fit = with_bow(with_wander(fit, wander, correlation_mm, length), body, detail.wander_length_mm)
    if not detail.alone:
        bias = GRID_BIAS * detail.step_mm
        turned = 2.0 * bias / length if length > 0 else 0.0
        fit = replace(
            fit, offset_std=math.hypot(fit.offset_std, bias), angle_std_rad=math.hypot(fit.angle_std_rad, turned)
        )
    if float((ordered[-1] - ordered[0]) @ fit.line.direction) < 0:
        fit = replace(fit, line=fit.line.reversed())
    return fit, ordered


def wander_of(fit: LineFit, detail: Detail) -> float:
    """Return how far the surface of a line wanders, from its own points and from the long surfaces of the part.

    What its own points show tells no more than the pieces of wander it has: in a picture they count beside the long
    surfaces by that number. Of a laser line, each point of which scatters on its own, the larger counts.
    """
    if detail.alone:
        return max(fit.waviness, detail.wander_mm)
    pieces = int(np.count_nonzero(fit.inliers)) * detail.step_mm / (WANDER_PIECE * detail.wander_length_mm)
    square = (PIECES_SHARED * detail.wander_mm**2 + pieces * fit.waviness**2) / (PIECES_SHARED + pieces)
    return math.sqrt(square)


def _body(along: Points, detail: Detail) -> Points:
    """Return the points of a stretch of surface without its rounded ends."""
    trim = min(len(along) // 8, max(2, round((2.5 * detail.blur_mm + 0.15) / detail.step_mm)))
    body = along[trim : len(along) - trim]
    return along if len(body) < 8 else body


def _line_of(body: Points, near: Line, detail: Detail) -> LineFit:
    noise = max(detail.noise_mm, 0.15 * detail.step_mm, 0.004)
    # Real surfaces wander more than an edge point does: fitted again with what the plate itself shows. Of a laser line
    # that shows about the straight run already.
    fit = None if detail.alone else robust_line(body, noise, near=near)
    line = near if fit is None else fit.line
    own = 1.4826 * median(np.abs(line.offset(body)))
    wide = own > 1.3 * noise
    if fit is None or wide:
        fit = robust_line(body, min(own, 6 * noise) if wide else noise, near=line)
    return replace(fit, waviness=_waviness(fit.line.offset(body)[fit.inliers], fit, detail))


def _waviness(offsets: Points, fit: LineFit, detail: Detail) -> float:
    """Return how far a surface wanders slowly about its line: the spread of means that the points' own scatter leaves.

    A stretch too short for some means has to take all of its spread for wander.
    """
    size = max(FEWEST_MEANT, round(MEANT_MM / detail.step_mm))
    groups = len(offsets) // size
    if groups < FEWEST_MEANS:
        return beyond_noise(fit.residual_std, detail)
    means = offsets[: groups * size].reshape(groups, size).mean(axis=1)
    spread = 1.4826 * median(np.abs(means)) * math.sqrt(groups / (groups - 2))
    if detail.alone:
        # What the points scatter is seen in them; speckle is one thing for a few neighbours.
        own = scatter_std(np.arange(len(offsets)), offsets)
        if math.isfinite(own):
            return math.sqrt(max(spread**2 - min(correlation_points(offsets), NEIGHBOURS) / size * own**2, 0.0))
    return beyond_noise(spread, detail, left=NEIGHBOURS / size)


def longest_lines(points: Points, runs: Sequence[Run], detail: Detail) -> dict[Run, LineFit]:
    """Return the lines of the longest straight surfaces: how far these wander tells how far all do."""
    longest = sorted((run for run in runs if not run.cut), key=lambda run: -run.length)[:4]
    return {run: _line_of(_body(points[run.indices(len(points))], detail), run.line, detail) for run in longest}


def wander_length_mm(points: Points, lines: Mapping[Run, LineFit], detail: Detail) -> float:
    """Return over what length a part's surfaces stray from their lines as one piece, at most what such surfaces do.

    Surfaces that wander less than their edge points scatter show it: means over ever longer stretches stray less and
    less. From the growth of the variance of sums with the length of the stretch, all long surfaces together, which
    tell it where each of them is too short; where they do not reach `SHORTEST_WANDER_MM`, that is taken.
    """
    sums, total, count = [], 0.0, 0
    for run, fit in lines.items():
        offsets = fit.line.offset(_body(points[run.indices(len(points))], detail))[fit.inliers]
        offsets -= float(np.add.reduce(offsets)) / max(len(offsets), 1)
        sums.append(offsets)
        total, count = total + float(offsets @ offsets), count + len(offsets)
    if total <= 0:
        return SHORTEST_WANDER_MM
    longest, stretch = 1.0, 1
    while True:
        stretch *= 2
        sums = [part[: 2 * (len(part) // 2) : 2] + part[1 : 2 * (len(part) // 2) : 2] for part in sums]
        groups = sum(len(part) for part in sums if len(part) >= 4)
        if groups < FEWEST_STRETCHES:
            break
        spread = sum(float(part @ part) for part in sums if len(part) >= 4)
        longest = max(longest, spread / (groups * stretch) / (total / count))
    if stretch * detail.step_mm <= SHORTEST_WANDER_MM:
        return SHORTEST_WANDER_MM
    return min(STRETCH_DOUBT * longest * detail.step_mm, SHORTEST_WANDER_MM)


def beyond_noise(spread: float, detail: Detail, *, left: float = 1.0) -> float:
    """Return how far a surface wanders, from the spread of points whose own scatter is known and makes up most of it.

    In a picture the scatter of edge points is no more than an estimate from the same edges: there all of it counts.

    Parameters
    ----------
    left
        Share of the variance of a point's scatter that is left in what was spread: less than 1 for means.
    """
    if not detail.scattered:
        return spread
    return math.sqrt(max(spread**2 - left * detail.noise_mm**2, 0.0))
