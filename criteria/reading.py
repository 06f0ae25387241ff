"""From the content of a limits file to a checked set: every key known, every value of its kind, every name real."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, get_args

from core.errors import UsageError
from core.units import UnitSystem, parse_length_mm
from criteria.expression import Expression, parse
from criteria.limit import SELECTORS, Case, Direction, Given, Limit, OwnUnit, Sides, Verified
from criteria.quantities import LIMITED, known, names_of, unit_of
from criteria.requirement import nominal_sizes, parse_requirement
from criteria.sets import LimitSet
from vision.section import Joint

SYSTEMS: tuple[UnitSystem, ...] = ("metric", "inch")
SET_KEYS = (
    "name",
    "title",
    "about",
    "levels",
    "notes",
    "scope",
    "extent",
    "window",
    "extent_verified",
    "require",
    "given",
    "limit",
)
LIMIT_KEYS = (
    *("id", "clause", "number", "text", "quantity", "sides", "joints", "direction", "reference", "measured"),
    *("verified", "note", "condition", "levels", "case"),
)
CASE_KEYS = ("system", "when", "limit", "low", "short", "extent", "window", "verified", "extent_verified", *SELECTORS)
GIVEN_KEYS = ("thickness", "nominal_throat", "nominal_leg", "nominal_penetration", *SELECTORS)
Table = Mapping[str, Any]


def set_of(content: Table, stem: str, where: str, *, built_in: bool) -> LimitSet:
    """Return the set that a file holds.

    Raises
    ------
    UsageError
        With the place and what is wrong there.
    """
    _known_keys(content, SET_KEYS, where)
    name = "-".join(_text(content, "name", where, stem).split())  # a criterion is the name, a space and the row
    levels = _texts(content, "levels", where, ())
    if levels and not built_in:
        raise UsageError(f"{where}: levels are for the built-in sets: write one file a level.")
    limits = [
        (_part(row, f"{where}: limit {number}"), f"{where}: limit {number}")
        for number, row in _numbered(content, "limit", where)
    ]
    requirements = _texts(content, "require", where, ())
    if not limits and not requirements:
        raise UsageError(f"{where}: it holds no limit: add [[limit]] tables, or require = [...].")
    title = _text(content, "title", where, name)
    rows: dict[tuple[str, UnitSystem], tuple[Limit, ...]] = {}
    for level in levels or ("",):
        for system in SYSTEMS:
            criterion = f"{name}-{level}" if level else name
            rows[level, system] = tuple(
                limit
                for row, place in limits
                if (limit := _limit(row, place, content, criterion, title, level, system, built_in)) is not None
            )
    systems = tuple(system for system in SYSTEMS if any(rows[level, system] for level in levels or ("",)))
    own = tuple(replace(parse_requirement(text, where), criterion=name, source=title) for text in requirements)
    rows = {key: (*found, *own) for key, found in rows.items()}
    for found in rows.values():
        ids = [limit.id for limit in found]
        twice = [name for name in ids if ids.count(name) > 1]
        if twice:
            raise UsageError(f"{where}: the id {twice[0]!r} is used twice.")
    given = _given(content, where)
    sizes = nominal_sizes(requirements, where)
    return LimitSet(
        name,
        title,
        _text(content, "about", where, ""),
        levels,
        _texts(content, "notes", where, ()),
        systems or ("metric",),
        rows,
        given.filled(sizes),
    )


def _limit(
    row: Table, where: str, whole: Table, criterion: str, title: str, level: str, system: UnitSystem, built_in: bool
) -> Limit | None:
    """Return a row at one level in one system, None where it has nothing there."""
    _known_keys(row, LIMIT_KEYS, where)
    quantity = _text(row, "quantity", where)
    if not names_of(quantity):
        near = difflib.get_close_matches(quantity, known(), n=4, cutoff=0.5)
        raise UsageError(f"{where}: {quantity!r} is no measured value{', see ' + ', '.join(near) if near else ''}.")
    unit = unit_of(quantity)
    if unit not in LIMITED:
        raise UsageError(f"{where}: {quantity!r} is neither a length nor an angle and cannot be limited.")
    own_unit: OwnUnit = "deg" if unit == "deg" else ("mm" if system == "metric" else "in")
    only_levels = _texts(row, "levels", where, ())
    if only_levels and level not in only_levels:
        return None
    direction = _choice(row, "direction", where, get_args(Direction))
    default = _text(row, "verified", where, "" if built_in else "given")
    read = [
        _case(_part(line, where), f"{where}, case {number}", whole, level, system, default, direction)
        for number, line in _numbered(row, "case", where)
    ]
    cases = tuple(case for case in read if case is not None)
    if not read:
        raise UsageError(f"{where}: it has no [[limit.case]] with a limit.")
    if not cases:
        return None
    measured = _part(row.get("measured", {}), f"{where}: measured")
    for variable, name in measured.items():
        if variable not in ("t", "a", "b", "s", "z") or not isinstance(name, str) or len(names_of(name)) != 1:
            raise UsageError(f'{where}: measured takes names like b = "cap_width", got {variable} = {name!r}.')
    used = frozenset().union(*(part.names for case in cases for part in _formulas(case)))
    if "b" in used and "b" not in measured:
        raise UsageError(f'{where}: b is a measured width: say which one, like measured = {{ b = "cap_width" }}.')
    if "l" in used:
        raise UsageError(f"{where}: l, the length of the weld, stands in extent alone.")
    reference = _text(row, "reference", where, "")
    if reference not in ("", "a", "z", "s", "t"):
        raise UsageError(f"{where}: reference {reference!r} must be one of a, z, s, t.")
    clause, number = _text(row, "clause", where, ""), _text(row, "number", where, "")
    place = ", ".join(part for part in (title, clause, number and f"no. {number}", level and f"level {level}") if part)
    scope = whole.get("scope")
    return Limit(
        id=_text(row, "id", where),
        criterion=criterion,
        source=place,
        text=_text(row, "text", where, quantity.replace("_", " ")),
        quantity=quantity,
        joints=tuple(_joints(row, where)),
        direction=direction,
        own_unit=own_unit,
        cases=cases,
        sides=_choice(row, "sides", where, get_args(Sides), "each"),
        reference=reference or None,
        measured=dict(measured),
        scope=_formula(scope, level, where, condition=True),
        note=_text(row, "note", where, ""),
        condition=_text(row, "condition", where, ""),
        system=system,
    )


def _case(
    line: Table, where: str, whole: Table, level: str, system: UnitSystem, verified: str, direction: str
) -> Case | None:
    _known_keys(line, CASE_KEYS, where)
    limit = _formula(line.get("limit"), level, where)
    if line.get("limit") is None:
        raise UsageError(f'{where}: limit is missing, like limit = "0.1*t".')
    if _choice(line, "system", where, SYSTEMS, "metric") != system:
        return None
    low = _formula(line.get("low"), level, where)
    if limit is None:
        return None
    if (direction == "range") != (low is not None):
        raise UsageError(f"{where}: a range has low and limit, an upper or lower limit has limit alone.")
    evidence = _choice(line, "verified", where, get_args(Verified), verified)
    short = _formula(line.get("short"), level, where)
    _check_ends(limit, low, where)
    extent = line.get("extent", whole.get("extent") if short is not None else None)
    window = line.get("window", whole.get("window") if short is not None else None)
    if window is not None and not _is_number(window):
        raise UsageError(f"{where}: window must be a number, got {window!r}.")
    of_lengths = _choice({**whole, **line}, "extent_verified", where, get_args(Verified), evidence)
    return Case(
        limit=limit,
        verified=evidence,
        extent_verified=of_lengths if extent is not None else None,
        when=_formula(line.get("when"), level, where, condition=True),
        only={name: words for name in SELECTORS if (words := _texts(line, name, where, ()))},
        low=low,
        short=short,
        extent=_formula(extent, level, where),
        window=None if window is None else float(window),
    )


def _formula(value: Any, level: str, where: str, *, condition: bool = False) -> Expression | None:
    """Return a formula; a table holds one a level, and none where the level has no limit."""
    if isinstance(value, Mapping):
        value = value.get(level)
    if value is None:
        return None
    if _is_number(value):
        value = repr(value)
    if not isinstance(value, str):
        raise UsageError(f"{where}: a formula is text or a finite number, got {_shown(value)}.")
    return parse(value, where=where, condition=condition)


def _check_ends(limit: Expression, low: Expression | None, where: str) -> None:
    """Refuse numbers that nothing could meet, or everything would; of formulas only a weld will tell."""
    try:
        ends = [(name, part.number({})) for name, part in (("low", low), ("limit", limit)) if part and not part.names]
    except UsageError as error:
        raise UsageError(f"{where}: {error}") from None
    for name, number in ends:
        if number < 0:
            raise UsageError(f"{where}: {name} must be 0 or more, got {number:g}.")
    if len(ends) == 2 and ends[0][1] >= ends[1][1]:
        raise UsageError(f"{where}: low {ends[0][1]:g} is not below limit {ends[1][1]:g}: the smaller is low.")


def _formulas(case: Case) -> list[Expression]:
    """Return the formulas that are computed from given sizes and measured widths."""
    return [part for part in (case.when, case.low, case.limit, case.short) if part is not None]


def _given(content: Table, where: str) -> Given:
    table = _part(content.get("given", {}), f"{where}: given")
    _known_keys(table, GIVEN_KEYS, f"{where}: given")
    for key, value in table.items():
        if key not in SELECTORS and _is_number(value):
            raise UsageError(f'{where}: given: {key} is text with its unit: write {key} = "{value:g} mm".')
    texts = {key: _text(table, key, f"{where}: given") for key in table}
    lengths = {
        f"{key}_mm": parse_length_mm(text, name=f"{where}: given: {key}")
        for key, text in texts.items()
        if key not in SELECTORS
    }
    return Given(**lengths, **{key: text for key, text in texts.items() if key in SELECTORS})  # type: ignore[arg-type]


def _joints(row: Table, where: str) -> tuple[Joint, ...]:
    joints = _texts(row, "joints", where, get_args(Joint))
    for joint in joints:
        if joint not in get_args(Joint):
            raise UsageError(f"{where}: joints {joint!r} must be one of {', '.join(get_args(Joint))}.")
    return joints  # type: ignore[return-value]


def _known_keys(table: Table, keys: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in keys:
            raise UsageError(f"{where}: {_shown(key)} is not known here, use {', '.join(keys)}.")


def _part(value: Any, where: str) -> Table:
    if not isinstance(value, Mapping):
        raise UsageError(f"{where}: a table is expected, got {_shown(value)}.")
    return value


def _numbered(table: Table, key: str, where: str) -> list[tuple[int, Any]]:
    value = table.get(key, [])
    if not isinstance(value, list):
        raise UsageError(f"{where}: {key} must be a list of tables, [[...]], got {_shown(value)}.")
    return list(enumerate(value, start=1))


def _text(table: Table, key: str, where: str, default: str | None = None) -> str:
    value = table.get(key, default)
    if value is None:
        raise UsageError(f"{where}: {key} is missing.")
    if not isinstance(value, str) or len(value) > 2000:
        raise UsageError(f"{where}: {key} must be text, got {_shown(value)}.")
    return value


def _texts(table: Table, key: str, where: str, default: tuple[str, ...]) -> tuple[str, ...]:
    value = table.get(key, default)
    if not isinstance(value, list | tuple) or not all(isinstance(item, str) for item in value):
        way = f': write {key} = ["{value}"]' if isinstance(value, str) else ""
        raise UsageError(f"{where}: {key} must be a list of texts, got {_shown(value)}{way}.")
    return tuple(value)


def _choice(table: Table, key: str, where: str, allowed: tuple[str, ...], default: str | None = None) -> Any:
    value = _text(table, key, where, default)
    if value not in allowed:
        raise UsageError(f"{where}: {key} {value!r} must be one of {', '.join(allowed)}.")
    return value


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
