"""The fields of the trade that say which weld, section and examination a record is about, and their template file."""

from __future__ import annotations

import datetime
import difflib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from core.errors import UnreadableFile, UsageError

MAX_LENGTH = 500


@dataclass(frozen=True, slots=True)
class Field:
    """A field: what it is called on pages, and why a report of a macroscopic examination must hold it.

    Attributes
    ----------
    label
        As shown.
    basis
        Where ISO 17639 asks for it, None where it does not. Clauses 7 and 8.1 were read in the identical text of
        AS/NZS 2205.5.1:2019; the list of clause 11 is given from memory and says so.
    """

    label: str
    basis: str | None = None


_TO_RECORD = "ISO 17639 clause 8.1"
_SECTION = "ISO 17639 clause 7"
_REPORT = "ISO 17639 clause 11 (from memory)"

FIELDS: dict[str, Field] = {
    "job": Field("job"),
    "drawing": Field("drawing"),
    "weld_number": Field("weld number", _REPORT),
    "welder": Field("welder"),
    "procedure": Field("welding procedure"),
    "parent_metal": Field("parent metal", _TO_RECORD),
    "parent_thickness": Field("thickness of the parent metal"),
    "consumable": Field("welding consumable", _TO_RECORD),
    "object_of_test": Field("object of the test", _TO_RECORD),
    "position_of_section": Field("position and direction of the section", _SECTION),
    "surface_finish": Field("surface finish", _TO_RECORD),
    "etchant": Field("etchant", _TO_RECORD),
    "etching_method": Field("etching method", _TO_RECORD),
    "etching_time": Field("etching time", _TO_RECORD),
    "additional_measures": Field("additional (safety) measures", _TO_RECORD),
    "additional_requirements": Field("additional requirements", _TO_RECORD),
    "magnification": Field("magnification", _REPORT),
    "instrument": Field("instrument"),
    "instrument_calibration": Field("calibration of the instrument"),
    "examiner": Field("examiner", _REPORT),
    "date_of_examination": Field("date of the examination", _REPORT),
}
"""In the order of pages. All are free text; what does not apply is answered with "none"."""


class Identification(dict[str, str]):
    """Values by the names of `FIELDS`, in their order, each a line of text; fields without one are left out.

    Raises
    ------
    UsageError
        When a name is no field or a value is no line of text.
    """

    def __init__(self, values: Any = MappingProxyType({})) -> None:
        given = dict(values)
        for name in given:
            if name not in FIELDS:
                near = difflib.get_close_matches(str(name), FIELDS, 1)
                hint = f"do you mean {near[0]!r}" if near else f"use {', '.join(FIELDS)}"
                raise UsageError(f"{name!r} is no field of the identification: {hint}.", code="unknown_field")
        texts = {name: _line(given[name], name) for name in FIELDS if given.get(name) is not None}
        super().__init__({name: text for name, text in texts.items() if text})


def read_template(path: str | Path) -> Identification:
    """Read a template file: TOML, one field a line, as in ``job = "Footbridge"``.

    Raises
    ------
    UnreadableFile
        When it is missing, no TOML, or holds what is no field.
    """
    from vision.picture import read_bytes

    try:
        content = tomllib.loads(read_bytes(path).decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise UnreadableFile(f"{path}: the template is no text in UTF-8: save it as UTF-8.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UnreadableFile(f'{path}: the template must be TOML, lines like job = "Footbridge": {error}.') from None
    try:
        return Identification(content)
    except UsageError as error:
        raise UnreadableFile(f"{path}: {error}") from None


def missing_for_macro_report(identification: Any) -> list[str]:
    """Return the labels of the fields that a report of a macroscopic examination must hold and that have no value."""
    return [field.label for name, field in FIELDS.items() if field.basis is not None and not identification.get(name)]


def _line(value: Any, name: str) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | datetime.date):
        raise UsageError(f'{name} must be text in quotes, as in {name} = "...".', code="bad_field")
    text = str(value).strip()
    if len(text) > MAX_LENGTH:
        raise UsageError(f"{name} has {len(text)} characters, at most {MAX_LENGTH} are kept.", code="bad_field")
    if any(ord(sign) < 32 or 0xD800 <= ord(sign) <= 0xDFFF or ord(sign) == 127 for sign in text):
        raise UsageError(f"{name} must be one line of text without control characters.", code="bad_field")
    return text
