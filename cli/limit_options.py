"""The options by which ``measure`` and ``assess`` are told what values are compared with."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from criteria import Given
    from inspection.outcomes import Judgement

REJECTED = 5
"""Exit status of --fail-on-reject."""

Criteria = Annotated[
    list[str] | None,
    typer.Option(
        "--criteria", metavar="NAME|FILE.toml", help="Limits to compare with (toeline limits); may be repeated."
    ),
]
Require = Annotated[
    list[str] | None,
    typer.Option(
        "--require",
        metavar="LIMIT",
        help='The drawing\'s own: "z6", "a4", "leg >= 1/4 in", "root_gap 1/16..3/32 in"; may be repeated.',
    ),
]
ChosenRule = Annotated[
    str,
    typer.Option(
        "--rule", metavar="RULE", help="guarded, simple, guarded-acceptance or guarded-rejection; guarded:0.95."
    ),
]
NominalThroat = Annotated[
    str | None, typer.Option("--nominal-throat", metavar="LENGTH", help='Throat a of the drawing: "5 mm".')
]
NominalLeg = Annotated[
    str | None, typer.Option("--nominal-leg", metavar="LENGTH", help='Fillet size of the drawing: "1/4 in".')
]
Category = Annotated[
    str | None,
    typer.Option(metavar="WORD", help="Joint category A, B, C or D of a vessel; transverse or other of a member."),
]
Service = Annotated[
    str | None, typer.Option(metavar="WORD", help="normal, category-d or severe-cyclic (process piping).")
]
Seam = Annotated[str | None, typer.Option(metavar="WORD", help="plate, longitudinal or circumferential.")]
FailOnReject = Annotated[
    bool, typer.Option("--fail-on-reject", help="Leave with exit status 5 when a value does not meet a limit.")
]


def chosen_limits(
    criteria: list[str] | None,
    require: list[str] | None,
    rule: str,
    units: str,
    fail_on_reject: bool,
    **given: str | None,
) -> Judgement | None:
    """Return what values are compared with, None when nothing was named.

    Raises
    ------
    UsageError
        When a set, a requirement, a rule or a word is not known or used, or --fail-on-reject stands alone.
    """
    from core.errors import UsageError
    from criteria import parse_rule
    from inspection.outcomes import judgement

    chosen = parse_rule(rule)
    if not criteria and not require:
        if fail_on_reject:
            raise UsageError("--fail-on-reject needs limits: name them with --criteria or --require.")
        return None
    by = judgement(criteria or [], require or [], _given(given), chosen, units)  # type: ignore[arg-type]
    _refuse_idle_words(by, {name: text for name, text in given.items() if text is not None})
    return by


def _refuse_idle_words(by: Judgement, given: Mapping[str, str]) -> None:
    """Refuse a word on which no row depends: whoever gives it believes that it counts."""
    from core.errors import UsageError
    from criteria import built_in
    from criteria.limit import SELECTORS
    from inspection.outcomes import words_of

    asked = words_of(by.limits)
    for name in SELECTORS:
        if name not in given or name in asked:
            continue
        options = [f"--{other} {', '.join(words)}" for other, words in asked.items() if other not in given]
        takers = {found.name: words_of(row for rows in found.rows.values() for row in rows) for found in built_in()}
        known = [f"{of}: {', '.join(words[name])}" for of, words in takers.items() if name in words]
        what = f"what they ask for is {' and '.join(options)}" if options else f"leave it out ({'; '.join(known)})"
        raise UsageError(f"--{name} {given[name]!r} is used by none of these limits: {what}.")


def limit_files(criteria: list[str] | None) -> list[Path]:
    """Return the files among the named limits."""
    return [Path(name) for name in criteria or [] if name.lower().endswith(".toml")]


def _given(texts: dict[str, str | None]) -> Given:
    """Return what a person said of the joint, each length checked."""
    from core.units import parse_length_mm
    from criteria import Given
    from criteria.limit import SELECTORS

    chosen = {name: text for name, text in texts.items() if text is not None}
    lengths = {
        f"{name}_mm": parse_length_mm(text, name=f"--{name.replace('_', '-')}")
        for name, text in chosen.items()
        if name not in SELECTORS
    }
    words = {name: text for name, text in chosen.items() if name in SELECTORS}
    return Given().filled(lengths | words)
