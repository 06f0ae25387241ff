"""What several commands take in the same form: points, counts, dates, places to write."""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Iterable
from pathlib import Path

from core.errors import UsageError


def complain(message: str, status: int) -> int:
    """Print one line to stderr and return the status."""
    print("toeline: " + " ".join(message.split()), file=sys.stderr)
    return status


def mute_stdout() -> None:
    """Send what is still printed nowhere: the reader of the pipe has seen enough, the files are still wanted."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def parse_point(text: str, name: str) -> tuple[float, float]:
    """Return (x, y) in pixels from ``X,Y``."""
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(f"{name} takes a point X,Y in pixels, got {text!r}.") from None
    if not (math.isfinite(x) and math.isfinite(y)):
        raise UsageError(f"{name} takes a point X,Y in pixels, got {text!r}.")
    return x, y


def parse_corners(text: str) -> tuple[int, int]:
    """Return (columns, rows) of inner corners from ``8x3``."""
    try:
        columns, rows = (int(part) for part in text.lower().replace("×", "x").split("x"))
    except ValueError:
        raise UsageError(f"--corners takes inner corners as COLUMNSxROWS, like 8x3, got {text!r}.") from None
    if columns < 2 or rows < 2:
        raise UsageError(f"--corners needs at least 2x2 inner corners, got {text!r}.")
    return columns, rows


def choose(value: str, allowed: Iterable[str], name: str) -> str:
    """Return the value if it is allowed, or say what is."""
    choices = tuple(allowed)
    if value not in choices:
        raise UsageError(f"{name} {value!r} is not known, use {', '.join(choices)}.")
    return value


def reading_unit(text: str | None) -> str | None:
    """Return the unit of readings that name none: "mm", "in" or "deg"."""
    from core.units import is_inch

    if text is None:
        return None
    plain = "in" if is_inch(text) else text.strip().lower()
    return choose({"°": "deg", "degree": "deg", "degrees": "deg"}.get(plain, plain), ("mm", "in", "deg"), "--unit")


def refuse_overwriting(outputs: Iterable[Path | None], inputs: Iterable[Path | None]) -> None:
    """Make sure that no file that is read would be overwritten, and none written twice."""
    read = {path.resolve() for path in inputs if path is not None}
    written: set[Path] = set()
    for path in outputs:
        if path is None or str(path) == "-":
            continue
        if path.resolve() in read:
            raise UsageError(f"{path} is read by this call and must not be overwritten: name another file.")
        if path.resolve() in written:
            raise UsageError(f"{path} would be written twice: name different files.")
        written.add(path.resolve())


def make_folder(path: Path) -> None:
    """Make the folder that --output names."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--output {path}: the folder cannot be made: {error.strerror}.") from None
