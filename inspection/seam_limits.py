"""Limits along a seam: each section judged, with the lengths that rules for short imperfections ask for.

A rule that allows more where an imperfection is short needs its length along the seam. It is counted by the cells of
the sections that do not meet the rule's limit for long ones, in the worst of the windows that hold the section. Cells
that are undecided, or of which nothing is known, may belong to it: where they would tip the scales it is undecided.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from core.units import MM_PER_INCH
from criteria import Extent, Given, Limit, Outcome, assess
from criteria.quantities import names_of
from inspection.document import Entry
from inspection.outcomes import Judgement, measured_value, outcome_entry
from inspection.seam_summary import Columns, length_entry, stretches, weld_length, worst_entry
from inspection.seam_windows import Mask, Values, longest_about

VERDICTS = ("meets", "does_not_meet", "undecided", "not_assessed")
Rows = Iterable[Entry]


@dataclass(frozen=True, slots=True, eq=False)
class Lengths:
    """Of one imperfection, for each section: its summed length in the worst window about it, (N,) mm.

    ``certain`` counts what does not meet the limit for long ones, ``at_most`` what is undecided or not known as well.
    """

    certain: Values
    at_most: Values


@dataclass(frozen=True, slots=True, eq=False)
class SeamJudgement:
    """Limits with what a seam tells of lengths.

    Attributes
    ----------
    by, given
        The limits, and what a person said of the joint.
    lengths
        Number of a row of limits that asks for a length to those of each value, by name.
    weld_mm, at_most_weld_mm
        Length of the weld from its first to its last section, and with what is not known at its ends.
    """

    by: Judgement
    given: Given
    lengths: Mapping[int, Mapping[str, Lengths]]
    weld_mm: float
    at_most_weld_mm: float

    def outcomes(self, place: int, weld: Entry) -> Iterator[Outcome]:
        """Yield the outcomes of the section of a number, in the order of the rows."""
        measured = {name: measured_value(item) for name, item in weld["measurements"].items()}
        for number, limit in enumerate(self.by.limits):
            given = self._at(number, place) if number in self.lengths else self.given
            yield from assess(measured, weld["joint"], given, (limit,), self.by.rule)

    def _at(self, number: int, place: int) -> Given:
        extents = {
            name: Extent(float(found.certain[place]), self.weld_mm, float(found.at_most[place]), self.at_most_weld_mm)
            for name, found in self.lengths[number].items()
        }
        return replace(self.given, extents=extents)


@dataclass(slots=True)
class _Tally:
    """What became of one row of limits and one value along the seam."""

    first: Outcome
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(VERDICTS, 0))
    because: dict[str, str] = field(default_factory=dict)
    failed: list[int] = field(default_factory=list)
    uppers: list[float] = field(default_factory=list)
    lowers: list[float] = field(default_factory=list)
    from_memory: bool = False


def seam_judgement(
    by: Judgement, thickness_mm: float | None, rows: Rows, columns: Columns, *, complete: bool = True
) -> SeamJudgement:
    """Return the limits with the length of each imperfection for which a rule asks.

    Of a seam that was not scanned to its end no length is known.
    """
    given = by.given.filled({"thickness_mm": thickness_mm})
    short = [number for number, limit in enumerate(by.limits) if any(case.short is not None for case in limit.cases)]
    if not complete:
        short = []
    counted: dict[int, dict[str, _Counted]] = {number: {} for number in short}
    if short:
        _count(by, given, counted, rows, columns)
    lengths = {
        number: {name: _lengths(by.limits[number], item, columns) for name, item in found.items()}
        for number, found in counted.items()
    }
    return SeamJudgement(by, given, lengths, weld_length(columns), columns.length_mm)


@dataclass(frozen=True, slots=True, eq=False)
class _Counted:
    """Sections that do not meet a limit for long imperfections, and those that do; of the others that is not known."""

    failed: Mask
    met: Mask


def _count(
    by: Judgement, given: Given, counted: Mapping[int, dict[str, _Counted]], rows: Rows, columns: Columns
) -> None:
    """Judge every section by the limits for long imperfections alone."""
    plain = {number: _for_long(by.limits[number]) for number in counted}
    for place, entry in enumerate(rows):
        if entry["weld"] is None:
            continue
        measured = {name: measured_value(item) for name, item in entry["weld"]["measurements"].items()}
        for number, limit in plain.items():
            for outcome in assess(measured, entry["weld"]["joint"], given, (limit,), by.rule):
                # Of two sides of which one decides it may be the left one here and the right one there.
                both = names_of(limit.quantity) if limit.sides != "each" else (outcome.quantity,)
                for name in both:
                    found = counted[number].setdefault(
                        name, _Counted(np.zeros(len(columns), bool), np.zeros(len(columns), bool))
                    )
                    found.failed[place] |= outcome.outcome == "does_not_meet"
                    found.met[place] |= outcome.outcome == "meets"


def _for_long(limit: Limit) -> Limit:
    return replace(limit, cases=tuple(replace(case, short=None) for case in limit.cases))


def _lengths(limit: Limit, found: _Counted, columns: Columns) -> Lengths:
    """Return the lengths in the row's window, or of the whole seam."""
    windows = [case.window for case in limit.cases if case.short is not None]
    named = [window for window in windows if window is not None]
    factor = MM_PER_INCH if limit.system == "inch" else 1.0
    window_mm = None if len(named) < len(windows) else max(named) * factor
    certain, at_most = (longest_about(where, columns.pitch_mm, window_mm) for where in (found.failed, ~found.met))
    return Lengths(certain, at_most)


def judged_rows(rows: Rows, judgement: SeamJudgement) -> Iterator[Entry]:
    """Yield the sections with their outcomes."""
    for place, entry in enumerate(rows):
        weld = entry["weld"]
        if weld is None:
            yield entry
        else:
            outcomes = [outcome_entry(outcome) for outcome in judgement.outcomes(place, weld)]
            yield entry | {"weld": weld | {"outcomes": outcomes}}


def seam_outcomes(rows: Rows, judgement: SeamJudgement, columns: Columns) -> tuple[list[Entry], Entry | None]:
    """Return what becomes of each row along the seam, and the section that fails worst (None where none does)."""
    tallies: dict[tuple[str, str], _Tally] = {}
    worst: tuple[float, int, str, str] | None = None
    for place, entry in enumerate(rows):
        if entry["weld"] is None:
            continue
        for outcome in judgement.outcomes(place, entry["weld"]):
            tally = tallies.setdefault((outcome.criterion, outcome.quantity), _Tally(outcome))
            tally.counts[outcome.outcome] += 1
            tally.because.setdefault(outcome.outcome, outcome.message)
            tally.from_memory |= outcome.verified == "from memory"
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
        "verified": "from memory" if tally.from_memory else first.verified,
        "condition": condition or None,
        **tally.counts,
        "undecided_because": tally.because.get("undecided"),
        "not_assessed_because": tally.because.get("not_assessed"),
        "does_not_meet_length": length_entry(columns, failed),
        "does_not_meet_at_mm": stretches(columns, failed),
    }
