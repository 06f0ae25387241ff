"""JSON files of this room: read strictly, written so that a file is old or new, never half."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile

LARGEST_FILE_BYTES = 8_000_000


def read_document(path: Path, schema: str, what: str) -> tuple[dict[str, object], str]:
    """Return a JSON document of the given schema, and the sha256 of the file's content.

    Raises
    ------
    UnreadableFile
        When the file is missing, too large, damaged or of another kind.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE_BYTES:
            raise UnreadableFile(f"{path.name} is {size / 1e6:.0f} MB large, which no {what} file is")
        content = path.read_bytes()
    except OSError as error:
        raise UnreadableFile(f"{path} cannot be read as a {what} file: {error.strerror or error}") from None
    try:
        document = json.loads(content.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise UnreadableFile(
            f"{path.name} is no {what} file or is damaged: make it again with 'toeline calibrate'"
        ) from None
    found = document.get("schema") if isinstance(document, dict) else None
    if found != schema:
        told = f"says it is {found!r}" if isinstance(found, str) and len(found) < 60 else "does not say what it is"
        raise UnreadableFile(f"{path.name} is no {what} file (it {told}, {schema!r} is needed)")
    return document, hashlib.sha256(content).hexdigest()


def _no_constant(name: str) -> float:
    raise ValueError(name)


def write_document(path: Path, document: Mapping[str, object]) -> None:
    """Write a JSON document through a file beside it, so that a crash leaves the old one whole.

    Raises
    ------
    UnreadableFile
        When it cannot be written; what was there before is left as it was.
    """
    content = (json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise _unwritable(path, error) from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, (path.stat().st_mode & 0o777) if path.exists() else 0o644)
        os.replace(name, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: OSError) -> UnreadableFile:
    return UnreadableFile(f"{path}: the file cannot be written: {error.strerror or error}.", code="unwritable_file")


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Keep other processes from changing files of the same folder, where the system can."""
    try:
        import fcntl
    except ImportError:  # not a POSIX system
        yield
        return
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


class Door:
    """Takes typed values out of a document; what does not fit is one sentence about one file."""

    def __init__(self, path: Path, document: Mapping[str, object]) -> None:
        self.path = path
        self.document = document

    def refuse(self, why: str) -> UnreadableFile:
        return UnreadableFile(f"{self.path.name} is damaged: {why}; make it again with 'toeline calibrate'")

    def number(self, name: str, low: float, high: float) -> float:
        value = self.document.get(name)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise self.refuse(f"{name!r} is no number from {low:g} to {high:g}")
        return float(value)

    def text(self, name: str, longest: int = 4000) -> str:
        value = self.document.get(name)
        if not isinstance(value, str) or len(value) > longest:
            raise self.refuse(f"{name!r} is no text")
        return value

    def mapping(self, name: str) -> dict[str, object]:
        value = self.document.get(name)
        if not isinstance(value, dict):
            raise self.refuse(f"{name!r} is missing or no object")
        return value

    def sequence(self, name: str) -> list[object]:
        value = self.document.get(name)
        if not isinstance(value, list):
            raise self.refuse(f"{name!r} is missing or no list")
        return value

    def array(self, name: str, shape: tuple[int, ...]) -> NDArray[np.float64]:
        try:
            found = self.document.get(name)
            value = np.array(found, dtype=float)
            plain = np.array(found).dtype.kind in "if"
        except (TypeError, ValueError, OverflowError):
            raise self.refuse(f"{name!r} is no table of numbers") from None
        if not plain or value.shape != shape or not np.isfinite(value).all() or np.abs(value).max() > 1e12:
            raise self.refuse(f"{name!r} is no table of {' x '.join(map(str, shape))} finite numbers")
        return value


def is_json_number(value: object) -> bool:
    """Tell whether a value is a finite number and no truth value."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
