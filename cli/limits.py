"""``toeline limits``: the sets of limits there are, and the rows of one with their evidence."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from criteria.limit import Case, Limit

WIDE = 160
"""Characters of a line on paper or in a file, where no screen sets the width."""


def limits(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME|FILE.toml", help="Show the rows of this set; else list the sets.")
    ] = None,
    units: Annotated[
        str, typer.Option(metavar="SYSTEM", help="metric or inch: which table of a code that has both.")
    ] = "metric",
) -> int:
    """List the sets of limits, or show the rows of one: clause, formula, range, evidence."""
    from rich.console import Console

    from cli.options import choose
    from inspection.outcomes import PROPOSAL

    choose(units, ("metric", "inch"), "--units")
    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, WIDE)
    with console.capture() as captured:
        if name is None:
            _list(console)
        else:
            _show(console, name, units)
        console.print(PROPOSAL)
    print(captured.get(), flush=True)
    return 0


def _list(console: Any) -> None:
    from rich import box
    from rich.table import Table

    from criteria import built_in, evidence

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("name", "what it is", "units", "evidence"):
        table.add_column(heading)
    for found in built_in():
        counts = evidence(row for rows in found.rows.values() for row in rows)
        memory, every = counts.get("from memory", 0), sum(counts.values())
        shares = "secondary" if not memory else f"{memory} of {every} from memory"
        names = (
            "\n".join(found.full_names())
            if len(found.levels) < 4
            else f"{found.name}-REF\nREF: {', '.join(found.levels)}"
        )
        systems = [", ".join(found.systems_of(level)) for level in found.levels or ("",)]
        units = systems[0] if len(set(systems)) == 1 else "\n".join(systems)
        table.add_row(names, f"{found.title}: {found.about}", units, shares)
    console.print(table)
    console.print('"toeline limits NAME" shows the rows of one. "from memory": no source was at hand.')


def _show(console: Any, name: str, units: str) -> None:
    from rich import box
    from rich.table import Table

    from core.errors import UsageError
    from criteria import find

    found, level = find(name)
    if level is None and found.levels:
        raise UsageError(f"{name!r} has several levels, name one: {', '.join(found.full_names())}.")
    rows = found.limits(level or "", units)  # type: ignore[arg-type]
    what = f": {found.about}" if found.about else ""
    console.print(f"{found.title}{f', level {level}' if level else ''}{what}", style="bold")
    given = {**found.given.lengths_mm(), **found.given.words()}
    if given:
        stated = (
            f"{name} = {value:g} mm" if isinstance(value, float) else f"{name} {value}" for name, value in given.items()
        )
        console.print(f"  given: {', '.join(stated)}")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("clause", "row", "value", "joints", "when", "limit", "evidence"):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("limit", "evidence"))
    if console.width >= WIDE:  # names that are typed elsewhere are not cut in two
        table.columns[1].min_width = max((len(row.id) for row in rows), default=0)
        table.columns[2].min_width = max((len(row.quantity) for row in rows), default=0)
    for row in rows:
        clause = row.source.removeprefix(found.title).removesuffix(f"level {level}").strip(", ")
        about = (clause, f"{row.id}\n{row.text}" if row.text != row.id else row.id, _value(row), "\n".join(row.joints))
        for case in row.cases:
            table.add_row(*about, _when(row, case), _limit(row, case), case.verified)
            about = ("", "", "", "")
    console.print(table)
    lengths: dict[str, list[str]] = {}
    for row in rows:
        for case in row.cases:
            names = lengths.setdefault(_extent(row, case), []) if case.extent is not None else []
            names += [row.id] if row.id not in names else []
    for text, names in lengths.items():
        console.print(f"  short: {text}; l is the length of the weld ({', '.join(names)}).")
    for row in rows:
        for note in filter(None, (row.condition, row.note)):
            console.print(f"  {row.id}: {note}.")
    if units not in {row.system for row in rows} and any(row.own_unit != "deg" for row in rows):
        console.print("  These limits are written in one system of units only, and judged in it.")
    for note in found.notes:
        console.print(f"  {note}")
    if rows and any(case.verified == "secondary" for row in rows for case in row.cases):
        console.print(
            "  secondary: read on a secondary source, not in the standard itself. from memory: no source was at hand."
        )


def _value(row: Limit) -> str:
    sides = {"lesser": ", the lesser", "greater": ", the greater"}.get(row.sides, "")
    letters = "".join(f"\n{letter} = {name}" for letter, name in row.measured.items())
    return f"{row.quantity}{sides}{letters}"


def _when(row: Limit, case: Case) -> str:
    parts = [f"{name}: {' or '.join(words)}" for name, words in case.only.items()]
    if case.when is not None:
        parts.append(f"{case.when.text}")
    if row.scope is not None and not parts:
        parts.append(row.scope.text)
    return "\n".join(parts)


def _limit(row: Limit, case: Case) -> str:
    """Return a limit as a formula with its unit; what is for short imperfections says so."""
    from criteria.wording import shown

    unit = "°" if row.own_unit == "deg" else f" {row.own_unit}"
    sign = {"upper": "≤", "lower": "≥", "range": "≤"}[row.direction]
    start = {"upper": f"{row.reference} + ", "lower": f"{row.reference} - "}.get(row.direction, "")
    before = start if row.reference else ""
    if case.low is not None:
        return f"{case.low.text} to {case.limit.text}{unit}"
    if case.verified == "given" and re.fullmatch(r"[\d.e-]+", case.limit.text):
        return f"{sign} {before}{shown(float(case.limit.text), row)}"
    nothing = case.limit.text == "0" and row.direction == "upper" and not row.reference
    text = "not permitted" if nothing else f"{sign} {before}{case.limit.text}{unit}"
    if case.limit.text == "0" and row.reference:
        text = f"{sign} {row.reference}"
    if case.limit.text == "inf":
        text = "no limit"
    if case.short is not None:
        text += f"\nshort: {sign} {before}{_bracketed(case.short.text, bool(before))}{unit}"
    return text


def _extent(row: Limit, case: Case) -> str:
    """Return how long short imperfections may be in all."""
    unit = "mm" if row.system == "metric" else "in"
    within = f"any {case.window:g} {unit}" if case.window else "the whole weld"
    return f"in all {case.extent.text if case.extent else ''} {unit} of {within}"


def _bracketed(text: str, after_sign: bool) -> str:
    return f"({text})" if after_sign and (" + " in text or " - " in text) and not text.startswith("min") else text
