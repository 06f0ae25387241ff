"""A measurement made again from its entry in a result document, on the same picture under the same settings."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from core.errors import UnreadableFile
from inspection.picture import Inspection, inspect_file
from inspection.settings import settings_of, shared_calibration
from vision.picture import read_bytes


def repeat(entry: Mapping[str, Any], *, folder: Path, calibration: Path | None = None) -> Inspection:
    """Measure again what an entry of a result document was made from.

    Parameters
    ----------
    entry
        One of ``results`` of the document.
    folder
        Where the document lies: files are looked for as they are named, then in this folder.
    calibration
        Where the calibration file lies now, when not where the result says.

    Raises
    ------
    UnreadableFile
        When the picture or the calibration is no longer there or no longer the same.
    """
    source = entry["source"]
    path = found(source["path"], folder)
    if hashlib.sha256(read_bytes(path)).hexdigest() != source["sha256"]:
        raise UnreadableFile(f"{path}: this is no longer the file that was measured: put the original back.")
    settings = settings_of(entry.get("settings", {}), source["kind"])
    if settings.calibration is not None or calibration is not None:
        named = calibration or found(str(settings.calibration), folder)
        settings = replace(settings, calibration=named, scale_mm_per_px=None, scale_from_metadata=False)
    shared = shared_calibration(settings)
    used = (entry.get("calibration") or {}).get("sha256")
    if shared is not None and used is not None and shared.sha256 != used:
        raise UnreadableFile(f"{settings.calibration}: this is not the calibration that was used: give that one.")
    return inspect_file(path, settings, shared)


def found(name: str, folder: Path) -> Path:
    """Return where a file named in a document lies: as named, from the document's folder, or beside it.

    Raises
    ------
    UnreadableFile
        When it is in none of these places.
    """
    path = Path(name)
    for place in (path, folder / path, folder / path.name):
        if place.is_file():
            return place
    raise UnreadableFile(f"{name}: the file is neither there nor beside the result file: put it back.")
