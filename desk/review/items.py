"""What waits at the desk: the welds of a result file, of a folder with one, or of the records."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from core.errors import ToelineError, UsageError
from inspection.repeat import found
from vision.picture import read_bytes

if TYPE_CHECKING:
    from records.entry import Record
    from records.store import Store

RESULT = "result.json"


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """One weld that waits, or was decided.

    Attributes
    ----------
    id
        Its number at this desk; the page knows nothing else of it.
    entry
        Its entry of the result document, with this one weld.
    folder
        Where files named in the entry are looked for.
    problem
        Why it cannot be opened, None when it can.
    tool
        Name and version of the program that measured it.
    record, last
        Its record, and the number of the record's latest entry that was seen here.
    state, decided
        "waiting", "confirmed" or "rejected"; who decided, when and why.
    moves
        Points that were moved in the latest correction, by name, px.
    kept
        SHA-256 of the files that its record keeps, by name.
    """

    id: str
    entry: Mapping[str, Any]
    folder: Path
    problem: str | None = None
    tool: Mapping[str, Any] | None = None
    record: str | None = None
    last: int | None = None
    state: str = "waiting"
    decided: Mapping[str, Any] | None = None
    moves: Mapping[str, Any] = field(default_factory=dict)
    kept: Mapping[str, str] = field(default_factory=dict)
    identification: Mapping[str, str] = field(default_factory=dict)

    @property
    def weld(self) -> Mapping[str, Any] | None:
        return self.entry["welds"][0] if self.entry["welds"] else None

    @property
    def name(self) -> str:
        """The file name of the picture, as a person knows it."""
        return str(self.entry["source"]["path"]).replace("\\", "/").rpartition("/")[2] or "(no name)"


def of_result(path: Path, store: Store | None) -> list[Item]:
    """Return the welds of a result file, or of the result file in a folder.

    Raises
    ------
    UsageError, UnreadableFile
        When there is no result file, or it is none.
    """
    from inspection.schema import read_result

    if path.is_dir():
        path = path / RESULT
        if not path.is_file():
            raise UsageError(f"{path.parent}: there is no {RESULT} in this folder: write one with measure --output.")
    read_result(path)  # checks it; what is kept is what the file says, to the letter
    document = json.loads(read_bytes(path))
    items: list[Item] = []
    for entry in document["results"]:
        for weld in entry["welds"] or [None]:
            single = entry | {"welds": [] if weld is None else [weld]}
            item = Item(str(len(items) + 1), single, path.parent, tool=document["tool"])
            items.append(_with_record(replace(item, problem=_problem(item)), store))
    return items


def of_records(store: Store) -> list[Item]:
    """Return what waits in the records."""
    items: list[Item] = []
    for line in store.records(state="waiting"):
        number = str(len(items) + 1)
        try:
            record = store.record(line.id)
            items.append(of_record(number, record))
        except ToelineError as error:
            entry = {"source": {"path": line.source or line.id}, "welds": []}
            items.append(Item(number, entry, Path(), problem=str(error), record=line.id))
    return items


def of_record(number: str, record: Record) -> Item:
    """Return the item of a record: what was measured, with the points of its latest correction."""
    first = record.entries[0].body
    entry = {
        "source": first["source"],
        "calibration": first["calibration"],
        "settings": first["settings"] or {},
        "welds": [first["weld"]],
        "error": None,
        "assessment": first.get("limits"),
    }
    item = Item(
        number,
        entry,
        Path(),
        tool=first.get("tool"),
        record=record.id,
        kept=record.entries[0].attachments,
        identification=record.identification,
    )
    problem = None if {"picture", "profile"} & set(item.kept) else _problem(item)
    return seen(replace(item, problem=problem), record)


def seen(item: Item, record: Record) -> Item:
    """Return an item with what its record says now."""
    decision = record.decision
    decided = None if decision is None else {"who": decision.who, "at": decision.at, "why": decision.why}
    moved = record.current.get("moved") or []
    return replace(
        item,
        record=record.id,
        last=record.last.number,
        state=record.state,
        decided=decided,
        moves={part["name"]: part["to"] for part in moved},
    )


def _with_record(item: Item, store: Store | None) -> Item:
    """Look for the record that an earlier sitting opened for the very same measurement."""
    if store is None or item.weld is None:
        return item
    for line in reversed(store.records(source=item.name, weld=str(item.weld["id"]))):
        record = store.record(line.id)
        first = record.entries[0].body
        same = first["source"]["sha256"] == item.entry["source"]["sha256"]
        if same and first["weld"]["measurements"] == item.weld["measurements"]:
            return seen(item, record)
    return item


@lru_cache(maxsize=4096)
def _digest(path: str, size: int, changed_ns: int) -> str:
    """Return the hash of a file; one picture with several welds is read once."""
    del size, changed_ns
    return hashlib.sha256(read_bytes(path)).hexdigest()


def _problem(item: Item) -> str | None:
    """Return why an item cannot be opened."""
    error = item.entry.get("error")
    if item.weld is None:
        return str(error["message"]) if error else "nothing was measured in this file."
    source = item.entry["source"]
    try:
        path = found(str(source["path"]), item.folder)
        about = path.stat()
        digest = _digest(str(path), about.st_size, about.st_mtime_ns)
        calibration = (item.entry.get("settings") or {}).get("calibration")
        if calibration is not None:
            found(str(calibration), item.folder)
    except ToelineError as problem:
        return str(problem)
    except OSError as problem:
        return f"{item.name}: the file cannot be read: {problem.strerror}."
    if digest != source["sha256"]:
        return f"{item.name}: this is no longer the file that was measured: put the original back."
    return None
