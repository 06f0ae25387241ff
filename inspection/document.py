"""The result document ``toeline.result/1``: what other programs read, in mm and degrees."""

from __future__ import annotations

import contextlib
import json
import math
import os
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from calibration.model import Calibration
from core.errors import ToelineError, UnreadableFile
from core.geometry import Points
from core.quantity import COVERAGE_FACTOR, Measured, NotMeasurable
from vision.section import Flag

SCHEMA = "toeline.result/1"
Entry = dict[str, Any]


def document(entries: Sequence[Entry]) -> Entry:
    """Return the document of one call."""
    return {"schema": SCHEMA, "tool": tool(), "results": list(entries)}


def tool() -> Entry:
    """Return what made a document."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        tool_version = version("toeline")
    except PackageNotFoundError:
        tool_version = "unknown"
    return {"name": "toeline", "version": tool_version}


def calibration_entry(calibration: Calibration, near_px: Points) -> Entry:
    """Return what the calibration says near some points of the picture, (N, 2) px."""
    parts = calibration.relative_components(near_px)
    return {
        "kind": calibration.kind,
        "sha256": calibration.sha256,
        "mm_per_px": _number(calibration.mm_per_px(near_px.mean(axis=0)), 9),
        "relative_standard_uncertainty": _number(math.hypot(*parts.values()), 9),
    }


def measurement_entry(measured: Measured, label: str | None, *, signed: bool = True) -> Entry:
    """Return one value with its uncertainty and budget, or the reason why there is none.

    ``signed`` tells that the value may be below 0; of any other, the interval claims no less than nothing.
    """
    entry: Entry = {}
    if label is not None:
        entry["label"] = label
    if isinstance(measured, NotMeasurable):
        return {
            "value": None,
            "unit": measured.unit,
            "state": "not_measurable",
            "reason": measured.reason,
        } | entry
    entry["budget"] = [
        {"source": part.source, "standard_uncertainty": _number(part.standard_uncertainty)} for part in measured.budget
    ]
    if measured.note is not None:
        entry["note"] = measured.note
    expanded = measured.expanded_uncertainty
    low, high = measured.interval(signed=signed) or (None, None)
    return {
        "value": _number(measured.value),
        "unit": measured.unit,
        "expanded_uncertainty": None if expanded is None else _number(expanded),
        "coverage_factor": COVERAGE_FACTOR,
        "interval": None if low is None or high is None else [_number(low), _number(high)],
        "state": "measured",
    } | entry


def points_entry(points: Mapping[str, Points | Sequence[float]]) -> Entry:
    """Return named points as [x, y] lists."""
    return {name: [_number(float(point[0])), _number(float(point[1]))] for name, point in points.items()}


def flag_entries(flags: Sequence[Flag]) -> list[Entry]:
    """Return the doubts, each once."""
    return [{"code": flag.code, "message": flag.message} for flag in dict.fromkeys(flags)]


def as_name(path: str | Path) -> str:
    """Return a path as text that any reader takes: bytes of a name that are no text are replaced."""
    return str(path).encode("utf-8", "replace").decode("utf-8")


def error_entry(error: ToelineError) -> Entry:
    """Return why a file gave nothing."""
    return {"code": error.code, "message": as_name(str(error))}


def as_text(content: Entry) -> str:
    """Return a document as JSON; a number that is not finite is a bug and raises ValueError."""
    return json.dumps(content, indent=2, allow_nan=False) + "\n"


def write_text(path: str | Path, text: str) -> None:
    """Write a file whole or not at all (UTF-8)."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: str | Path, data: bytes) -> None:
    """Write a file whole or not at all: into a neighbour first, which then takes its name."""
    target = Path(path)
    if target.is_dir():
        raise UnreadableFile(f"{target}: this is a folder, a file name is needed to write to.", code="unwritable_file")
    if target.exists() and not target.is_file():
        _write(target, data, target)
        return
    temporary: str | None = None
    _clear_stopped(target)
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name[:40]}.{os.getpid()}.", dir=target.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        umask = os.umask(0)
        os.umask(umask)
        Path(temporary).chmod(0o666 & ~umask)
        Path(temporary).replace(target)
    except (OSError, ValueError) as error:
        if temporary is not None:
            with contextlib.suppress(OSError):
                Path(temporary).unlink(missing_ok=True)
        raise _unwritable(target, error) from None


STALE_S = 5.0
"""A neighbour that nothing has been written to for so long, by a process that is no more, was left behind."""


def _clear_stopped(target: Path) -> None:
    """Remove what a killed process left of an earlier try to write the same file."""
    begin = f".{target.name[:40]}."
    with contextlib.suppress(OSError):
        for path in target.parent.iterdir():
            process = path.name.removeprefix(begin).partition(".")[0]
            if not path.name.startswith(begin) or not process.isdigit() or _is_alive(int(process)):
                continue
            with contextlib.suppress(OSError):
                if time.time() - path.stat().st_mtime > STALE_S:
                    path.unlink()


def _is_alive(process: int) -> bool:
    if os.name != "posix":  # elsewhere a signal 0 is none that only asks
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _write(path: Path, data: bytes, shown: Path) -> None:
    try:
        with path.open("wb") as file:
            file.write(data)
    except OSError as error:
        raise _unwritable(shown, error) from None


def _unwritable(path: Path, error: Exception) -> UnreadableFile:
    reason = getattr(error, "strerror", None) or error
    return UnreadableFile(f"{path}: the file cannot be written: {reason}.", code="unwritable_file")


def _number(value: float, decimals: int = 6) -> float:
    """Round to what a reader may need (a nanometre), as a plain float."""
    return round(float(np.float64(value)), decimals)
