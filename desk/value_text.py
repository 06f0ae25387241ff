"""A measured value as text: figures, uncertainty and unit as a table shows them, in mm or inch."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from core.units import MM_PER_INCH, lengths_in_inches, nearest_fraction

SYMBOLS = {"mm": "mm", "deg": "°", "mm2": "mm²", "percent": "%"}
_SCALES = {"scale": "as given", "resolution": "as the file says"}
_STEP = re.compile(r"(?<=\()[+-]\d+\.\d+ mm(?=\))")
_DECIMALS = {"mm": 2, "°": 1, "mm²": 2, "in": 3, "in²": 4, "%": 1}


def scale_kind(kind: str) -> str:
    """Return where a scale comes from, in words."""
    return _SCALES.get(kind, kind)


def worded(text: str, units: str) -> str:
    """Return a reason, a flag's message or a note of the result document with its lengths in the user's unit."""
    return lengths_in_inches(text) if units == "inch" else text


def worded_steps(text: str, units: str) -> str:
    """Return why a modelled gauge reads otherwise: what moves it in the user's unit, its own sizes as marked on it."""
    return _STEP.sub(lambda step: lengths_in_inches(step[0]), text) if units == "inch" else text


def value_cells(item: Mapping[str, Any], units: str) -> tuple[str, str, str, str]:
    """Return value, uncertainty, unit and nearest 1/64 in of a measured item of the result document.

    The uncertainty is told by the ends of the interval where that is cut, at nothing or at the whole.
    """
    value, expanded, unit = item["value"], item["expanded_uncertainty"], item["unit"]
    factor, symbol, fraction = 1.0, SYMBOLS[unit], ""
    if units == "inch" and unit == "mm":
        factor, symbol, fraction = 1 / MM_PER_INCH, "in", nearest_fraction(value / MM_PER_INCH)
    elif units == "inch" and unit == "mm2":
        factor, symbol = 1 / MM_PER_INCH**2, "in²"
    decimals = _DECIMALS[symbol]
    if expanded is None:
        return f"{value * factor:z.{decimals}f}", "-", symbol, fraction
    # Two figures of a small uncertainty, so that it never reads as zero (JCGM 100:2008, 7.2.6).
    while expanded > 0 and expanded * factor < 1.5 * 10**-decimals and decimals < 5:
        decimals += 1
    doubt = f"{expanded * factor:.{decimals}f}"
    interval = item.get("interval")
    if interval is not None and interval[0] == 0 and value < expanded:  # nothing can be less than nothing
        doubt = f"0 to {interval[1] * factor:.{decimals}f}"
    elif interval is not None and unit == "percent" and value + expanded > 100.0:  # nor a share more than all
        doubt = f"{interval[0]:.{decimals}f} to {interval[1]:.{decimals}f}"
    return f"{value * factor:z.{decimals}f}", doubt, symbol, fraction


def align(numbers: list[str]) -> list[str]:
    """Pad numbers so that their decimal points stand in one column."""
    split = [number.partition(".") for number in numbers]
    before = max((len(whole) for whole, _, _ in split), default=0)
    after = max((len(point + rest) for _, point, rest in split), default=0)
    return [whole.rjust(before) + (point + rest).ljust(after) for whole, point, rest in split]
