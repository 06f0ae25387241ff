"""Measured welds against true ones: matched by where they lie, compared value by value."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchmarks.floors import FLOORS, SILENT_EXPANDED
from benchmarks.render.scenario import Weld
from core.geometry import Points

NEAR_MM = 5.0


@dataclass(frozen=True, slots=True)
class Trial:
    """One true value and what was made of it; ``measured`` None when it was not measurable."""

    case: int
    joint: str
    difficulty: str
    name: str
    true: float
    measured: float | None
    expanded: float | None
    reason: str = ""

    @property
    def error(self) -> float:
        """Measured minus true value."""
        if self.measured is None:
            raise ValueError(f"{self.name} was not measured in case {self.case}")
        return self.measured - self.true

    @property
    def covered(self) -> bool:
        """Whether the true value lies in the stated interval."""
        return self.expanded is not None and abs(self.error) <= self.expanded

    @property
    def within_floor(self) -> bool:
        """Whether the error is one the table of numbers allows."""
        floor = FLOORS.get(self.name)
        return floor is None or abs(self.error) <= floor.at(self.true)

    @property
    def silently_wrong(self) -> bool:
        """Whether the error is beyond the floor and far outside what was stated."""
        if self.measured is None or self.within_floor:
            return False
        return abs(self.error) > SILENT_EXPANDED * (self.expanded or 0.0)


@dataclass(frozen=True, slots=True)
class Case:
    """One picture: whether every weld was found as what it is, how many there were too many, and the values."""

    number: int
    joint: str
    difficulty: str
    measured: bool
    extra_welds: int
    problem: str = ""
    trials: tuple[Trial, ...] = field(default=())


def compare(
    number: int,
    difficulty: str,
    true_welds: Sequence[Weld],
    entry: Mapping[str, Any],
    mm_per_px: float,
) -> Case:
    """Compare one entry of a result document with the truth of its picture."""
    joint = true_welds[0].joint
    welds = list(entry["welds"])
    if not welds:
        message = (entry.get("error") or {}).get("message", "no weld and no reason")
        return Case(number, joint, difficulty, False, 0, message)
    trials: list[Trial] = []
    problems: list[str] = []
    for true in true_welds:
        found = _nearest(true, welds, NEAR_MM / mm_per_px)
        if found is None:
            problems.append(f"a {true.joint} was not found")
            continue
        welds.remove(found)
        if found["joint"] != true.joint:
            problems.append(f"a {true.joint} was taken for a {found['joint']}")
            continue
        trials.extend(_trials(number, difficulty, true, found["measurements"]))
    return Case(number, joint, difficulty, not problems, len(welds), "; ".join(problems), tuple(trials))


def _nearest(true: Weld, welds: Iterable[Mapping[str, Any]], reach_px: float) -> Mapping[str, Any] | None:
    best, found = reach_px, None
    for weld in welds:
        distance = _distance_px(true.points_px, weld["points_px"])
        if distance < best:
            best, found = distance, weld
    return found


def _distance_px(true: Mapping[str, Points], measured: Mapping[str, Any]) -> float:
    """Return how far apart two welds lie: by the points both name, else by the middle of all their points."""
    shared = true.keys() & measured.keys()
    first = _middle([true[name] for name in shared or true])
    second = _middle([measured[name] for name in shared or measured])
    return float(np.hypot(*(first - second)))


def _middle(points: Iterable[Any]) -> Points:
    return np.asarray(np.mean([np.asarray(point, float) for point in points], axis=0))


def _trials(number: int, difficulty: str, true: Weld, measurements: Mapping[str, Any]) -> Iterable[Trial]:
    for name, value in true.values.items():
        entry = measurements.get(name)
        if entry is None:
            yield Trial(number, true.joint, difficulty, name, value, None, None, "not in the result")
        elif entry["state"] != "measured":
            yield Trial(number, true.joint, difficulty, name, value, None, None, entry.get("reason", ""))
        else:
            yield Trial(number, true.joint, difficulty, name, value, entry["value"], entry.get("expanded_uncertainty"))
