"""The outcomes of a report as rows of a table, and what must be said of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from inspection.outcomes import allowed_text, side_of

Row = tuple[str, ...]
"""The cells of one line of a table."""

WORDS = {
    "meets": "● meets",
    "does_not_meet": "■ does not meet",
    "undecided": "◆ undecided",
    "not_assessed": "– not assessed",
}
TOLD = (";", "not proven", "long")
"""Signs in the message of an outcome that say more than its row does."""


def outcome_rows(weld: Mapping[str, Any], limits: Any) -> tuple[tuple[Row, ...], tuple[str, ...]]:
    """Return the outcomes of a weld or a seam as rows, and what must be said of them."""
    rows: list[Row] = []
    notes: list[str] = []
    unjudged: dict[str, list[str]] = {}
    for outcome in weld.get("outcomes") or ():
        message = str(outcome.get("message") or "")
        memory = " (from memory)" if outcome.get("verified") == "from memory" else ""
        if outcome["outcome"] == "not_assessed":
            side = side_of(outcome)
            unjudged.setdefault(message, []).append(f"{outcome['criterion']}{side and f', {side}'}{memory}")
            continue
        if outcome["outcome"] == "undecided" or any(sign in message for sign in TOLD):
            notes.append(f"{WORDS[outcome['outcome']]}: {limit_name(outcome)}: {message}")
        probability = outcome.get("probability")
        rows.append(
            (
                WORDS[outcome["outcome"]],
                limit_name(outcome),
                str(outcome.get("own_value") or ""),
                allowed_text(outcome),
                "" if probability is None else _percent(probability),
                f"{outcome['source']}{memory}",
            )
        )
    notes += [f"{WORDS['not_assessed']}: {', '.join(names)}: {why}" for why, names in unjudged.items()]
    return tuple(rows), (*notes, *evidence_notes(weld.get("outcomes") or (), limits))


def evidence_notes(outcomes: Iterable[Mapping[str, Any]], limits: Any) -> tuple[str, ...]:
    """Return by what rule was decided, and what the evidence of the limits is worth."""
    notes = []
    if isinstance(limits, Mapping) and limits.get("rule"):
        notes.append(f"Decision rule: {limits['rule']}. P is the probability that the true value conforms.")
    if {outcome.get("verified") for outcome in outcomes} & {"secondary", "from memory"}:
        notes.append(
            "Published limits were read on secondary sources, or are given from memory where it says so: check them in "
            "the standard."
        )
    return tuple(notes)


def limit_name(outcome: Mapping[str, Any]) -> str:
    """Return the name of a row, without its set, which the source names, and the side it is about."""
    name = outcome["criterion"].partition(" ")[2] or outcome["criterion"]
    side = side_of(outcome)
    name = f"required: {name}" if outcome["criterion"].startswith("required ") else name.replace("-", " ")
    return f"{name}, {side}" if side else name


def _percent(probability: float) -> str:
    if probability > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"
