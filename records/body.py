"""The body of a measured or corrected entry: everything needed to see, and to make again, what was measured."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

from inspection.document import document

SCHEMA = "toeline.record/1"


def measured_body(
    result_entry: Mapping[str, Any],
    weld: Mapping[str, Any],
    *,
    identification: Mapping[str, str],
    limits: Mapping[str, Any] | list[Any] | None,
    calibration_file: Mapping[str, Any] | None,
    size_bytes: int | None = None,
    tool: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the body that keeps one weld of a result.

    Parameters
    ----------
    result_entry, weld
        The entry of the result document, and one of its welds: values, points, flags, outcomes.
    identification
        Fields of the trade, see `records.identification`.
    limits
        The criteria the outcomes were found with, None when there were none.
    calibration_file
        The content of the calibration file, None when the scale came from elsewhere.
    size_bytes
        Size of the source file where it was at hand.
    tool
        Name and version of what measured, this program when None.
    """
    source = dict(result_entry["source"])
    name = PurePath(str(source["path"]).replace("\\", "/")).name
    return {
        "schema": SCHEMA,
        "tool": dict(tool) if tool is not None else document([])["tool"],
        "source": source | {"name": name, "size_bytes": size_bytes},
        "calibration": result_entry.get("calibration"),
        "calibration_file": calibration_file,
        "settings": result_entry.get("settings"),
        "weld": dict(weld),
        "limits": limits,
        "identification": dict(identification),
    }
