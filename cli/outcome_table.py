"""Outcomes on the screen: a word and a shape first, then colour; what was not assessed and why."""

from __future__ import annotations

from typing import Any

from inspection.outcomes import allowed_text, side_of

PLURAL = {"meets": "meet", "does_not_meet": "do not meet"}
SHAPES = {
    "meets": ("✓", "meets", "green"),
    "does_not_meet": ("✗", "does not meet", "bold red"),
    "undecided": ("?", "undecided", "yellow"),
    "not_assessed": ("-", "not assessed", "dim"),
}
SHOWN = {"criterion", "quantity", "outcome", "message", "limit", "lower", "upper", "probability", "verified",
         "own_value", "own_limit"}  # fmt: skip
"""What the table asks of each outcome."""
MEMORY = "* from memory, no source was at hand: check this limit in the standard."
SECONDARY = "Published limits without a * were read on secondary sources, not in the standards themselves."


def print_outcomes(console: Any, weld: dict[str, Any], assessment: dict[str, Any]) -> None:
    """Print the outcomes of one weld, set by set, with their rule and their evidence."""
    from rich import box
    from rich.table import Table

    outcomes = weld["outcomes"]
    if not outcomes:
        console.print("  No limit applies to this joint.")
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("outcome", "limit", "value", "allowed", "P"):
        table.add_column(
            heading, no_wrap=heading != "limit", justify="left" if heading in ("outcome", "limit") else "right"
        )
    judged = [outcome for outcome in outcomes if outcome["outcome"] != "not_assessed"]
    seen = None
    for outcome in judged:
        name = outcome["criterion"].partition(" ")[0]
        if name != seen:
            table.add_row("", name, style="bold")
            seen = name
        shape, word, style = SHAPES[outcome["outcome"]]
        probability = "" if outcome["probability"] is None else percent(outcome["probability"])
        cells = (f"{shape} {word}", f"  {_row(outcome)}", outcome["own_value"], allowed_text(outcome), probability)
        table.add_row(*cells, style=style if outcome["outcome"] != "meets" else "")
    if judged:
        console.print(table)
    for outcome in judged:
        if outcome["outcome"] == "undecided" or any(mark in outcome["message"] for mark in (";", "not proven", "long")):
            shape, _, style = SHAPES[outcome["outcome"]]
            console.print(f"  {shape} {_row(outcome)}: {outcome['message']}", style=style)
    for (name, message), rows in _grouped(outcomes).items():
        console.print(f"  - not assessed, {name}: {', '.join(rows)}: {message}", style="dim")
    for name, counts in _counts(outcomes).items():
        console.print(f"  {name}: {counts}")
    console.print(f"  Rule: {assessment['rule']}. P: probability that the true value conforms.")
    evidence = {outcome["verified"] for outcome in outcomes}
    if "from memory" in evidence:
        console.print(f"  {MEMORY}")
    if "secondary" in evidence:
        console.print(f"  {SECONDARY}")


def percent(probability: float) -> str:
    """Return a probability in percent that never reads as certain."""
    if probability > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"


def _grouped(outcomes: list[dict[str, Any]]) -> dict[tuple[str, str], list[str]]:
    """Return the rows that were not assessed, by set and reason."""
    groups: dict[tuple[str, str], list[str]] = {}
    for outcome in outcomes:
        if outcome["outcome"] == "not_assessed":
            name = outcome["criterion"].partition(" ")[0]
            groups.setdefault((name, outcome["message"]), []).append(_row(outcome))
    return groups


def _row(outcome: dict[str, Any]) -> str:
    """Return the name of a row, with the side and a mark for what is from memory."""
    row = outcome["criterion"].partition(" ")[2]
    side = side_of(outcome)
    return f"{row}{side and f' {side}'}{' *' if outcome['verified'] == 'from memory' else ''}"


def _counts(outcomes: list[dict[str, Any]]) -> dict[str, str]:
    """Return how many outcomes of each kind a set has, in words."""
    found: dict[str, dict[str, int]] = {}
    for outcome in outcomes:
        counts = found.setdefault(outcome["criterion"].partition(" ")[0], dict.fromkeys(SHAPES, 0))
        counts[outcome["outcome"]] += 1
    return {
        name: ", ".join(f"{count} {_word(kind, count)}" for kind, count in counts.items() if count)
        for name, counts in found.items()
    }


def _word(kind: str, count: int) -> str:
    return PLURAL.get(kind, SHAPES[kind][1]) if count > 1 else SHAPES[kind][1]
