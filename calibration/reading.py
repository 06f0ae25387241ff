"""Which of the graduations seen is a rule, and which of them the given spacing belongs to.

Print, scratches and ruled lines also make even rows; ticks are told from them by how even, how long and
how solid they are. Of two graduations that the spacing could mean, none is guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.graduation import LEAST_TICKS, Graduation
from core.errors import CalibrationRefused

LARGEST_UNTIDINESS = 0.07
LEAST_CONTRAST = 3.0
FINE_PERIOD_PX = 4.5
LEAST_SOLID, LEAST_SOLID_SHORT = 0.9, 0.65
SHORTEST_TICK, LONGEST_TICK = 1.1, 10.0
MANY_TICKS, EVEN_TICKS, SHORTEST_EVEN_TICK = 16, 0.01, 0.75
"""Length of the finest ticks in spacings: shorter are dots and letters, longer are ruled lines."""

LARGEST_LENGTH_SPREAD = 1.5
"""Upper over lower quartile of tick lengths that follow no pattern: letters differ by more."""

HALF_TICK_STRENGTH = 0.4
LONG_TICK = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One graduation of the picture: its tidiest ticks, and what all rows of it tell of their kind."""

    graduation: Graduation
    pattern: str
    halved: bool


def chosen(found: list[Graduation], spacing_mm: float) -> tuple[Graduation, float]:
    """Return the graduation that the spacing belongs to, and how many spacings one of its ticks is."""
    if not found:
        raise CalibrationRefused(
            f"no rule is seen: at least {LEAST_TICKS} evenly spaced ticks are needed; show more of the rule, "
            "sharper, or mark a known length"
        )
    readings = _without_halved(_readings(found), spacing_mm)
    fitting = [(r.graduation, n) for r in readings if (n := _spacings_per_tick(r, spacing_mm)) is not None]
    if not readings:
        raise CalibrationRefused(
            "what looks like ticks differs in length without order, as print does: no rule is seen"
        )
    if not fitting:
        raise CalibrationRefused(
            f"the long and short ticks of the rule do not fit a spacing of {spacing_mm:g} mm: check --spacing, which "
            "is the spacing of the finest graduation"
        )
    best, per_tick = fitting[0]
    size = best.period_px / per_tick
    for other, count in fitting[1:]:
        ratio = other.period_px / count / size
        if 0.97 < ratio < 1.03 or _coarser_of_same(best, other):
            continue
        raise CalibrationRefused(
            f"two graduations are seen, {size:.1f} and {other.period_px / count:.1f} px apart, and which of them is "
            f"{spacing_mm:g} mm cannot be told: give the part of the picture with the right one"
        )
    return best, per_tick


def _readings(found: list[Graduation]) -> list[Reading]:
    """Gather rows of one graduation; drop what is far less clear than the best."""
    groups: list[list[Graduation]] = []
    for graduation in found:
        for group in groups:
            if _same_graduation(group[0], graduation):
                group.append(graduation)
                break
        else:
            groups.append([graduation])
    readings = []
    for group in groups:
        if merit(group[0]) < 0.3 * merit(groups[0][0]):
            continue
        patterns = [tick_pattern(g.index, g.lengths) for g in group]
        pattern = next((kind for kind in patterns if kind != "none"), "none")
        if pattern == "none" and min(_length_spread(g) for g in group) > LARGEST_LENGTH_SPREAD:
            continue
        readings.append(Reading(group[0], pattern, max(g.halved for g in group) > HALF_TICK_STRENGTH))
    return readings


def tidy(graduation: Graduation) -> bool:
    """Tell ticks from figures and scratches; the fewer the ticks, the tidier they have to be."""
    length = 2 * graduation.half_length_px / graduation.period_px
    limit = min(LARGEST_UNTIDINESS, 0.035 + 0.002 * (graduation.count - LEAST_TICKS))
    return (
        graduation.count >= (LEAST_TICKS if graduation.period_px > FINE_PERIOD_PX else 2 * LEAST_TICKS)
        and graduation.untidiness < limit
        and graduation.contrast > LEAST_CONTRAST
        and graduation.seen_share > 0.75
        and graduation.solid > (LEAST_SOLID_SHORT if length < 1.2 and graduation.untidiness < 0.02 else LEAST_SOLID)
        and graduation.shortest_px > _shortest_tick(graduation) * graduation.period_px
        and length < LONGEST_TICK
    )


def _shortest_tick(graduation: Graduation) -> float:
    """Return how long ticks have to be, in spacings: a long even row of short ones is no row of figures."""
    even = graduation.count >= MANY_TICKS and graduation.untidiness < EVEN_TICKS
    return SHORTEST_EVEN_TICK if even else SHORTEST_TICK


def merit(graduation: Graduation) -> float:
    return graduation.count / (0.02 + graduation.untidiness)


def _length_spread(graduation: Graduation) -> float:
    low, high = np.quantile(graduation.lengths, (0.25, 0.75))
    return float(high / max(low, 1e-6))


def _same_graduation(first: Graduation, second: Graduation) -> bool:
    if not 0.97 < first.period_px / second.period_px < 1.03:
        return False
    across = np.abs((second.points_px - first.points_px.mean(axis=0)) @ first.tick)
    return float(np.median(across)) < 6 * first.period_px


def _without_halved(readings: list[Reading], spacing_mm: float) -> list[Reading]:
    """Drop a graduation that is every second tick of a finer one which the spacing fits.

    Where the coarser ticks tell that they are decimal, they are kept and the finer ones follow from them.
    """
    told = [r for r in readings if r.halved and r.pattern == "decimal"]
    readings = [r for r in readings if r in told or not any(_coarser_of_same(r.graduation, t.graduation) for t in told)]
    whole = [r for r in readings if not r.halved and _spacings_per_tick(r, spacing_mm) is not None]
    return [
        r
        for r in readings
        if r in told or not (r.halved and any(_coarser_of_same(finer.graduation, r.graduation) for finer in whole))
    ]


def _coarser_of_same(best: Graduation, other: Graduation) -> bool:
    """Tell whether the other graduation is made of every fifth or tenth tick, or figure, of the same rule."""
    ratio = other.period_px / best.period_px
    whole = round(ratio)
    gap = np.abs((other.points_px - best.points_px[0]) @ best.tick)
    return whole >= 2 and abs(ratio / whole - 1) < 0.03 and float(np.median(gap)) < 14 * best.period_px


def _spacings_per_tick(reading: Reading, spacing_mm: float) -> float | None:
    """Return how many of the given spacings lie between two ticks, or None when they do not fit."""
    wanted = _expected_pattern(spacing_mm)
    if reading.halved:
        if reading.pattern == "decimal" and wanted in ("decimal", "halves of mm"):
            return 1.0 if wanted == "decimal" else 2.0
        raise CalibrationRefused(
            f"ticks {reading.graduation.period_px:.1f} px apart are halved along a part of the rule, and which "
            f"graduation is {spacing_mm:g} mm cannot be told: give the part of the picture with one graduation"
        )
    if reading.pattern == "decimal" and wanted in ("halves of mm", "inch"):
        return None
    if reading.pattern == "halves" and wanted == "decimal":
        return None
    return 1.0


def _expected_pattern(spacing_mm: float) -> str:
    exponent = math.log10(spacing_mm)
    if abs(exponent - round(exponent)) < 1e-6:
        return "decimal"
    half = math.log10(2 * spacing_mm)
    if abs(half - round(half)) < 1e-6:
        return "halves of mm"
    parts = math.log2(25.4 / spacing_mm)
    return "inch" if abs(parts - round(parts)) < 1e-6 else "other"


def tick_pattern(index: NDArray[np.int64], lengths: NDArray[np.float64]) -> str:
    """Return "decimal" when every fifth or tenth tick is longer, "halves" for every 2nd, 4th or 8th, else "none"."""
    long = lengths > LONG_TICK
    if long.sum() < 2 or long.mean() > 0.7:
        return "none"
    best, kind = 0.75, "none"
    for step, name in ((2, "halves"), (4, "halves"), (5, "decimal"), (8, "halves"), (10, "decimal")):
        counts = np.bincount(index % step, weights=long, minlength=step)
        sizes = np.maximum(np.bincount(index % step, minlength=step), 1)
        phase = int(np.argmax(counts / sizes))
        if sizes[phase] < 2:
            continue
        covered, filled = counts[phase] / long.sum(), counts[phase] / sizes[phase]
        score = min(covered, filled)
        if score > best:
            best, kind = score, name
    return kind
