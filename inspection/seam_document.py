"""The seam document ``toeline.seam/1``: written section by section, for a seam may have ten thousand of them."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path

from calibration.model import Calibration
from core.errors import UnreadableFile
from criteria import Given
from inspection.document import Entry, as_name, document
from inspection.outcomes import PROPOSAL, Judgement
from inspection.seam_limits import judged_rows, seam_judgement, seam_outcomes
from inspection.seam_rows import KeptRows
from inspection.seam_source import Source
from inspection.seam_summary import (
    Columns,
    Threshold,
    gaps,
    over,
    quantities,
    undercut_in_window,
    worst,
)
from inspection.settings import Settings, settings_entry

SCHEMA = "toeline.seam/1"
Read = Callable[[], Iterator[Entry]]


@dataclass(frozen=True, slots=True)
class Seam:
    """A scanned seam: its columns of numbers, the document without its sections, and a way to read those again."""

    columns: Columns
    content: Entry
    rows: Read


def seam(
    source: Source,
    settings: Settings,
    calibration: Calibration | None,
    rows: Read,
    thresholds: Sequence[Threshold],
    by: Judgement | None,
    *,
    complete: bool,
) -> Seam:
    """Return a seam from its sections.

    Parameters
    ----------
    rows
        Gives the sections from the first one on, as often as it is called.
    complete
        Whether all sections of the source are among them.
    """
    columns = Columns(source.pitch_mm)
    for entry in rows():
        columns.add(entry)
    judged, failing = rows, None
    content: Entry = {}
    if by is not None:
        judgement = seam_judgement(by, settings.thickness_mm, rows(), columns, complete=complete)
        outcomes, failing = seam_outcomes(rows(), judgement, columns)
        judged = lambda: judged_rows(rows(), judgement)  # noqa: E731
        content = {"outcomes": outcomes, "assessment": _assessment(by, judgement.given)}
    measured = len(columns) - len(columns.errors)
    head = document([])
    return Seam(
        columns,
        {
            "schema": SCHEMA,
            "tool": head["tool"],
            "source": {
                "path": as_name(source.path),
                "kind": source.kind,
                "sections": len(columns),
                "measured": measured,
                "fingerprint": source.fingerprint,
                "notes": list(source.notes),
            },
            "calibration": None if calibration is None else {"kind": calibration.kind, "sha256": calibration.sha256},
            "settings": settings_entry(settings),
            "pitch_mm": source.pitch_mm,
            "length_mm": round(columns.length_mm, 6),
            "complete": complete,
            "joints": dict(columns.joints),
            "summary": quantities(columns),
            "over": [over(columns, threshold) for threshold in thresholds],
            "gaps": gaps(columns),
            "undercut": undercut_in_window(columns, thresholds),
            "worst": failing or worst(columns, thresholds),
            **content,
        },
        judged,
    )


def _assessment(by: Judgement, given: Given) -> Entry:
    return {
        "criteria": list(by.criteria),
        "required": list(by.requirements),
        "rule": str(by.rule),
        "units": by.system,
        "given": {
            item.name: value
            for item in fields(given)
            if item.name != "extents" and (value := getattr(given, item.name)) is not None
        },
        "note": PROPOSAL,
    }


def as_chunks(found: Seam) -> Iterator[str]:
    """Yield the document as JSON text, one section a line, the sections before the summary."""
    head = ("schema", "tool", "source", "calibration")
    yield "{\n"
    for name in head:
        yield f" {json.dumps(name)}: {json.dumps(found.content[name], allow_nan=False)},\n"
    yield ' "sections": ['
    between = "\n  "
    for line in _lines(found.rows):
        yield between + line
        between = ",\n  "
    yield "\n ]"
    for name, value in found.content.items():
        if name not in head:
            yield f",\n {json.dumps(name)}: {json.dumps(value, allow_nan=False)}"
    yield "\n}\n"


def _lines(rows: Read) -> Iterator[str]:
    """Yield sections as text: the rows of a file are that already."""
    if isinstance(rows, KeptRows):
        return rows.lines()
    return (json.dumps(entry, allow_nan=False) for entry in rows())


def write_chunks(path: Path, chunks: Iterable[str]) -> None:
    """Write a file whole or not at all, without ever holding it whole.

    Raises
    ------
    UnreadableFile
        When it cannot be written.
    """
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.writelines(chunks)
        umask = os.umask(0)
        os.umask(umask)
        Path(temporary).chmod(0o666 & ~umask)
        Path(temporary).replace(path)
    except OSError as error:
        raise UnreadableFile(
            f"{path}: the file cannot be written: {error.strerror or error}.", code="unwritable_file"
        ) from None
    finally:
        if temporary is not None:
            with suppress(OSError):
                Path(temporary).unlink(missing_ok=True)
