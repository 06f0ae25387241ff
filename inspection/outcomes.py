"""Outcomes of a result entry: its values compared with limits, written beside them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from core.errors import UsageError
from core.quantity import COVERAGE_FACTOR, Component, Measured, NotMeasurable, Quantity
from core.units import UnitSystem
from criteria import Given, Limit, Outcome, Rule, assess, chosen_limits, nominal_sizes, parse_requirement
from criteria.limit import SELECTORS
from inspection.document import Entry

PROPOSAL = (
    "Outcomes are proposals: the governing code in its valid edition prevails, and a qualified person decides. "
    "A section shows one place of a seam."
)
NEEDED_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class Judgement:
    """What values are compared with, and how.

    Attributes
    ----------
    criteria, requirements
        Names of sets and texts of requirements, as a person gave them.
    limits
        Their rows, in one order.
    given
        What a person said of the joint.
    rule, system
        Decision rule, and system of units in which a code with two tables is read.
    """

    criteria: tuple[str, ...]
    requirements: tuple[str, ...]
    limits: tuple[Limit, ...]
    given: Given
    rule: Rule
    system: UnitSystem


def judgement(
    criteria: Sequence[str], requirements: Sequence[str], given: Given, rule: Rule, system: UnitSystem
) -> Judgement:
    """Return what values are to be compared with.

    What was not given is filled from files of the drawing's own limits, and from size call-outs.

    Raises
    ------
    UsageError
        When a set, a requirement or a word is not known, and when two of them state different sizes.
    UnreadableFile
        When a file of limits is wrong.
    """
    limits: list[Limit] = []
    stated: list[tuple[str, str, Any]] = []
    for name in dict.fromkeys(criteria):
        chosen, rows = chosen_limits(name, system)
        limits += rows
        own = {field.name: getattr(chosen.given, field.name) for field in fields(chosen.given)}
        stated += [(name, what, size) for what, size in own.items() if what != "extents" and size is not None]
    for text in dict.fromkeys(requirements):
        limits.append(parse_requirement(text))
        stated += [(text, what, size) for what, size in nominal_sizes([text]).items()]
    given = given.filled(_agreed(stated, given))
    given = _words_as_written(given, limits)
    return Judgement(tuple(criteria), tuple(requirements), tuple(limits), given, rule, system)


def _agreed(stated: Sequence[tuple[str, str, Any]], given: Given) -> dict[str, Any]:
    """Return what files and call-outs state of the joint; what a person gave beside them settles a contradiction."""
    found: dict[str, tuple[str, Any]] = {}
    for where, what, size in stated:
        first, before = found.setdefault(what, (where, size))
        same = before == size if isinstance(size, str) else abs(before - size) < 1e-6
        if not same and getattr(given, what) is None:
            size_name = what.removesuffix("_mm").replace("_", " ")
            raise UsageError(f"{first!r} and {where!r} state a different {size_name}: compare with one at a time.")
    return {what: size for what, (_, size) in found.items()}


def judged(entry: Entry, by: Judgement) -> Entry:
    """Return a result entry with the outcomes of its welds; earlier outcomes are replaced.

    A nominal thickness that was given with the measurement counts when none is given now.
    """
    settings: Mapping[str, Any] = entry.get("settings") or {}
    given = by.given.filled({"thickness_mm": settings.get("thickness_mm")})
    welds = [
        weld | {"outcomes": [outcome_entry(outcome) for outcome in _assessed(weld, by, given)]}
        for weld in entry["welds"]
    ]
    assessment = {
        "criteria": list(by.criteria),
        "required": list(by.requirements),
        "rule": str(by.rule),
        "units": by.system,
        "given": {
            field.name: value
            for field in fields(given)
            if field.name != "extents" and (value := getattr(given, field.name)) is not None
        },
        "note": PROPOSAL,
    }
    return entry | {"welds": welds, "assessment": assessment}


def rejected(entries: Sequence[Entry]) -> bool:
    """Return whether any value of any weld does not meet its limit."""
    return any(
        outcome["outcome"] == "does_not_meet"
        for entry in entries
        for weld in entry["welds"]
        for outcome in weld["outcomes"]
    )


def outcome_entry(outcome: Outcome) -> Entry:
    """Return one outcome as the result document has it."""
    entry: Entry = {}
    for field in fields(outcome):
        value = getattr(outcome, field.name)
        if isinstance(value, float):
            value = round(value, NEEDED_DECIMALS)
        entry[field.name] = list(value) if isinstance(value, tuple) else value
    return entry


def side_of(outcome: Mapping[str, Any]) -> str:
    """Return the side an outcome is about, blank where it has none or the name of its row says it already."""
    side = next((side for side in ("left", "right") if outcome["quantity"].endswith(f"_{side}")), "")
    named = "_".join(outcome["criterion"].partition(" ")[2].replace(",", " ").replace("_", " ").lower().split())
    return "" if named.startswith((outcome["quantity"], f"{side}_")) else side


def allowed_text(outcome: Mapping[str, Any]) -> str:
    """Return what a limit allows with its sign, blank for a row that was not assessed."""
    if outcome.get("own_allowed"):
        return str(outcome["own_allowed"])
    lower, upper, limit = (outcome.get(key) for key in ("lower", "upper", "limit"))
    own = outcome.get("own_limit") or limit
    if own is None:
        return ""
    if limit == 0 and lower is None:
        return "none"
    return f"{'≤' if upper is not None and limit == upper else '≥'} {own}"


def measured_value(item: Mapping[str, Any]) -> Measured:
    """Return a value from ``measurements`` of a result document, with its budget.

    Raises
    ------
    UsageError
        When the item is no measurement.
    """
    try:
        if item["state"] != "measured":
            return NotMeasurable(str(item.get("reason") or "no reason is kept"), item["unit"])
        budget = tuple(
            Component(str(part["source"]), float(part["standard_uncertainty"])) for part in item.get("budget") or ()
        )
        expanded = item.get("expanded_uncertainty")
        if not budget and expanded is not None:
            budget = (Component("as stated", expanded / (item.get("coverage_factor") or COVERAGE_FACTOR)),)
        return Quantity(float(item["value"]), item["unit"], budget)
    except (KeyError, TypeError, ValueError):
        raise UsageError("the result holds a value that is no measurement: measure the picture again.") from None


def _assessed(weld: Entry, by: Judgement, given: Given) -> tuple[Outcome, ...]:
    measured = {name: measured_value(item) for name, item in weld["measurements"].items()}
    return assess(measured, weld["joint"], given, by.limits, by.rule)


def _words_as_written(given: Given, limits: Sequence[Limit]) -> Given:
    """Return the words that were given as the rows write them.

    A word that none of the rows of a set knows is refused: it would silence them all.
    """
    words = given.words()
    for criterion in dict.fromkeys(limit.criterion for limit in limits):
        for name, known in words_of(limit for limit in limits if limit.criterion == criterion).items():
            if name not in words:
                continue
            same = [word for word in known if word.lower() == words[name].lower()]
            if not same:
                where = "these limits" if len({limit.criterion for limit in limits}) == 1 else criterion
                raise UsageError(f"--{name} {words[name]!r} is not known to {where}, use {', '.join(known)}.")
            words[name] = same[0]
    return replace(given, **words)  # type: ignore[arg-type]


def words_of(limits: Iterable[Limit]) -> dict[str, tuple[str, ...]]:
    """Return the words that rows depend on, by selector."""
    found: dict[str, dict[str, None]] = {}
    for limit in limits:
        for case in limit.cases:
            for name, words in case.only.items():
                found.setdefault(name, {}).update(dict.fromkeys(words))
    return {name: tuple(found[name]) for name in SELECTORS if name in found}
