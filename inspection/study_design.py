"""A balanced crossed design: every operator reads every part equally often."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable
from inspection.readings import StudyReading, StudyReadings

MOST_NAMED = 6


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """The readings of a study.

    Attributes
    ----------
    values
        (parts, operators, trials), in mm or degrees, or plain numbers when ``unit`` is blank.
    """

    parts: tuple[str, ...]
    operators: tuple[str, ...]
    values: NDArray[np.float64]
    unit: str

    def __post_init__(self) -> None:
        if self.values.ndim != 3 or self.values.shape[:2] != (len(self.parts), len(self.operators)):
            raise ValueError(f"values must have shape (parts, operators, trials), got {self.values.shape}")
        if not np.isfinite(self.values).all():
            raise ValueError("all readings must be finite")
        if len(self.parts) < 2 or self.values.shape[2] < 2:
            raise ValueError("a study needs at least 2 parts and 2 trials")


def design_of(study: StudyReadings) -> Design:
    """Return the design that a file of readings makes.

    Raises
    ------
    NothingMeasurable
        When the design is not balanced (the cells are named), too small, or of more than one unit, gauge or quantity.
    """
    rows = study.rows
    if not rows:
        raise NothingMeasurable(f"{study.path}: no row can be read, so there is nothing to evaluate.")
    _check_one(study.path, "unit", [row.unit or "no unit" for row in rows])
    _check_one(study.path, "quantity", [row.quantity or "blank" for row in rows])
    _check_one(study.path, "gauge", [row.gauge or "blank" for row in rows])
    cells: dict[tuple[str, str], list[StudyReading]] = {}
    for row in rows:
        cells.setdefault((row.part, row.operator), []).append(row)
    parts = tuple(dict.fromkeys(row.part for row in rows))
    operators = tuple(dict.fromkeys(row.operator for row in rows))
    if len(parts) * len(operators) > 50 * len(rows):
        raise NothingMeasurable(f"{study.path}: hardly any operator read the same part as another: nothing is crossed.")
    _check_trials(study, cells)
    _check_balance(study, cells, parts, operators)
    if len(parts) < 2:
        raise NothingMeasurable(f"{study.path}: the study has one part, {parts[0]!r}: at least 2 are needed.")
    if len(cells[parts[0], operators[0]]) < 2:
        raise NothingMeasurable(
            f"{study.path}: every part was read once by each operator: without a second trial nothing tells how "
            "well a reading repeats."
        )
    values = [[[row.value for row in cells[part, operator]] for operator in operators] for part in parts]
    return Design(parts, operators, np.array(values, float), rows[0].unit)


def _check_one(path: str, what: str, values: Sequence[str]) -> None:
    different = list(dict.fromkeys(values))
    if len(different) > 1:
        shown = ", ".join(different[:MOST_NAMED])
        raise NothingMeasurable(f"{path}: the study mixes more than one {what} ({shown}): one study a file.")


def _check_trials(study: StudyReadings, cells: dict[tuple[str, str], list[StudyReading]]) -> None:
    for (part, operator), rows in cells.items():
        seen: dict[str, int] = {}
        for row in rows:
            if row.trial is not None and row.trial in seen:
                raise NothingMeasurable(
                    f"{study.path}: lines {seen[row.trial]} and {row.line} both hold trial {row.trial} of "
                    f"part {part!r} by {operator!r}: keep one."
                )
            if row.trial is not None:
                seen[row.trial] = row.line


def _check_balance(
    study: StudyReadings,
    cells: dict[tuple[str, str], list[StudyReading]],
    parts: tuple[str, ...],
    operators: tuple[str, ...],
) -> None:
    most = max(len(rows) for rows in cells.values())
    short = [
        f"part {part!r} by {operator!r} has {len(cells.get((part, operator), ()))} of {most}"
        for part in parts
        for operator in operators
        if len(cells.get((part, operator), ())) < most
    ]
    if not short:
        return
    alike = _differ_in_capitals(parts) or _differ_in_capitals(operators)
    if alike:
        raise NothingMeasurable(
            f"{study.path}: the design is not balanced: {alike[0]!r} and {alike[1]!r} differ only in capitals: write "
            "a name in one way."
        )
    more = f" and {len(short) - MOST_NAMED} more" if len(short) > MOST_NAMED else ""
    bad = ""
    if study.bad:
        count = "a row" if len(study.bad) == 1 else f"{len(study.bad)} rows"
        first = "" if len(study.bad) == 1 else ", the first"
        bad = f"; {count} could not be read{first} in line {study.bad[0].line}"
    raise NothingMeasurable(
        f"{study.path}: the design is not balanced and is not evaluated: {'; '.join(short[:MOST_NAMED])}{more}{bad}; "
        "read what is missing, or leave those parts out."
    )


def _differ_in_capitals(names: Sequence[str]) -> tuple[str, str] | None:
    """Return two names that are one but for capitals and blanks."""
    seen: dict[str, str] = {}
    for name in names:
        other = seen.setdefault("".join(name.split()).casefold(), name)
        if other != name:
            return other, name
    return None
