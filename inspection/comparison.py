"""Readings against results, group by group: which gauge and which operator reads how far off, and of what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from inspection.agreement import CONFIDENCE, SPREAD, Agreement, Bound, agreement
from inspection.document import document
from inspection.pairing import Alone, Pair, pair_readings
from inspection.readings import Readings
from inspection.table_file import BadRow

SCHEMA = "toeline.agreement/1"
Entry = dict[str, Any]
Reference = Literal["measured", "modelled"]
SIDES = ("_left", "_right")


@dataclass(frozen=True, slots=True)
class Group:
    """The pairs of one gauge, one operator, or all of them (None), and how they agree.

    ``values`` counts different values read: fewer than the readings when some were read again.
    """

    gauge: str | None
    operator: str | None
    pairs: tuple[Pair, ...]
    values: int
    agreement: Agreement


@dataclass(frozen=True, slots=True)
class Comparison:
    """All groups of one quantity against one reference; ``missing`` counts pairs without it, by reason."""

    quantity: str
    label: str
    unit: str
    reference: Reference
    groups: tuple[Group, ...]
    missing: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Compared:
    """What became of a file of readings."""

    readings: Readings
    comparisons: tuple[Comparison, ...]
    alone: tuple[Alone, ...]

    @property
    def bad(self) -> tuple[BadRow, ...]:
        """The rows that could not be read."""
        return self.readings.bad


def compare(readings: Readings, results: Iterable[Entry], *, sides_apart: bool = False) -> Compared:
    """Join readings with results and work out how they agree, by quantity, gauge and operator.

    Parameters
    ----------
    results
        Entries of result documents.
    sides_apart
        Keep ``leg_left`` and ``leg_right`` apart; otherwise the two sides of one quantity are taken together.
    """
    pairs, alone = pair_readings(readings.rows, results)
    by_quantity: dict[tuple[str, str], list[Pair]] = {}
    for pair in pairs:
        name = pair.quantity if sides_apart else without_side(pair.quantity)
        by_quantity.setdefault((name, pair.unit), []).append(pair)
    comparisons = [
        _comparison(name, unit, members, reference)
        for (name, unit), members in by_quantity.items()
        for reference in ("measured", "modelled")
    ]
    return Compared(readings, tuple(comparisons), tuple(alone))


def without_side(quantity: str) -> str:
    """Return ``leg`` for ``leg_left``."""
    for side in SIDES:
        quantity = quantity.removesuffix(side)
    return quantity


def _comparison(name: str, unit: str, pairs: Sequence[Pair], reference: Reference) -> Comparison:
    label = pairs[0].label
    if name != pairs[0].quantity:
        for side in SIDES:
            label = label.removesuffix(f", {side.strip('_')}")
    usable = [pair for pair in pairs if reference_of(pair, reference) is not None]
    missing = Counter(pair.why_not_modelled for pair in pairs if reference_of(pair, reference) is None)
    return Comparison(name, label, unit, reference, tuple(_groups(usable, reference)), tuple(missing.items()))


def reference_of(pair: Pair, reference: Reference) -> float | None:
    """Return what the reading of a pair is compared with."""
    return pair.measured if reference == "measured" else pair.modelled


def _groups(pairs: Sequence[Pair], reference: Reference) -> Iterable[Group]:
    """Yield each gauge with each of its operators, then each operator over several gauges, then all."""
    cells: dict[str, dict[str, list[Pair]]] = {}
    for pair in pairs:
        cells.setdefault(pair.reading.gauge, {}).setdefault(pair.reading.operator, []).append(pair)
    by_operator: dict[str, list[Pair]] = {}
    for gauge, people in cells.items():
        for operator, chosen in people.items():
            by_operator.setdefault(operator, []).extend(chosen)
            yield _group(gauge, operator, chosen, reference)
        if len(people) > 1:
            yield _group(gauge, None, [pair for chosen in people.values() for pair in chosen], reference)
    if len(cells) > 1:
        for operator, chosen in by_operator.items():
            if len({pair.reading.gauge for pair in chosen}) > 1:
                yield _group(None, operator, chosen, reference)
        yield _group(None, None, pairs, reference)


def _group(gauge: str | None, operator: str | None, pairs: Sequence[Pair], reference: Reference) -> Group:
    references = [value for pair in pairs if (value := reference_of(pair, reference)) is not None]
    # The uncertainty of the modelled reading is not stated, and the check of it is left out.
    expanded = [pair.expanded if reference == "measured" else None for pair in pairs]
    found = agreement(
        [pair.reading.value for pair in pairs],
        references,
        expanded,
        coverage_factor=pairs[0].coverage_factor,
    )
    values = len({(pair.reading.source, pair.reading.weld, pair.quantity) for pair in pairs})
    return Group(gauge, operator, tuple(pairs), values, found)


def as_document(compared: Compared) -> Entry:
    """Return a comparison as other programs read it, in mm and degrees."""
    tool = document([])["tool"]
    return {
        "schema": SCHEMA,
        "tool": tool,
        "source": compared.readings.path,
        "method": {
            "difference": "reading minus reference",
            "limits": f"bias ± {SPREAD} standard deviations",
            "confidence": CONFIDENCE,
        },
        "comparisons": [_comparison_entry(item) for item in compared.comparisons],
        "left_out": [{"line": row.line, "reason": row.reason} for row in compared.bad],
        "not_compared": [{"line": row.line, "reason": row.reason} for row in compared.alone],
    }


def _comparison_entry(item: Comparison) -> Entry:
    return {
        "quantity": item.quantity,
        "label": item.label,
        "unit": item.unit,
        "reference": item.reference,
        "groups": [_group_entry(group, item.reference) for group in item.groups],
        "without_reference": [{"reason": reason, "readings": count} for reason, count in item.missing],
    }


def _group_entry(group: Group, reference: Reference) -> Entry:
    found = group.agreement
    return {
        "gauge": group.gauge,
        "operator": group.operator,
        "readings": found.n,
        "values": group.values,
        "bias": _number(found.bias),
        "bias_interval": None if found.bias_interval is None else [_number(end) for end in found.bias_interval],
        "standard_deviation": _number(found.std),
        "lower_limit": _bound_entry(found.lower),
        "upper_limit": _bound_entry(found.upper),
        "slope": None
        if found.slope is None
        else {
            "value": _number(found.slope.value),
            "interval": [_number(found.slope.low), _number(found.slope.high)],
            "p": _number(found.slope.p),
        },
        "own_uncertainty": None
        if found.own is None
        else {
            "expected_standard_deviation": _number(found.own.expected_std),
            "share_outside": _number(found.own.outside),
            "p": _number(found.own.p),
            "exceeded": found.own.exceeded,
        },
        "pairs": [
            {
                "line": pair.reading.line,
                "source": pair.reading.source,
                "weld": pair.reading.weld,
                "quantity": pair.quantity,
                "reading": _number(pair.reading.value),
                "as_written": pair.reading.written,
                "reference": _number(reference_of(pair, reference)),
            }
            for pair in group.pairs
        ],
    }


def _bound_entry(bound: Bound | None) -> Entry | None:
    if bound is None:
        return None
    return {"value": _number(bound.value), "interval": [_number(bound.low), _number(bound.high)]}


def _number(value: float | None) -> float | None:
    return None if value is None else round(value, 9)
