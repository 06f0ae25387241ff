"""Limits along a seam: each section judged, with the lengths that rules for short imperfections ask for.

A rule that allows more where an imperfection is short needs its length along the seam. It is counted by the cells of
the sections that do not meet the rule's limit for long ones; one that is undecided counts, too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from core.units import MM_PER_INCH
from criteria import Extent, Given, Limit, Outcome, assess
from inspection.document import Entry
from inspection.outcomes import Judgement, measured_value, outcome_entry
from inspection.seam_summary import Columns, Mask, length_entry, longest_in_window, worst_entry

VERDICTS = ("meets", "does_not_meet", "undecided", "not_assessed")
Rows = Iterable[Entry]


@dataclass(frozen=True, slots=True)
class SeamJudgement:
    """Limits with what a seam tells of lengths: one `Given` for each row of limits."""

    by: Judgement
    givens: tuple[Given, ...]

    def outcomes(self, weld: Entry) -> Iterator[Outcome]:
        """Yield the outcomes of one section, in the order of the rows."""
        measured = {name: measured_value(item) for name, item in weld["measurements"].items()}
        for limit, given in zip(self.by.limits, self.givens, strict=True):
            yield from assess(measured, weld["joint"], given, (limit,), self.by.rule)


@dataclass(slots=True)
class _Tally:
    """What became of one row of limits and one value along the seam."""

    first: Outcome
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(VERDICTS, 0))
    failed: list[int] = field(default_factory=list)
    uppers: list[float] = field(default_factory=list)
    lowers: list[float] = field(default_factory=list)


def seam_judgement(by: Judgement, thickness_mm: float | None, rows: Rows, columns: Columns) -> SeamJudgement:
    """Return the limits with the length of each imperfection for which a rule asks."""
    given = by.given.filled({"thickness_mm": thickness_mm})
    bare = SeamJudgement(by, (given,) * len(by.limits))
    short = [number for number, limit in enumerate(by.limits) if any(case.short is not None for case in limit.cases)]
    if not short:
        return bare
    counted: dict[int, dict[str, Mask]] = {number: {} for number in short}
    for place, entry in enumerate(rows):
        if entry["weld"] is None:
            continue
        measured = {name: measured_value(item) for name, item in entry["weld"]["measurements"].items()}
        for number in short:
            for outcome in assess(measured, entry["weld"]["joint"], given, (by.limits[number],), by.rule):
                if outcome.outcome == "meets" or (outcome.outcome == "not_assessed" and outcome.missing != ("length",)):
                    continue
                mask = counted[number].setdefault(outcome.quantity, np.zeros(len(columns), bool))
                mask[place] = True
    givens = list(bare.givens)
    for number, masks in counted.items():
        extents = {
            name: Extent(_total(by.limits[number], mask, columns), columns.length_mm) for name, mask in masks.items()
        }
        givens[number] = replace(given, extents=extents)
    return SeamJudgement(by, tuple(givens))


def _total(limit: Limit, mask: Mask, columns: Columns) -> float:
    """Return the length in the worst stretch of the row's window, or of the whole seam, mm."""
    windows = [case.window for case in limit.cases if case.short is not None]
    named = [window for window in windows if window is not None]
    if len(named) < len(windows):
        return float(mask.sum() * columns.pitch_mm)
    factor = MM_PER_INCH if limit.system == "inch" else 1.0
    return longest_in_window(columns.places(), mask, columns.pitch_mm, max(named) * factor)[0]


def judged_rows(rows: Rows, judgement: SeamJudgement) -> Iterator[Entry]:
    """Yield the sections with their outcomes."""
    for entry in rows:
        weld = entry["weld"]
        if weld is None:
            yield entry
        else:
            outcomes = [outcome_entry(outcome) for outcome in judgement.outcomes(weld)]
            yield entry | {"weld": weld | {"outcomes": outcomes}}


def seam_outcomes(rows: Rows, judgement: SeamJudgement, columns: Columns) -> tuple[list[Entry], Entry | None]:
    """Return what becomes of each row along the seam, and the section that fails worst (None where none does)."""
    tallies: dict[tuple[str, str], _Tally] = {}
    worst: tuple[float, int, str, str] | None = None
    for place, entry in enumerate(rows):
        if entry["weld"] is None:
            continue
        for outcome in judgement.outcomes(entry["weld"]):
            tally = tallies.setdefault((outcome.criterion, outcome.quantity), _Tally(outcome))
            tally.counts[outcome.outcome] += 1
            if outcome.upper is not None:
                tally.uppers.append(outcome.upper)
            if outcome.lower is not None:
                tally.lowers.append(outcome.lower)
            if outcome.outcome != "does_not_meet":
                continue
            tally.failed.append(place)
            beyond = _beyond(outcome, columns.of(outcome.quantity)[place])
            if worst is None or beyond > worst[0]:
                worst = (beyond, place, outcome.quantity, f"farthest beyond {outcome.criterion}")
    conditions = {f"{limit.criterion} {limit.id}": limit.condition for limit in judgement.by.limits}
    found = [_entry(tally, columns, conditions.get(tally.first.criterion)) for tally in tallies.values()]
    return found, None if worst is None else worst_entry(columns, worst[1], worst[2], worst[3])


def _beyond(outcome: Outcome, value: float) -> float:
    """Return by what share of a limit a value lies beyond it."""
    beyond = [0.0]
    if outcome.upper is not None:
        beyond.append((abs(value) - outcome.upper) / max(abs(outcome.upper), 0.1))
    if outcome.lower is not None:
        beyond.append((outcome.lower - value) / max(abs(outcome.lower), 0.1))
    return float(np.nanmax(beyond))


def _entry(tally: _Tally, columns: Columns, condition: str | None) -> Entry:
    failed = np.zeros(len(columns), bool)
    failed[tally.failed] = True
    first = tally.first
    return {
        "criterion": first.criterion,
        "source": first.source,
        "quantity": first.quantity,
        "unit": first.unit,
        "upper": min(tally.uppers, default=None),
        "lower": max(tally.lowers, default=None),
        "verified": first.verified,
        "condition": condition or None,
        **tally.counts,
        "not_assessed_because": first.message if tally.counts["not_assessed"] else None,
        "does_not_meet_length": length_entry(columns, failed),
    }
