"""A drawing's own limits as people write them: ``z6``, ``a4``, ``leg >= 1/4 in``, ``root_gap 1/16..3/32 in``."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable

from core.errors import UsageError
from core.units import (
    INCH,
    MM_PER_INCH,
    decimal_comma_hint,
    fractions_written_out,
    is_inch,
    parse_signed_length_mm,
)
from criteria.expression import parse
from criteria.judge import OFFSETS
from criteria.limit import Case, Limit, OwnUnit
from criteria.quantities import LIMITED, known, names_of, unit_of
from measurement.names import as_name

CALLOUTS = {"z": "leg", "a": "design_throat", "s": "throat_with_penetration"}
"""Letters of ISO 2553 before a size: leg, design throat, throat with penetration (from memory)."""

_NOMINAL = {"z": "nominal_leg_mm", "a": "nominal_throat_mm", "s": "nominal_penetration_mm"}
_UNDERSTOOD = '"z6", "a4", "s5", "leg >= 1/4 in", "root_gap 1/16..3/32 in" or "bevel_angle 30..37.5 deg"'
_CALLOUT = re.compile(rf"([azs])\s*(\d[\d./\s]*?)\s*(mm|{'|'.join(map(re.escape, INCH))}|)", re.IGNORECASE)
_ONE_SIZE = re.compile(r"\d+(?:\.\d*)?|(?:\d+\s+)?\d+\s*/\s*\d+")
_NAME = r"([A-Za-z][A-Za-z_, -]*?)"
_SIGN = r">=|=>|<=|=<|≥|≤|>|<"
_COMPARED = re.compile(_NAME + rf"\s*({_SIGN})\s*(.+)", re.DOTALL)
_START = _NAME + r"\s*[: ]\s*([+\-\d.].*?)"
_RANGED = re.compile(_START + r"\s*(?:\.\.|…|–| to )\s*(.+)", re.DOTALL)
_TOLERANCED = re.compile(_START + r"\s*(?:±|\+/-|\+-)\s*(.+)", re.DOTALL)
_LEAST, _MOST = r"(?:min(?:\.|imum)?|at least)", r"(?:max(?:\.|imum)?|at most)"
_SAID = re.compile(_NAME + rf":?\s+(?:({_LEAST})|{_MOST})\s+([\d.].*)", re.DOTALL)
_SAID_AFTER = re.compile(_NAME + rf":?\s+([\d.].*?)\s+(?:({_LEAST})|{_MOST})", re.DOTALL)
_DASH = re.compile(r"\d\s*-\s*\d")
_UNIT = re.compile(r"([^\d\s./+-][^\d/]*)\s*$")
_ANGLES = ("deg", "°", "degrees")
LONGEST = 200
_DECIMALS = 12


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
        return _called_out(bare, callout, where)
    several = [part for part in re.split(r"[\s,;▷]+", bare) if part]
    if (len(several) > 1 and all(map(_CALLOUT.fullmatch, several))) or len(re.findall(_SIGN, bare)) > 1:
        raise UsageError(f'{where} holds more than one limit: write them one at a time, or a range: "leg 6..8 mm".')
    compared = _COMPARED.fullmatch(_with_signs(bare))
    if compared is not None:
        written, sign, right = compared.groups()
        name = _known(written, where)
        value, own_unit = _amount(right, name, where)
        low, high = (value, None) if ">" in sign or sign == "≥" else (None, value)
        return _limit(bare, name, low, high, own_unit, where)
    toleranced = _TOLERANCED.fullmatch(bare)
    if toleranced is not None:
        written, left, right = toleranced.groups()
        name = _known(written, where)
        middle, width, own_unit = _two(left, right, name, where)
        if width <= 0:
            raise UsageError(f"{where} has no width: write what the value may differ after the ±.")
        low, high = (round(end, _DECIMALS) for end in (middle - width, middle + width))
        return _limit(bare, name, low, high, own_unit, where)
    ranged = _RANGED.fullmatch(bare)
    if ranged is None:
        hint = ", with .. between the ends of a range" if _DASH.search(bare) else ""
        raise UsageError(f"{where} is not understood: write {_UNDERSTOOD}{hint}.")
    written, left, right = ranged.groups()
    name = _known(written, where)
    low, high, own_unit = _two(left, right, name, where)
    if low >= high:
        raise UsageError(f"{where} ends below its start: write the smaller value first.")
    return _limit(bare, name, low, high, own_unit, where)


def _called_out(bare: str, callout: re.Match[str], where: str) -> Limit:
    """Return the limit of a size call-out."""
    letter, size, unit = callout[1].lower(), callout[2], callout[3]
    if not _ONE_SIZE.fullmatch(size):
        raise UsageError(f'{where} is not one size: write "{letter}6", or a range like "leg 6..8 mm".')
    if "/" in size and not unit:  # a call-out without a unit is in mm, where nobody writes fractions
        raise UsageError(f'{where}: a fraction needs its unit: write "{letter} {size} in".')
    value, own_unit = _amount(f"{size} {unit or 'mm'}", "leg", where)
    if value == 0:
        raise UsageError(f"{where}: a size must be more than 0.")
    return _limit(bare, CALLOUTS[letter], value, None, own_unit, where)


def _with_signs(bare: str) -> str:
    """Return text in which ``min`` and ``max``, as drawings have them, are written as signs."""
    for pattern, (name, least, amount) in ((_SAID, (1, 2, 3)), (_SAID_AFTER, (1, 3, 2))):
        match = pattern.fullmatch(bare)
        if match is not None:
            return f"{match[name]} {'>=' if match[least] else '<='} {match[amount]}"
    return bare


def _two(left: str, right: str, name: str, where: str) -> tuple[float, float, OwnUnit]:
    """Return two values with the unit they share: what stands after the second counts for the first, too."""
    unit = _UNIT.search(right)
    second, own_unit = _amount(right, name, where)
    first, first_unit = _amount(left if _UNIT.search(left) else f"{left} {unit[1] if unit else ''}", name, where)
    if first_unit != own_unit:
        raise UsageError(f"{where} has two units: write both ends in one.")
    return first, second, own_unit


def nominal_sizes(requirements: Iterable[str], where: str = "--require") -> dict[str, float]:
    """Return the nominal sizes that call-outs state, as fields of `Given`: the drawing has given them."""
    sizes: dict[str, float] = {}
    for text in requirements:
        match = _CALLOUT.fullmatch(fractions_written_out(text.strip()))
        if match is not None:
            value, unit = _amount(f"{match[2]} {match[3] or 'mm'}", "leg", f"{where} {text!r}")
            sizes[_NOMINAL[match[1].lower()]] = value * (MM_PER_INCH if unit == "in" else 1.0)
    return sizes


def _known(written: str, where: str) -> str:
    """Return the name of a value that is written as in files, ``leg_left``, or as in tables, ``leg, left``."""
    name = as_name(written)
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
    if "*" in text or re.search(r"[a-z]\s*[+-]\s*\d", text, re.IGNORECASE):
        raise UsageError(
            f"{where}: a formula is written in a file of limits (docs/limits.md), here a number with its unit."
        )
    value_mm = parse_signed_length_mm(text, name=f"{where}: the limit")
    ending = _UNIT.search(text)
    if ending is not None and is_inch(ending[1]):
        return round(value_mm / MM_PER_INCH, _DECIMALS), "in"
    return value_mm, "mm"


def _limit(text: str, quantity: str, low: float | None, high: float | None, own_unit: OwnUnit, where: str) -> Limit:
    for value in (low, high):
        if value is not None and (not math.isfinite(value) or value < 0):
            way = f': write "{quantity} <= 1 mm", which holds to either side' if quantity in OFFSETS else ""
            raise UsageError(f"{where}: a limit must be 0 or more{way}.")
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
