"""What a whole seam comes to: median and extremes, lengths over a threshold, gaps, undercut in any 300 mm, the worst.

Each section stands for one cell of the seam, half a pitch to either side of it: lengths are counted by cells. Only
columns of numbers are kept, so that memory hardly grows with the seam.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from core.errors import UsageError
from core.units import fractions_written_out, parse_length_mm
from criteria.judge import OFFSETS
from inspection.document import Entry
from inspection.seam_unlike import unlike_neighbours
from inspection.seam_windows import DECIMALS, Mask, Values, longest_in_window
from measurement.names import LABELS, as_name

WINDOW_MM = 300.0
_OVER = re.compile(r"([A-Za-z][A-Za-z_, -]*?)[\s:>]*([-+.\d].*)", re.DOTALL)
_DEGREES = re.compile(r"(\d+(?:\.\d*)?|\.\d+)\s*(?:deg|degrees|°)")
UNDERCUT = ("undercut_left", "undercut_right")


@dataclass(frozen=True, slots=True)
class Threshold:
    """A value above which a section counts, in mm or degrees."""

    quantity: str
    limit: float


@dataclass(slots=True)
class Columns:
    """Values of a seam by name, one number a section: nan where there is none.

    Attributes
    ----------
    pitch_mm
        Length of seam that a section stands for.
    values, expanded
        Name to value and to expanded uncertainty.
    errors
        Number of a section without a weld to the reason.
    codes
        Codes of these errors.
    joints
        Kind of joint to the number of sections in which it was found.
    """

    pitch_mm: float
    positions: array[float] = field(default_factory=lambda: array("d"))
    values: dict[str, array[float]] = field(default_factory=dict)
    expanded: dict[str, array[float]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    errors: dict[int, str] = field(default_factory=dict)
    codes: set[str] = field(default_factory=set)
    joints: dict[str, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.positions)

    @property
    def length_mm(self) -> float:
        return len(self) * self.pitch_mm

    def add(self, entry: Entry) -> None:
        """Take up one section."""
        number = len(self.positions)
        self.positions.append(entry["position_mm"])
        weld = entry["weld"]
        if weld is None:
            self.errors[number] = _reason(entry)
            self.codes.add(entry["error"]["code"])
        else:
            self.joints[weld["joint"]] = self.joints.get(weld["joint"], 0) + 1
        items = {} if weld is None else weld["measurements"]
        for name, item in items.items():
            if name not in self.values:
                self.values[name] = array("d", [math.nan]) * number
                self.expanded[name] = array("d", [math.nan]) * number
                self.units[name] = item["unit"]
        for name in self.values:
            item = items.get(name) or {}
            value, expanded = item.get("value"), item.get("expanded_uncertainty")
            self.values[name].append(math.nan if value is None else value)
            self.expanded[name].append(math.nan if expanded is None else expanded)

    def of(self, name: str) -> Values:
        """Return the values of a quantity, (N,), nan where there is none."""
        column = self.values.get(name)
        return np.full(len(self), np.nan) if column is None else np.array(column)

    def places(self) -> Values:
        """Return the positions, (N,) mm."""
        return np.array(self.positions)

    def sizes(self, name: str) -> Values:
        """Return the values of a quantity, (N,); of an offset, which may be to either side, its size."""
        values = self.of(name)
        return np.abs(values) if name in OFFSETS else values

    def over(self, threshold: Threshold) -> Mask:
        """Return in which sections a value lies over a threshold, (N,)."""
        return self.sizes(threshold.quantity) > threshold.limit

    def undercut(self, name: str, thresholds: Sequence[Threshold]) -> tuple[Mask, float | None]:
        """Return where there is undercut: over its threshold, or without one clear of its uncertainty."""
        limits = [threshold.limit for threshold in thresholds if threshold.quantity == name]
        values = self.of(name)
        if limits:
            return values > min(limits), min(limits)
        expanded = np.array(self.expanded.get(name, [0.0] * len(self)))
        return values > np.nan_to_num(expanded), None


def _reason(entry: Entry) -> str:
    """Return why a section has no weld, without the name of its file: alike reasons make one gap."""
    message = str(entry["error"]["message"])
    _, named, reason = message.partition(f"{entry['source']}: ") if entry.get("source") else (message, "", "")
    return reason if named else message


def parse_threshold(text: str) -> Threshold:
    """Return the threshold that ``undercut_left 0.5 mm`` or ``toe angle, left > 40°`` names.

    Raises
    ------
    UsageError
        When the name is not that of a value, or the number has no unit or the wrong one.
    """
    match = _OVER.fullmatch(fractions_written_out(text.strip()))
    name, amount = (text.strip().partition(" ")[0], "") if match is None else (as_name(match[1]), match[2])
    known = LABELS.get(name)
    if f"{name}_left" in LABELS:
        raise UsageError(f"--over {name}: name its side, {name}_left or {name}_right; --over may be repeated.")
    if known is None or known.unit not in ("mm", "deg"):
        raise UsageError(
            f'--over takes the name of a value and what it may be, like "undercut_left 0.5 mm"; {name!r} is the name '
            "of no length and no angle (names are those of the result file)."
        )
    if known.unit == "mm":
        return Threshold(name, parse_length_mm(amount, name=f"--over {name}"))
    degrees = _DEGREES.fullmatch(amount)
    if degrees is None:
        raise UsageError(f'--over {name} needs degrees, got {amount!r}: write "{name} 40 deg".')
    return Threshold(name, float(degrees[1]))


def quantities(columns: Columns) -> Entry:
    """Return median, extremes with their places, and counts of each quantity."""
    places = columns.places()
    found: Entry = {}
    for name in _in_order(columns.values):
        values = columns.of(name)
        seen = np.isfinite(values)
        absent = ~seen & welded(columns)
        entry: Entry = {"unit": columns.units[name]}
        if seen.any():
            low, high = int(np.nanargmin(values)), int(np.nanargmax(values))
            entry |= {
                "median": _rounded(np.median(values[seen])),
                "minimum": _rounded(values[low]),
                "maximum": _rounded(values[high]),
                "at_minimum_mm": _rounded(places[low]),
                "at_maximum_mm": _rounded(places[high]),
            }
        else:
            entry |= dict.fromkeys(("median", "minimum", "maximum", "at_minimum_mm", "at_maximum_mm"))
        entry |= {"measured": int(seen.sum()), "not_measurable": int(absent.sum())}
        entry["not_measurable_at_mm"] = stretches(columns, absent)
        entry["unlike_neighbours_at_mm"] = [_rounded(places[number]) for number in unlike_neighbours(columns, name)]
        found[name] = entry
    return found


def over(columns: Columns, threshold: Threshold) -> Entry:
    """Return share, length and longest run over a threshold; sections that are not known count as not over."""
    values = columns.of(threshold.quantity)
    above = columns.over(threshold)
    known = LABELS[threshold.quantity]
    entry: Entry = {"quantity": threshold.quantity, "limit": threshold.limit, "unit": known.unit}
    measured = int(np.isfinite(values).sum())
    return (
        entry
        | {
            "measured": measured,
            "not_measurable": int((~np.isfinite(values)).sum()),
            "sections": int(above.sum()),
            "share": _rounded(above.sum() / measured) if measured else None,
        }
        | length_entry(columns, above)
    )


def length_entry(columns: Columns, where: Mask) -> Entry:
    """Return the summed length of some sections and their longest run."""
    places = columns.places()
    longest = max(runs(where), key=lambda run: run[1] - run[0], default=None)
    return {
        "length_mm": _rounded(where.sum() * columns.pitch_mm),
        "longest_run_mm": 0.0 if longest is None else _rounded((longest[1] - longest[0]) * columns.pitch_mm),
        "longest_run_from_mm": None if longest is None else _rounded(places[longest[0]]),
        "longest_run_to_mm": None if longest is None else _rounded(places[longest[1] - 1]),
    }


def stretches(columns: Columns, where: Mask) -> list[list[float]]:
    """Return the places of the first and the last section of each run of marked ones, mm."""
    places = columns.places()
    return [[_rounded(places[first]), _rounded(places[last - 1])] for first, last in runs(where)]


def gaps(columns: Columns) -> list[Entry]:
    """Return the stretches where no weld was measured, with the reason; a new reason begins a new stretch."""
    places = columns.places()
    found: list[Entry] = []
    numbers: list[int] = []
    for number, reason in columns.errors.items():
        if found and number == numbers[-1] + 1 and found[-1]["reason"] == reason:
            found[-1] |= {"to_mm": _rounded(places[number]), "sections": found[-1]["sections"] + 1}
        else:
            place = _rounded(places[number])
            found.append({"from_mm": place, "to_mm": place, "sections": 1, "reason": reason})
        numbers.append(number)
    for entry in found:
        entry["length_mm"] = _rounded(entry["sections"] * columns.pitch_mm)
    return found


def undercut_in_window(columns: Columns, thresholds: Sequence[Threshold]) -> list[Entry]:
    """Return the longest sum of undercut in any 300 mm of the seam, for each side.

    ``at_most_mm`` is what it would be if there were undercut wherever it is not known, in ``not_measurable`` sections.
    """
    found: list[Entry] = []
    for name in UNDERCUT:
        if name not in columns.values:
            continue
        where, limit = columns.undercut(name, thresholds)
        length, start = longest_in_window(columns.places(), where, columns.pitch_mm, WINDOW_MM)
        unknown = ~np.isfinite(columns.of(name))
        most, _ = longest_in_window(columns.places(), where | unknown, columns.pitch_mm, WINDOW_MM)
        found.append({
            "quantity": name, "window_mm": WINDOW_MM, "over_mm": limit, "length_mm": _rounded(length),
            "at_most_mm": _rounded(most), "not_measurable": int(unknown.sum()),
            "from_mm": None if start is None else _rounded(start),
            "to_mm": None if start is None else _rounded(min(start + WINDOW_MM, columns.length_mm) - columns.pitch_mm),
        })  # fmt: skip
    return found


def runs(where: Mask) -> Iterator[tuple[int, int]]:
    """Yield first and one past the last of each run of marked sections."""
    padded = np.concatenate([[False], where, [False]]).astype(np.int8)
    steps = np.diff(padded)
    yield from zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True)


def welded(columns: Columns) -> Mask:
    """Return in which sections a weld was found, (N,)."""
    found = np.ones(len(columns), bool)
    found[list(columns.errors)] = False
    return found


def weld_length(columns: Columns) -> float:
    """Return the length from the first to the last section with a weld, mm."""
    numbers = np.flatnonzero(welded(columns))
    return float(numbers[-1] - numbers[0] + 1) * columns.pitch_mm if len(numbers) else 0.0


def worst(columns: Columns, thresholds: Sequence[Threshold]) -> Entry | None:
    """Return the worst section and why it is that one.

    The greatest multiple of a threshold where one is exceeded or at least named; without thresholds the deepest
    undercut that is clear of its uncertainty, else the least throat, the highest reinforcement or the widest gap.
    """
    best: tuple[float, int, str, str] | None = None
    for threshold in thresholds:
        share = columns.sizes(threshold.quantity) / (threshold.limit or 1.0)
        if np.isfinite(share).any():
            at = int(np.nanargmax(share))
            if best is None or share[at] > best[0]:
                best = (float(share[at]), at, threshold.quantity, f"{share[at]:.3g} times its threshold")
    if best is not None:
        return worst_entry(columns, best[1], best[2], best[3])
    deepest = (0.0, -1, "")
    for name in UNDERCUT:
        if name in columns.values:
            clear = np.where(columns.undercut(name, ())[0], columns.of(name), 0.0)
            deepest = max(deepest, (float(clear.max()), int(clear.argmax()), name))
    if deepest[0] > 0:
        return worst_entry(columns, deepest[1], deepest[2], "deepest undercut")
    for name, why, sign in (
        ("throat", "least throat", -1.0),
        ("reinforcement", "highest reinforcement", 1.0),
        ("root_gap", "widest root gap", 1.0),
    ):
        values = sign * columns.of(name)
        if np.isfinite(values).any():
            return worst_entry(columns, int(np.nanargmax(values)), name, why)
    return None


def worst_entry(columns: Columns, number: int, name: str, why: str) -> Entry:
    """Return the section of a number as the worst one."""
    expanded = columns.expanded[name][number]
    return {
        "section": number,
        "position_mm": _rounded(columns.places()[number]),
        "quantity": name,
        "value": _rounded(columns.of(name)[number]),
        "expanded_uncertainty": _rounded(expanded) if math.isfinite(expanded) else None,
        "unit": columns.units[name],
        "why": why,
        "unlike_neighbours": number in unlike_neighbours(columns, name),
    }


def _in_order(names: dict[str, array[float]]) -> list[str]:
    known = list(LABELS)
    order = {name: number for number, name in enumerate(known)}
    return sorted(names, key=lambda name: order.get(name, len(known)))


def _rounded(value: float) -> float:
    return round(float(value), DECIMALS)
