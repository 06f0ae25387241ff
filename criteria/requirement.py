"""A drawing's own limits as people write them: ``z6``, ``a4``, ``leg >= 1/4 in``, ``root_gap 1/16..3/32 in``."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable

from core.errors import UsageError
from core.units import INCH, MM_PER_INCH, decimal_comma_hint, fractions_written_out, parse_signed_length_mm
from criteria.expression import parse
from criteria.limit import Case, Limit, OwnUnit
from criteria.quantities import LIMITED, known, names_of, unit_of

CALLOUTS = {"z": "leg", "a": "design_throat", "s": "throat_with_penetration"}
"""Letters of ISO 2553 before a size: leg, design throat, throat with penetration (from memory)."""

_NOMINAL = {"z": "nominal_leg_mm", "a": "nominal_throat_mm", "s": "nominal_penetration_mm"}
_UNDERSTOOD = '"z6", "a4", "s5", "leg >= 1/4 in", "root_gap 1/16..3/32 in" or "bevel_angle 30..37.5 deg"'
_CALLOUT = re.compile(rf"([azs])\s*(\d[\d./\s]*?)\s*(mm|{'|'.join(map(re.escape, INCH))}|)")
_NAME = r"([A-Za-z][A-Za-z_, ]*?)"
_COMPARED = re.compile(_NAME + r"\s*(>=|<=|≥|≤|>|<)\s*(.+)", re.DOTALL)
_RANGED = re.compile(_NAME + r"\s*[: ]\s*([+\-\d.].*?)\s*(?:\.\.|…| to )\s*(.+)", re.DOTALL)
_UNIT = re.compile(r"([^\d\s./+-][^\d/]*)\s*$")
_ANGLES = ("deg", "°", "degrees")
LONGEST = 200


def parse_requirement(text: str, where: str = "--require") -> Limit:
    """Return one requirement as a limit.

    A size call-out without a unit is in mm, as ISO 2553 has it; everything else carries its unit. ``leg`` means both
    legs, and so for every value that has two sides.

    Raises
    ------
    UsageError
        With the expression, what is wrong with it, and what is understood.
    """
    named = text if len(text) <= 60 else f"{text[:57]}..."
    where = f"{where} {named!r}"
    if len(text) > LONGEST:
        raise UsageError(f"{where} is too long: write one limit, like {_UNDERSTOOD}.")
    bare = fractions_written_out(text.strip())
    hint = decimal_comma_hint(bare)
    if hint is not None:
        raise UsageError(f"{where}: {hint}.")
    callout = _CALLOUT.fullmatch(bare)
    if callout is not None:
        letter, size, unit = callout.groups()
        if "/" in size and not unit:  # a call-out without a unit is in mm, where nobody writes fractions
            raise UsageError(f'{where}: a fraction needs its unit: write "{letter} {size} in".')
        value, own_unit = _amount(f"{size} {unit or 'mm'}", "leg", where)
        if value == 0:
            raise UsageError(f"{where}: a size must be more than 0.")
        return _limit(bare, CALLOUTS[letter], value, None, own_unit, where)
    compared = _COMPARED.fullmatch(bare)
    if compared is not None:
        written, sign, right = compared.groups()
        name = _known(written, where)
        value, own_unit = _amount(right, name, where)
        low, high = (value, None) if sign[0] in ">≥" else (None, value)
        return _limit(bare, name, low, high, own_unit, where)
    ranged = _RANGED.fullmatch(bare)
    if ranged is None:
        raise UsageError(f"{where} is not understood: write {_UNDERSTOOD}.")
    written, left, right = ranged.groups()
    name = _known(written, where)
    unit = _UNIT.search(right)
    high, own_unit = _amount(right, name, where)
    low, low_unit = _amount(left if _UNIT.search(left) else f"{left} {unit[1] if unit else ''}", name, where)
    if low_unit != own_unit:
        raise UsageError(f"{where} has two units: write both ends in one.")
    if low >= high:
        raise UsageError(f"{where} ends below its start: write the smaller value first.")
    return _limit(bare, name, low, high, own_unit, where)


def nominal_sizes(requirements: Iterable[str], where: str = "--require") -> dict[str, float]:
    """Return the nominal sizes that call-outs state, as fields of `Given`: the drawing has given them."""
    sizes: dict[str, float] = {}
    for text in requirements:
        match = _CALLOUT.fullmatch(fractions_written_out(text.strip()))
        if match is not None:
            value, unit = _amount(f"{match[2]} {match[3] or 'mm'}", "leg", f"{where} {text!r}")
            sizes[_NOMINAL[match[1]]] = value * (MM_PER_INCH if unit == "in" else 1.0)
    return sizes


def _known(written: str, where: str) -> str:
    """Return the name of a value that is written as in files, ``leg_left``, or as in tables, ``leg, left``."""
    name = "_".join(written.replace(",", " ").replace("_", " ").lower().split())
    if not names_of(name):
        near = difflib.get_close_matches(name, known(), n=3, cutoff=0.5)
        hint = f"did you mean {', '.join(near)}?" if near else "docs/definitions.md lists them."
        raise UsageError(f"{where}: {name!r} is no measured value: {hint}")
    return name


def _amount(text: str, quantity: str, where: str) -> tuple[float, OwnUnit]:
    """Return a number in the unit in which it is written: mm, in or deg."""
    unit = unit_of(quantity)
    if unit not in LIMITED:
        raise UsageError(f"{where}: {quantity} is neither a length nor an angle and cannot be limited.")
    if unit == "deg":
        match = re.fullmatch(r"\s*([+-]?\d+(?:\.\d+)?)\s*(\D*?)\s*", text)
        if match is None or match[2] not in _ANGLES:
            raise UsageError(f'{where}: {quantity} needs an angle with its unit, got {text.strip()!r}: like "35 deg".')
        return float(match[1]), "deg"
    value_mm = parse_signed_length_mm(text, name=f"{where}: the limit")
    ending = _UNIT.search(text)
    if ending is not None and ending[1].strip() in INCH:
        return round(value_mm / MM_PER_INCH, 12), "in"
    return value_mm, "mm"


def _limit(text: str, quantity: str, low: float | None, high: float | None, own_unit: OwnUnit, where: str) -> Limit:
    for value in (low, high):
        if value is not None and (not math.isfinite(value) or value < 0):
            raise UsageError(f"{where}: a limit must be 0 or more.")
    direction = "range" if low is not None and high is not None else ("lower" if high is None else "upper")
    end = high if high is not None else low
    case = Case(
        limit=parse(repr(end), where=where),
        low=parse(repr(low), where=where) if direction == "range" else None,
        verified="given",
    )
    return Limit(
        id=text,
        criterion="required",
        source="given by the user",
        text=text,
        quantity=quantity,
        joints=("tee", "lap", "butt", "groove"),
        direction=direction,  # type: ignore[arg-type]
        own_unit=own_unit,
        cases=(case,),
    )
