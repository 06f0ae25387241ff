"""Measured values against limits: one outcome a row and value, with the rule, the probability and what is missing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from core.errors import UsageError
from core.quantity import Measured, NotMeasurable, Quantity
from criteria.expression import NAMES
from criteria.judge import Judged, Value, judge, length_factor, own_factor, own_value
from criteria.limit import Case, Given, Limit, Outcome, Verdict
from criteria.quantities import UNSEEN, label_of, names_of, unit_of
from criteria.rules import Rule
from criteria.wording import allowed, shown, sized
from vision.section import Joint

_DECIMALS = 9
"""Of what a condition is asked, in the row's unit: 3/16 in given in mm must not miss ``t <= 3/16``."""


_CERTAIN: dict[tuple[str, str], Verdict] = {
    ("lesser", "upper"): "meets",
    ("lesser", "lower"): "does_not_meet",
    ("greater", "upper"): "does_not_meet",
    ("greater", "lower"): "meets",
}
"""What one value of two can settle alone, where the lesser or the greater decides."""


@dataclass(frozen=True, slots=True)
class _Absent:
    """Why no line of a row can be judged."""

    message: str
    missing: tuple[str, ...] = ()


def assess(
    measured: Mapping[str, Measured], joint: Joint, given: Given, limits: Sequence[Limit], rule: Rule
) -> tuple[Outcome, ...]:
    """Compare the values of one weld with limits.

    Parameters
    ----------
    measured
        Values by name, of the whole weld.
    joint
        Its kind: rows for other kinds are passed over.
    given
        What a person said of thickness, nominal sizes, category, service, seam and lengths. Nothing that a row
        needs is ever taken from the picture instead, other than what the row itself calls measured.
    limits, rule
        Rows, and how a value near a limit is decided.

    Returns
    -------
    Outcomes in the order of the rows, sides left to right. A row without a limit for this case gives none.
    """
    outcomes: list[Outcome] = []
    for limit in limits:
        if joint in limit.joints:
            outcomes += _assessed(limit, measured, joint, given, rule)
    return tuple(outcomes)


def _assessed(limit: Limit, measured: Mapping[str, Measured], joint: Joint, given: Given, rule: Rule) -> list[Outcome]:
    candidates = [case for case in limit.cases if _may_hold(case, given)]
    if not candidates:
        return []
    outcomes = []
    for name in _names(limit, measured):
        value = measured.get(name)
        if value is None:
            outcomes.append(_not_assessed(limit, name, rule, _Absent(_unseen(name, joint))))
        elif isinstance(value, NotMeasurable):
            outcomes.append(_not_assessed(limit, name, rule, _Absent(f"not measurable: {value.reason}")))
        else:
            try:
                outcome = _one(limit, name, value, candidates, measured, given, rule)
            except UsageError as error:  # a formula that these sizes do not suit leaves the other rows alone
                outcome = _not_assessed(limit, name, rule, _Absent(str(error).rstrip(".")), candidates[0])
            outcomes += [] if outcome is None else [_of_two(limit, outcome, measured)]
    return outcomes


def _of_two(limit: Limit, outcome: Outcome, measured: Mapping[str, Measured]) -> Outcome:
    """Leave open what the lesser or the greater of two values decides when only one is known and leaves it open."""
    others = [name for name in names_of(limit.quantity) if name != outcome.quantity]
    unknown = [name for name in others if not isinstance(measured.get(name), Quantity)]
    certain = _CERTAIN.get((limit.sides, limit.direction))
    if certain is None or not unknown or outcome.outcome in (certain, "not_assessed"):
        return outcome
    message = f"{outcome.message}; the {limit.sides} of both decides, and the {label_of(unknown[0])} was not measured"
    return replace(outcome, outcome="not_assessed", message=message, probability=None)


def _names(limit: Limit, measured: Mapping[str, Measured]) -> tuple[str, ...]:
    """Return the values a row is about: both sides, or the one side that decides."""
    names = names_of(limit.quantity)
    values = [measured.get(name) for name in names]
    if limit.sides == "each" or len(names) < 2 or not all(isinstance(value, Quantity) for value in values):
        return names
    sizes = [value.value for value in values if isinstance(value, Quantity)]
    wanted = min(sizes) if limit.sides == "lesser" else max(sizes)
    return (names[sizes.index(wanted)],)


def _may_hold(case: Case, given: Given) -> bool:
    """Return whether no word that was given speaks against a line."""
    words = given.words()
    return all(words.get(name, allowed[0]) in allowed for name, allowed in case.only.items())


def _one(
    limit: Limit,
    name: str,
    quantity: Quantity,
    candidates: Sequence[Case],
    measured: Mapping[str, Measured],
    given: Given,
    rule: Rule,
) -> Outcome | None:
    known = {key: length * length_factor(limit) for key, length in given.lengths_mm().items()}
    bead = _measured_variables(limit, measured, known)
    if isinstance(bead, _Absent):
        return _not_assessed(limit, name, rule, bead, candidates[0])
    values = known | {variable: item.value for variable, item in bead.items()}
    if limit.scope is not None and limit.scope.names <= values.keys() and not limit.scope.holds(_eased(values)):
        return _not_assessed(limit, name, rule, _Absent(f"outside the scope of these limits, {limit.scope.text}"))
    case = _case(limit, candidates, given, values)
    if isinstance(case, _Absent):
        return _not_assessed(limit, name, rule, case, candidates[0])
    lower, upper = limit.bounds(case, values)
    if lower > upper or (limit.direction == "upper" and upper < 0):
        text = f"the limit comes out as {allowed(limit, lower, upper)}, which no value meets: check its formula"
        return _not_assessed(limit, name, rule, _Absent(text), case)
    if math.isinf(case.limit.number(values)):
        return None
    own = own_value(name, quantity, limit)
    judged = judge(limit, case, own, quantity, values, bead, given, rule)
    if judged.verdict is not None:
        judged = _near_a_step(limit, case, candidates, own, quantity, values, bead, given, rule, judged)
    return _outcome(limit, case, own, judged, rule, quantity)


def _measured_variables(
    limit: Limit, measured: Mapping[str, Measured], known: Mapping[str, float]
) -> dict[str, Quantity] | _Absent:
    """Return the measured values that stand in the formula, in the row's unit."""
    found = {}
    for variable, name in limit.measured.items():
        value = measured.get(name)
        if not isinstance(value, Quantity):
            reason = value.reason if isinstance(value, NotMeasurable) else "it is not among the values"
            return _Absent(f"the limit needs the {label_of(name)}: {reason}", (name,))
        scale = 1.0 if value.unit == "deg" else length_factor(limit)
        parts = tuple(replace(part, standard_uncertainty=part.standard_uncertainty * scale) for part in value.budget)
        found[variable] = replace(value, value=value.value * scale, budget=parts)
    return found


def _case(limit: Limit, candidates: Sequence[Case], given: Given, values: Mapping[str, float]) -> Case | _Absent:
    """Return the line of the row that holds, or what must be given to tell."""
    words = given.words()
    missing: list[str] = []
    choices: dict[str, dict[str, None]] = {}
    for case in candidates:
        for name, known in case.only.items():
            if name not in words:
                missing.append(name)
                choices.setdefault(name, {}).update(dict.fromkeys(known))
        missing += [NAMES[name] for name in sorted(case.when.names if case.when else ()) if name not in values]
    if missing:
        always = set.intersection(*(_needed(limit, case) for case in candidates))  # whichever line it will be
        missing += [NAMES[name] for name in sorted(always - values.keys())]
        return _needs(missing, {name: tuple(known) for name, known in choices.items()})
    holding = [case for case in candidates if case.when is None or case.when.holds(_eased(values))]
    if not holding:
        return _Absent("no limit is tabled for " + ", ".join(f"{name} = {value:g}" for name, value in values.items()))
    case = holding[0]
    absent = sorted(_needed(limit, case) - values.keys())
    return _needs([NAMES[name] for name in absent], {}) if absent else case


def _needed(limit: Limit, case: Case) -> set[str]:
    """Return the letters without which a line has no limit."""
    formulas = (case.limit, case.low, case.short)
    return {name for part in formulas if part is not None for name in part.names} | (
        {limit.reference} if limit.reference else set()
    )


def _needs(missing: Sequence[str], choices: Mapping[str, tuple[str, ...]]) -> _Absent:
    """Ask for what is missing by its name, and for a word with those that the row knows."""
    names = tuple(dict.fromkeys(missing))
    asked = []
    for name in names:
        *first, last = choices.get(name, ("",))
        known = f"{', '.join(first)} or {last}" if first else last
        asked.append(name.replace("_", " ") + (f" ({known})" if known else ""))
    return _Absent("give the " + ", the ".join(asked), names)


def _eased(values: Mapping[str, float]) -> dict[str, float]:
    """Return values free of the last bits that a change of unit leaves."""
    return {name: round(value, _DECIMALS) for name, value in values.items()}


def _near_a_step(
    limit: Limit,
    case: Case,
    candidates: Sequence[Case],
    own: Value,
    quantity: Quantity,
    values: Mapping[str, float],
    bead: Mapping[str, Quantity],
    given: Given,
    rule: Rule,
    judged: Judged,
) -> Judged:
    """Say undecided where a measured width lies so near a step of the table that it may be the other line's."""
    for variable, item in bead.items():
        for sign in (-1, 1):
            moved = {**values, variable: item.value + sign * (item.expanded_uncertainty or 0.0)}
            other = _case(limit, candidates, given, moved)
            if isinstance(other, _Absent) or other is case:
                continue
            if judge(limit, other, own, quantity, moved, bead, given, rule).verdict != judged.verdict:
                text = f"the {label_of(limit.measured[variable])} lies within its uncertainty of a step of the table"
                return replace(judged, verdict="undecided", probability=None, message=text)
    return judged


def _outcome(limit: Limit, case: Case, own: Value, judged: Judged, rule: Rule, quantity: Quantity) -> Outcome:
    factor = 1 / own_factor(limit)
    above = judged.upper - own.value <= own.value - judged.lower
    end = judged.upper if above else judged.lower
    notes = (limit.condition, limit.note if judged.verdict != "meets" else "")
    return Outcome(
        criterion=f"{limit.criterion} {limit.id}",
        source=limit.source,
        quantity=own.name,
        limit=end * factor,
        unit=quantity.unit,
        outcome=judged.verdict or "not_assessed",
        message="; ".join([judged.message, *filter(None, notes)]),
        rule=str(rule),
        verified=(judged.by_length and case.extent_verified) or case.verified,
        lower=None if math.isinf(judged.lower) else judged.lower * factor,
        upper=None if math.isinf(judged.upper) else judged.upper * factor,
        probability=judged.probability if judged.verdict is not None else None,
        missing=judged.missing,
        own_value=sized(own.value, limit),
        own_limit=shown(end, limit),
        own_allowed=allowed(limit, judged.lower, judged.upper),
    )


def _not_assessed(limit: Limit, name: str, rule: Rule, why: _Absent, case: Case | None = None) -> Outcome:
    return Outcome(
        criterion=f"{limit.criterion} {limit.id}",
        source=limit.source,
        quantity=name,
        limit=None,
        unit=unit_of(limit.quantity),
        outcome="not_assessed",
        message=why.message,
        rule=str(rule),
        verified=(case or limit.cases[0]).verified,
        missing=why.missing,
    )


def _unseen(name: str, joint: Joint) -> str:
    if name in UNSEEN:
        return "no section measures it: look for it"
    return f"this {joint} has no measured value of that name"
