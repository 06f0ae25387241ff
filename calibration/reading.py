"""Which of the graduations seen is a rule, and which of them the given spacing belongs to.

Print, scratches and ruled lines also make even rows; ticks are told from them by how even, how long and
how solid they are. Of two graduations that the spacing could mean, none is guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.graduation import Graduation
from calibration.inch import NO_HALVES, Halving, fits_parts, parts_of_inch
from calibration.tick_walk import LEAST_TICKS
from calibration.ticks import INCH_PARTS, TENTHS
from core.errors import CalibrationRefused
from core.geometry import Points

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
LEAST_MERIT = 0.3
"""Merit over that of the best below which a graduation is not read."""

BLOCK_WIDTH, BLOCK_PERIOD_PX = 0.4, 12.0
"""Marks that fill more of their spacing are blocks of a chequered bar; at smaller ones blur widens ticks."""

FITTING = {
    "decimal": ("decimal",),
    "halves of mm": ("halves of mm",),
    "tens": ("decimal", "halves of mm"),
    "inch": ("inch",),
    "halves": ("halves of mm", "inch"),
}
"""Which spacings may be meant on a rule with such ticks; on others any."""

OF_ONE_UNIT = dict.fromkeys(("decimal", "halves of mm", "tens"), ("decimal", "halves of mm")) | {"inch": ("inch",)}
"""Which spacings the ticks of one rule may have together with ticks half-way between them."""


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One graduation of the picture: its tidiest ticks, and what all rows of it tell of their kind."""

    graduation: Graduation
    pattern: str
    halved: bool
    halves: Halving = NO_HALVES


def chosen(found: list[Graduation], spacing_mm: float, *, pointed_out: bool = False) -> tuple[Graduation, float]:
    """Return the graduation that the spacing belongs to, and how many spacings one of its ticks is.

    Marks of which none is longer than the others are a rule's only where a person pointed the rule out.
    """
    if not found:
        raise CalibrationRefused(
            f"no rule is seen: at least {LEAST_TICKS} evenly spaced ticks are needed; show more of the rule, "
            "sharper, or mark a known length"
        )
    readings = _without_halved(_told(_readings(found), pointed_out), spacing_mm)
    fitting = _certain([(r, n) for r in readings if (n := _spacings_per_tick(r, spacing_mm)) is not None])
    if not fitting:
        seen = sorted({r.halves.step for r in readings if r.halves.ends})
        told = f" (they divide the inch into {' and '.join(map(str, seen))} parts)" if seen else ""
        raise CalibrationRefused(
            f"the long and short ticks of the rule do not fit a spacing of {spacing_mm:g} mm{told}: check --spacing, "
            "which is the spacing of the finest graduation"
        )
    best, per_tick = fitting[0]
    size = best.period_px / per_tick
    for other, count in fitting[1:]:
        ratio = _period_ratio(other, best) * per_tick / count
        if 0.97 < ratio < 1.03 or _coarser_of_same(best, other):
            continue
        raise CalibrationRefused(
            f"two graduations are seen, {size:.1f} and {other.period_px / count:.1f} px apart, and which of them is "
            f"{spacing_mm:g} mm cannot be told: give the part of the picture with the right one"
        )
    return best, per_tick


def _certain(fitting: list[tuple[Reading, float]]) -> list[tuple[Graduation, float]]:
    """Return what fits, without what may be of two kinds where its half or double is surely of the kind meant."""
    sure = [r for r, _ in fitting if len(FITTING.get(r.pattern, ())) == 1]

    def doubtful(reading: Reading) -> bool:
        ratios = [_period_ratio(reading.graduation, other.graduation) for other in sure]
        return reading not in sure and any(abs(ratio / whole - 1) < 0.03 for ratio in ratios for whole in (0.5, 2.0))

    return [(r.graduation, n) for r, n in fitting if not doubtful(r)]


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
        if merit(group[0]) < LEAST_MERIT * merit(groups[0][0]):
            continue
        patterns = [tick_pattern(g.marks) for g in group]
        pattern = next((kind for kind in patterns if kind != "none"), "none")
        if pattern == "none" and min(_length_spread(g) for g in group) > LARGEST_LENGTH_SPREAD:
            continue
        halves = max((g.halves for g in group), key=lambda seen: (seen.step, seen.ends))
        readings.append(Reading(group[0], pattern, max(g.halved for g in group) > HALF_TICK_STRENGTH, halves))
    return readings


def _told(readings: list[Reading], pointed_out: bool) -> list[Reading]:
    """Return the readings that are a rule's: saw teeth, thread, mesh and cloth are as even, but have no long ticks."""
    if not readings:
        raise CalibrationRefused(
            "what looks like ticks differs in length without order, as print does: no rule is seen"
        )
    told = [r for r in readings if r.pattern != "none"]
    if told:
        return told
    seen = readings[0].graduation
    if not pointed_out:
        raise CalibrationRefused(
            f"{seen.count} even marks {seen.period_px:.1f} px apart are seen, but none stands out at every second, "
            "fourth, fifth or tenth, as on a rule: show more of the rule, or say with --region where it lies"
        )
    if seen.width > BLOCK_WIDTH and seen.period_px > BLOCK_PERIOD_PX:
        raise CalibrationRefused(
            f"the marks {seen.period_px:.1f} px apart are as wide as the gaps between them, as on a chequered bar, and "
            "whether one or two of them are a spacing cannot be told: mark two points a known length apart"
        )
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
    if not 0.97 < _period_ratio(second, first) < 1.03:
        return False
    across = np.abs((second.points_px - first.points_px.mean(axis=0)) @ first.tick)
    return float(np.median(across)) < 6 * first.period_px


def _period_ratio(one: Graduation, other: Graduation) -> float:
    """Return the spacing of one graduation over that of the other, both where the first lies."""
    middle = one.points_px.mean(axis=0)
    return _period_at(one, middle) / _period_at(other, middle)


def _period_at(graduation: Graduation, place: Points) -> float:
    s = (graduation.points_px - graduation.points_px.mean(axis=0)) @ graduation.along
    reach = 0.5 * float(np.ptp(s))
    along = float(np.clip((place - graduation.points_px.mean(axis=0)) @ graduation.along / reach, -1.5, 1.5))
    order = 2 if graduation.count > MANY_TICKS else 1
    return reach / abs(float(np.polyval(np.polyder(np.polyfit(s / reach, graduation.index, order)), along)))


def _without_halved(readings: list[Reading], spacing_mm: float) -> list[Reading]:
    """Drop a graduation that is every second tick of a finer one which the spacing fits.

    Where the coarser ticks tell that they are decimal, they are kept and the finer ones follow from them.
    """
    told = [r for r in readings if r.halved and r.pattern == "decimal"]
    readings = [r for r in readings if r in told or not any(_coarser_of_same(r.graduation, t.graduation) for t in told)]
    whole = [r for r in readings if not r.halved and (r.halves.ends or _spacings_per_tick(r, spacing_mm) is not None)]
    return [
        r
        for r in readings
        if r in told or not (r.halved and any(_coarser_of_same(finer.graduation, r.graduation) for finer in whole))
    ]


def _coarser_of_same(best: Graduation, other: Graduation) -> bool:
    """Tell whether the other graduation is made of every fifth or tenth tick, or figure, of the same rule."""
    ratio = _period_ratio(other, best)
    whole = round(ratio)
    gap = np.abs((other.points_px - best.points_px[0]) @ best.tick)
    return whole >= 2 and abs(ratio / whole - 1) < 0.03 and float(np.median(gap)) < 14 * best.period_px


def _spacings_per_tick(reading: Reading, spacing_mm: float) -> float | None:
    """Return how many of the given spacings lie between two ticks, or None when they do not fit."""
    wanted = _expected_pattern(spacing_mm)
    parts = parts_of_inch(spacing_mm)
    if reading.halved:
        if reading.pattern in OF_ONE_UNIT and wanted not in ("other", *OF_ONE_UNIT[reading.pattern]):
            return None
        if reading.pattern == "decimal" and wanted in ("decimal", "halves of mm"):
            return 1.0 if wanted == "decimal" else 2.0
        raise CalibrationRefused(
            f"ticks {reading.graduation.period_px:.1f} px apart are halved along a part of the rule, and which "
            f"graduation is {spacing_mm:g} mm cannot be told: give the part of the picture with one graduation"
        )
    if parts is not None and not fits_parts(reading.halves, parts):
        return None
    return 1.0 if wanted in FITTING.get(reading.pattern, (wanted,)) or wanted == "other" else None


def _expected_pattern(spacing_mm: float) -> str:
    exponent = math.log10(spacing_mm)
    if abs(exponent - round(exponent)) < 1e-6:
        return "decimal"
    half = math.log10(2 * spacing_mm)
    if abs(half - round(half)) < 1e-6:
        return "halves of mm"
    return "other" if parts_of_inch(spacing_mm) is None else "inch"


def tick_pattern(marks: frozenset[int]) -> str:
    """Return the kind of rule that the steps of its longer ticks tell, "none" when no tick is longer.

    "decimal" (every fifth or tenth), "halves of mm" (every second and every tenth), "tens" (one of the two, whose finer
    ticks are alike), "inch" (halves of halves), "halves" (halves of mm or inches), "unsure" (some of all).
    """
    tenths, parts = marks & TENTHS, marks & INCH_PARTS
    if tenths and parts:
        return "unsure"
    if parts:
        return "inch"
    if not tenths:
        return "halves" if marks else "none"
    if 5 in tenths or tenths == marks == {10}:
        return "decimal"
    return "halves of mm" if 2 in marks else "tens"
