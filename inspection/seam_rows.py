"""Rows of a scan on the disk while they come: a run that is stopped keeps what it has, and the same command goes on.

``scan.json`` says what the rows belong to, ``sections.jsonl`` holds one section a line; it is written through with
every section. ``sections.csv`` holds the same values as a table.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from core.errors import UnreadableFile, UsageError
from inspection.document import Entry, as_name, as_text, tool, write_text
from inspection.seam_source import Source
from inspection.settings import Settings, settings_entry
from measurement.names import BUTT, FILLET, GROOVE, TOES_AND_PLATES, Name, names_for

SCHEMA = "toeline.scan/1"
HEADER, ROWS, TABLE = "scan.json", "sections.jsonl", "sections.csv"
OF_THE_MEASUREMENT = ("joint", "thickness_mm", "file_units", "region", "outside_diameter_mm")
"""Settings that change what is measured: rows made under others do not belong together."""


def header(source: Source, settings: Settings, calibration_sha256: str | None) -> Entry:
    """Return what rows belong to."""
    chosen = settings_entry(settings)
    return {
        "schema": SCHEMA,
        "tool": tool(),
        "source": {"path": as_name(source.path), "kind": source.kind, "fingerprint": source.fingerprint},
        "pitch_mm": source.pitch_mm,
        "settings": {name: chosen[name] for name in OF_THE_MEASUREMENT},
        "calibration_sha256": calibration_sha256,
    }


class Rows:
    """The rows of one scan in a folder; as a context it closes its files.

    Opening it cuts off a last line that was half written, and refuses rows of another source, calibration or settings.
    """

    def __init__(self, folder: Path, head: Entry, joint: str) -> None:
        """Open the rows of a folder, made anew when there are none.

        Raises
        ------
        UsageError
            When the folder holds the rows of something else.
        UnreadableFile
            When they cannot be read or written.
        """
        self.path = folder / ROWS
        self._names = columns(joint)
        with _writing(folder):
            self.count = self._found(folder / HEADER, head)
            self._lines: IO[str] = self.path.open("a", encoding="utf-8")
            self._table: IO[str] = (folder / TABLE).open("w", encoding="utf-8", newline="")
            self._csv = csv.writer(self._table)
            try:
                self._csv.writerow(_headings(self._names))
                for entry in read_rows(self.path):
                    self._csv.writerow(_cells(entry, self._names))
                self._table.flush()
            except OSError:
                self._close()
                raise

    def add(self, entry: Entry) -> None:
        """Write one section through to the disk."""
        with _writing(self.path, "; what is there is kept"):
            self._lines.write(json.dumps(entry, allow_nan=False) + "\n")
            self._lines.flush()
            self._csv.writerow(_cells(entry, self._names))
            self._table.flush()
        self.count += 1

    def __enter__(self) -> Rows:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._close()

    def _close(self) -> None:
        """Close both files; what a full disk did not take was told when it was written."""
        for file in (self._lines, self._table):
            with suppress(OSError):
                file.close()

    def _found(self, header_file: Path, head: Entry) -> int:
        """Return how many rows there are already, or start anew."""
        if not header_file.exists():
            if self.path.exists():
                raise UsageError(f"{self.path} is there without {HEADER}: name another folder with --output.")
            write_text(header_file, as_text(head))
            return 0
        differs = _difference(_read_header(header_file), head)
        if differs:
            raise UsageError(
                f"{header_file.parent} holds a scan with another {differs}: name another folder with --output, or "
                "empty this one."
            )
        return cut_to_whole_rows(self.path) if self.path.exists() else 0


@contextmanager
def _writing(place: Path, more: str = "") -> Iterator[None]:
    try:
        yield
    except OSError as error:
        message = f"{place}: the rows cannot be written: {error.strerror or error}{more}."
        raise UnreadableFile(message, code="unwritable_file") from None


def read_rows(path: Path) -> Iterator[Entry]:
    """Yield the sections of a file of rows, one after the other."""
    with path.open(encoding="utf-8") as file:
        for line in file:
            yield json.loads(line)


@dataclass(frozen=True, slots=True)
class KeptRows:
    """The rows of a file, as often as they are asked for: as sections when it is called, or as the text they are."""

    path: Path

    def __call__(self) -> Iterator[Entry]:
        """Yield the sections, one after the other."""
        return read_rows(self.path)

    def lines(self) -> Iterator[str]:
        """Yield the text of each section."""
        with self.path.open(encoding="utf-8") as file:
            for line in file:
                yield line.rstrip("\n")


def cut_to_whole_rows(path: Path) -> int:
    """Cut off what was half written at the end of a file of rows, and return how many rows are left."""
    whole = count = 0
    with path.open("rb+") as file:
        for line in file:
            if not (line.endswith(b"\n") and _is_row(line)):
                break
            whole += len(line)
            count += 1
        file.truncate(whole)
    return count


def _is_row(line: bytes) -> bool:
    try:
        content = json.loads(line)
    except ValueError:
        return False
    return isinstance(content, dict) and {"position_mm", "source", "weld", "error"} <= content.keys()


def _read_header(path: Path) -> Entry:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        content = None
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise UnreadableFile(f"{path}: this does not tell what the rows beside it belong to: name another folder.")
    return content


def _difference(old: Entry, new: Entry) -> str:
    """Name what differs between two headers, an empty text for nothing; the place of the source may change."""
    if old.get("tool") != new["tool"]:
        return "version of the program"
    sources = [entry.get("source") or {} for entry in (old, new)]
    if any(sources[0].get(key) != sources[1].get(key) for key in ("kind", "fingerprint")):
        return "source (or its files have changed)"
    if old.get("calibration_sha256") != new["calibration_sha256"]:
        return "calibration"
    if old.get("pitch_mm") != new["pitch_mm"]:
        return "pitch"
    settings: dict[str, Any] = old.get("settings") or {}
    names = [name for name, value in new["settings"].items() if settings.get(name) != value]
    return " and ".join(name.removesuffix("_mm") for name in names)


def columns(joint: str) -> tuple[Name, ...]:
    """Return the values that a table of sections has columns for."""
    if joint in ("tee", "lap", "butt", "groove"):
        return names_for(joint)  # type: ignore[arg-type]
    return tuple({name.name: name for name in (*FILLET, *BUTT, *TOES_AND_PLATES, *GROOVE)}.values())


def _headings(names: tuple[Name, ...]) -> list[str]:
    values = [f"{name.name}{end}_{name.unit}" for name in names for end in ("", "_expanded_uncertainty")]
    return ["position_mm", "source", "joint", *values, "error"]


def _cells(entry: Entry, names: tuple[Name, ...]) -> list[Any]:
    weld = entry["weld"] or {"joint": "", "measurements": {}}
    values: list[Any] = []
    for name in names:
        item = weld["measurements"].get(name.name) or {}
        values += [item.get("value"), item.get("expanded_uncertainty")]
    error = "" if entry["error"] is None else entry["error"]["message"]
    return [entry["position_mm"], entry["source"], weld["joint"], *values, error]
