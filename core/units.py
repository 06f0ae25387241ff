"""Quantities as people write them, at the edge of the program: text to mm, mm to inches.

Inside the program everything is in mm and degrees; pint is imported only where a unit is parsed.
"""

from __future__ import annotations

import math
import re
import unicodedata
from fractions import Fraction
from functools import lru_cache
from typing import Literal

from core.errors import UsageError

UnitSystem = Literal["metric", "inch"]

MM_PER_INCH = 25.4
"""Exact since 1959 (NIST SP 811, B.6)."""

INCH = ("in", "in.", "inch", "inches", '"', "″", "”", "''", "′′", "’’")
"""How people write the unit."""

_COMMON_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "um": 0.001,
    "µm": 0.001,
    "μm": 0.001,
    **dict.fromkeys(INCH, MM_PER_INCH),
}
_TOLD_MM = re.compile(r"(?<![\w.,/\"'])([+-]?\d+(?:\.\d+)?)(?:( to | x )(\d+(?:\.\d+)?))? mm(?![\w²]| per pixel)")
MOST_DECIMALS = 5
_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
_AMOUNT = re.compile(
    rf"\s*(?P<sign>[+-]?)\s*(?:(?:(?P<whole>\d+)(?:\s+|-))?(?P<top>\d+)\s*/\s*(?P<bottom>\d+)|(?P<number>{_NUMBER}))"
    r"\s*(?P<unit>.*?)\s*",
)
_DECIMAL_COMMA = re.compile(r"\d,\d")
_THOUSANDS = re.compile(r"\d,\d{3}(?!\d)")


def fractions_written_out(text: str) -> str:
    """Return text whose fractions in one sign, and with the slash of typesetters, are written with figures and ``/``.

    >>> fractions_written_out("1½ in"), fractions_written_out("1⁄4 in")
    ('1 1/2 in', '1/4 in')
    """
    if text.isascii():
        return text
    parts = []
    for place, sign in enumerate(text):
        if unicodedata.decomposition(sign).startswith("<fraction>"):
            after_number = place > 0 and text[place - 1].isdigit()
            sign = (" " if after_number else "") + unicodedata.normalize("NFKC", sign)
        parts.append(sign)
    return "".join(parts).replace("⁄", "/").replace("∕", "/")


def decimal_comma_hint(text: str) -> str | None:
    """Return what to write in place of a decimal comma; None where a text has none.

    >>> decimal_comma_hint("6,5 mm"), decimal_comma_hint("1,250 mm"), decimal_comma_hint("6.5 mm")
    ('write decimals with a point, "6.5 mm"', 'write decimals with a point and no sign between thousands', None)
    """
    if _DECIMAL_COMMA.search(text) is None:
        return None
    if _THOUSANDS.search(text):  # a thousand to some and a little over one to others
        return "write decimals with a point and no sign between thousands"
    return f'write decimals with a point, "{re.sub(r"(?<=[0-9]),(?=[0-9])", ".", text.strip())}"'


def parse_length_mm(text: str, *, name: str = "the length") -> float:
    """Return a positive length in mm from text like ``3 mm``, ``3/8 in`` or ``1 1/16 in``.

    Raises
    ------
    UsageError
        For a bare number, an unknown unit, a unit of another kind, and a length that is not positive.
    """
    value_mm = parse_signed_length_mm(text, name=name)
    if value_mm <= 0:
        raise UsageError(f"{name} must be greater than zero, got {text!r}.")
    return value_mm


def parse_signed_length_mm(text: str, *, name: str = "the length") -> float:
    """Return a length in mm that may be zero or negative (an offset)."""
    hint = decimal_comma_hint(text)
    if hint is not None:
        raise UsageError(f"{name}: {hint}, got {text!r}.")
    match = _AMOUNT.fullmatch(fractions_written_out(text))
    if match is None:
        raise UsageError(f'{name} is not understood: {text!r}: write a number and a unit, like "3 mm" or "3/8 in".')
    if not match["unit"]:
        raise UsageError(f'{name} needs a unit, got {text!r}: write "{text.strip()} mm" or "{text.strip()} in".')
    if match["bottom"] is not None and int(match["bottom"]) == 0:
        raise UsageError(f"{name} divides by zero: {text!r}.")
    amount = _amount(match)
    value_mm = amount * unit_in_mm(match["unit"], name=name)
    if not math.isfinite(value_mm):
        raise UsageError(f"{name} is not a finite number: {text!r}.")
    return value_mm


def _amount(match: re.Match[str]) -> float:
    if match["number"] is not None:
        amount = float(match["number"])
    else:
        amount = int(match["whole"] or 0) + float(Fraction(int(match["top"]), int(match["bottom"])))
    return -amount if match["sign"] == "-" else amount


def is_inch(unit: str) -> bool:
    """Tell whether a unit is the inch, however people write it."""
    return unit.strip().lower() in INCH


@lru_cache(maxsize=64)
def unit_in_mm(unit: str, *, name: str = "the length") -> float:
    """Return how many mm one unit of length has; capitals make no difference in the common ones."""
    plain = unit.lower() if len(unit) > 1 else unit  # "10 Mm" is a slip for mm, never ten megametres
    if plain in _COMMON_MM:
        return _COMMON_MM[plain]
    import pint

    try:
        registry = _registry()
        value = registry.Quantity(1.0, unit).to("millimeter")
        return float(value.magnitude)
    except pint.DimensionalityError:
        raise UsageError(f"{name} needs a unit of length, got {unit!r}: use mm or in.") from None
    except Exception:  # pint tells a bad unit in a dozen ways, from AttributeError to tokenizer errors
        raise UsageError(f"{name} has a unit that is not known, {unit!r}: use mm or in.") from None


@lru_cache(maxsize=1)
def _registry():  # type: ignore[no-untyped-def]
    import pint

    return pint.UnitRegistry()


def nearest_fraction(inches: float, denominator: int = 64) -> str:
    """Return inches as a whole number and a reduced fraction, ``1 1/16``, to the nearest 1/64."""
    count = round(abs(inches) * denominator)
    sign = "-" if inches < 0 and count else ""
    whole, rest = divmod(count, denominator)
    if rest == 0:
        return f"{sign}{whole}"
    part = Fraction(rest, denominator)
    return f"{sign}{f'{whole} ' if whole else ''}{part.numerator}/{part.denominator}"


def lengths_in_inches(text: str) -> str:
    """Return a sentence with its lengths in inches; what stands in quotes, and the size of a pixel, stays as it is.

    >>> lengths_in_inches("fitted over 0.50 to 1.00 mm of the face, no more than 0.36 mm")
    'fitted over 0.020 to 0.039 in of the face, no more than 0.014 in'
    """
    return _TOLD_MM.sub(_told_in_inches, text)


def _told_in_inches(match: re.Match[str]) -> str:
    first, between, second = match.groups()
    ends = inches_as_told(first) if second is None else f"{inches_as_told(first)}{between}{inches_as_told(second)}"
    return f"{ends} in"


def inches_as_told(written_mm: str) -> str:
    """Return a number of mm as inches with one decimal more, and two figures at least: ``+0.14`` is ``+0.006``."""
    inches = float(written_mm) / MM_PER_INCH
    decimals = len(written_mm.partition(".")[2]) + 1
    while inches != 0.0 and abs(inches) < 9.5 * 10.0**-decimals and decimals < MOST_DECIMALS:
        decimals += 1
    return f"{inches:{'+' if written_mm.startswith('+') else ''}.{decimals}f}"


def inches_with_fraction(value_mm: float, *, decimals: int = 3) -> str:
    """Return a length as ``0.236 in (15/64)``: decimal inches and the nearest 1/64 beside them."""
    inches = value_mm / MM_PER_INCH
    return f"{inches:.{decimals}f} in ({nearest_fraction(inches)})"
