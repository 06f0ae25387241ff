"""Readings of hand gauges joined with results: same picture, same weld, same value."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from criteria.judge import OFFSETS
from inspection.readings import Reading, as_key
from measurement.names import SIDES, SIGNED, as_name

Entry = dict[str, Any]
FAR_RATIO = 2.0
FAR = {"mm": 2.0, "deg": 45.0}
"""A reading of twice or half the measured value, and so far off, is no gauge's: an assumption."""

_SHA256 = re.compile(r"[0-9a-fA-F]{64}")


@dataclass(frozen=True, slots=True)
class Pair:
    """A reading with what it is compared with.

    Attributes
    ----------
    measured, expanded
        The measured value and its expanded uncertainty, None where that was not evaluated.
    modelled
        What a model of this gauge reads on the same profile, None where the result has none.
    why_not_modelled
        Why there is none, blank when there is one.
    """

    reading: Reading
    quantity: str
    label: str
    unit: str
    measured: float
    expanded: float | None
    coverage_factor: float
    modelled: float | None
    why_not_modelled: str


@dataclass(frozen=True, slots=True)
class Alone:
    """A reading that found nothing to be compared with, and why."""

    line: int
    reason: str


def pair_readings(readings: Iterable[Reading], results: Iterable[Entry]) -> tuple[list[Pair], list[Alone]]:
    """Join readings with entries of result documents by picture (name, path or SHA-256), weld and quantity."""
    entries = _distinct(results)
    known: dict[str, Entry | str] = {}
    pairs, alone = [], []
    for reading in readings:
        if reading.source not in known:
            known[reading.source] = _entry(reading.source, entries)
        found = _pair(reading, known[reading.source])
        if isinstance(found, Pair):
            pairs.append(found)
        else:
            alone.append(Alone(reading.line, found))
    return pairs, alone


def far_off(pair: Pair) -> bool:
    """Tell a reading that is rather a slip of the pen, the point or the unit than what a gauge showed."""
    least, most = sorted((abs(pair.reading.value), abs(pair.measured)))
    return most > FAR_RATIO * least and abs(pair.reading.value - pair.measured) > FAR[pair.unit]


def _distinct(results: Iterable[Entry]) -> list[Entry]:
    """Leave out entries that say the same of the same picture again."""
    kept: dict[tuple[str, str | None], list[Entry]] = {}
    for entry in results:
        same = kept.setdefault((entry["source"]["path"], entry["source"]["sha256"]), [])
        if not any(_said(entry) == _said(other) for other in same):
            same.append(entry)
    return [entry for same in kept.values() for entry in same]


def _said(entry: Entry) -> tuple[Any, Any]:
    return {str(weld["id"]): weld["measurements"] for weld in entry["welds"]}, entry["error"]


def _pair(reading: Reading, entry: Entry | str) -> Pair | str:
    if isinstance(entry, str):
        return entry
    if entry["error"] is not None:
        return f"{reading.source} was not measured: {entry['error']['message'].rstrip('.')}"
    welds = {str(weld["id"]): weld for weld in entry["welds"]}
    if reading.weld not in welds:
        return f"{reading.source} has no weld {reading.weld!r}, only {', '.join(welds) or 'none'}"
    weld = welds[reading.weld]
    names = {as_name(str(item.get("label", ""))): name for name, item in weld["measurements"].items()}
    name = reading.quantity if reading.quantity in weld["measurements"] else names.get(reading.quantity)
    if name is None and f"{reading.quantity}_left" in weld["measurements"]:
        both = " or ".join(f"{reading.quantity}_{side}" for side in SIDES)
        return f"{reading.quantity!r} has two sides: write {both}"
    if name is None:
        return f"weld {reading.weld} of {reading.source} has no value {reading.quantity!r}"
    item = weld["measurements"][name]
    if item["state"] == "not_measurable":
        return f"{name} of {reading.source} is not measurable: {item['reason'].rstrip('.')}"
    if item["unit"] != reading.unit:
        return f"{name} is measured in {item['unit']}, the reading {reading.written!r} is in {reading.unit}"
    if reading.value < 0 and name not in SIGNED:
        return f"{name} cannot be negative, the reading is {reading.written!r}"
    measured, (modelled, why_not) = item["value"], _modelled(weld, reading.gauge, name)
    if name in OFFSETS and not reading.written.lstrip().startswith(("+", "-", "−")):
        # a gauge shows how far, a person rarely writes to which side
        measured, modelled = abs(measured), None if modelled is None else abs(modelled)
    return Pair(
        reading,
        name,
        item.get("label", name),
        item["unit"],
        measured,
        item["expanded_uncertainty"],
        item["coverage_factor"],
        modelled,
        why_not,
    )


def _entry(source: str, entries: list[Entry]) -> Entry | str:
    """Return the one entry that a source names, or why there is not one."""
    if _SHA256.fullmatch(source):
        found = [entry for entry in entries if entry["source"]["sha256"] == source.lower()]
    else:
        found = [entry for entry in entries if entry["source"]["path"] == source]
        if not found:
            wanted = _parts(source)
            found = [entry for entry in entries if _parts(entry["source"]["path"])[-len(wanted) :] == wanted]
        if not found:
            found = [entry for entry in entries if _parts(entry["source"]["path"])[-1:] == _parts(source)[-1:]]
        if not found:  # as people write a name who do not look at its capitals and its ending
            found = [entry for entry in entries if _named_loosely(source, entry["source"]["path"])]
    if not found:
        return f"no result of {source}: measure it, and name its result file with --results"
    if len(found) == 1:
        return found[0]
    if len({entry["source"]["sha256"] for entry in found}) > 1:
        return f"the results hold {len(found)} pictures called {source}: give the path or the SHA-256"
    return f"the results hold {len(found)} different measurements of {source}: name one result file of it"


def _parts(path: str) -> tuple[str, ...]:
    return tuple(part for part in PurePath(path.replace("\\", "/")).parts if part != ".")


def _named_loosely(source: str, path: str) -> bool:
    """Tell whether a source is the name of a file but for capitals, with its ending or without."""
    name, other = ("".join(_parts(text.lower())[-1:]) for text in (source, path))
    return name in (other, PurePath(other).stem)


def _modelled(weld: Entry, gauge: str, quantity: str) -> tuple[float | None, str]:
    """Return what the modelled gauge reads for a quantity, or why there is no such reading."""
    listed = weld.get("gauges")
    if not isinstance(listed, list | tuple) or not listed:
        return None, "the result holds no modelled gauges, which toeline measure --gauges adds"
    items = [item for item in listed if isinstance(item, dict) and as_key(str(item.get("gauge"))) == as_key(gauge)]
    if not items:
        return None, f"the result models no gauge called {gauge!r}"
    for item in items:
        if as_name(str(item.get("quantity"))) == quantity:
            # What its graduations let a person read, where it tells; where it stands between them otherwise.
            value = item.get("step_reading", item.get("reading"))
            if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9:
                return float(value), ""
            return None, str(item.get("reason") or f"the modelled {gauge!r} gives no reading of {quantity}")
    return None, f"the modelled {gauge!r} does not read {quantity}"
