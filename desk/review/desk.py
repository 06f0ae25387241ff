"""The desk: opens what waits, measures again what is moved, and keeps a person's decision."""

from __future__ import annotations

import json
import tempfile
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from core.errors import ToelineError, UnreadableFile, UsageError
from desk.review import drawn
from desk.review.decision import Decision
from desk.review.items import Item, seen
from desk.review.judged import judged
from inspection.session import Session, open_session

if TYPE_CHECKING:
    from records.store import Store

OPEN_AT_ONCE = 3
"""Pictures that stay open; the one that was not looked at for longest is closed."""


class Desk:
    """What one sitting at the desk knows; safe to use from several threads."""

    def __init__(self, items: list[Item], store: Store, *, operator: str | None = None) -> None:
        self._items = {item.id: item for item in items}
        self._store = store
        self._sessions: dict[str, Session] = {}
        self._lock = threading.RLock()
        self._kept = tempfile.TemporaryDirectory(prefix="toeline-desk-")
        self.operator = operator

    def close(self) -> None:
        """Take away the copies of kept pictures."""
        self._kept.cleanup()

    def listing(self) -> dict[str, Any]:
        """Return every item in a line."""
        with self._lock:
            return {
                "operator": self.operator,
                "records": self._store.shown,
                "items": [_line(item) for item in self._items.values()],
            }

    def opened(self, id: str) -> dict[str, Any]:
        """Return everything about one item: its weld as it stands, as it was found, its picture and its lines."""
        with self._lock:
            known = self._items.get(id)
            if known is not None and known.record is not None and known.problem is None:
                self._items[id] = seen(known, self._store.record(known.record))
        item, session, index = self._open(id)
        entry = item.entry
        moves = session.moves(index, dict(item.moves))
        return {
            "line": _line(item),
            "path": str(entry["source"]["path"]),
            "calibration": entry.get("calibration"),
            "operator": (entry.get("settings") or {}).get("operator"),
            "identification": dict(item.identification),
            "tool": item.tool,
            "size": [session.width_px, session.height_px],
            "picture": session.picture is not None,
            "outlines": drawn.outlines(session),
            "found": item.weld,
            "moves": _points(item.moves),
        } | self._measured(item, session, index, moves)

    def measured(self, id: str, moves: Any, *, moving: bool = False) -> dict[str, Any]:
        """Return one weld with points moved; while they are still moving, without the gauges.

        Raises
        ------
        UsageError, NothingMeasurable
            When the points are no points of this picture, or give no joint.
        """
        item, session, index = self._open(id)
        return self._measured(item, session, index, session.moves(index, moves), gauges=not moving)

    def picture(self, id: str) -> tuple[Path, str]:
        """Return where the picture of an item lies, and its SHA-256."""
        item, session, _ = self._open(id)
        if session.picture is None:
            raise UsageError("there is no picture of a profile.", code="no_picture")
        return session.picture, str(item.entry["source"]["sha256"])

    def decide(self, id: str, value: Any) -> dict[str, Any]:
        """Keep a decision in the records and return the line of the item.

        The measurement comes first, where it is not kept yet; then the correction, the note, and last the
        decision: whatever is cut short leaves a record that still waits.
        """
        decision = Decision.parse(value)
        with self._lock:
            item, session, index = self._open(id)
            moves = session.moves(index, decision.moves)
            moved = moves != session.moves(index, dict(item.moves))
            if moved and decision.kind == "confirmed" and not decision.why:
                raise UsageError("say why the points were moved: the reason is kept with them.", code="why_missing")
            weld = self._weld(item, session, index, moves) if moved else None
            record, last = self._keep(item, decision.who)
            if weld is not None:
                body = self._corrected(item, record, weld, decision.moves, session, index)
                why = decision.why or "moved before the decision"
                last = self._add(record, "corrected", body, decision.who, why, last)
            if decision.note:
                last = self._add(record, "note", {"text": decision.note}, decision.who, None, last)
            about = {"entry": last, "tool": self._tool()}
            self._add(record, decision.kind, about, decision.who, decision.why, last)
            self._items[id] = seen(self._items[id], self._store.record(record))
            return _line(self._items[id])

    def _open(self, id: str) -> tuple[Item, Session, int]:
        with self._lock:
            item = self._items.get(id)
            if item is None:
                raise UsageError("there is no such item at this desk.", code="unknown_item")
            if item.problem is not None or item.weld is None:
                raise UnreadableFile(item.problem or "nothing was measured in this file.")
            session = self._sessions.pop(id, None) or self._session(item)
            self._sessions[id] = session
            while len(self._sessions) > OPEN_AT_ONCE:
                self._sessions.pop(next(iter(self._sessions)))
            index = session.numbers.index(str(item.weld["id"]))
            return item, session, index

    def _session(self, item: Item) -> Session:
        try:
            return open_session(item.entry, folder=item.folder)
        except UnreadableFile:
            if not item.kept:
                raise
        entry, calibration = self._from_records(item)
        return open_session(entry, folder=item.folder, calibration=calibration)

    def _from_records(self, item: Item) -> tuple[Mapping[str, Any], Path | None]:
        """Take the picture and the calibration out of the records, where they are no longer at their place."""
        folder = Path(self._kept.name) / item.id
        folder.mkdir(exist_ok=True)
        source = item.entry["source"]
        for name, sha256 in item.kept.items():
            (folder / name).write_bytes(self._store.attachment(sha256))
        for name in ("picture", "profile"):
            if name in item.kept:
                # The suffix tells a profile's form; nothing else of its old name is used.
                suffix = Path(item.name).suffix if name == "profile" else ""
                path = (folder / name).rename(folder / f"{name}{suffix}")
                source = dict(source) | {"path": str(path)}
        calibration = folder / "calibration" if "calibration" in item.kept else None
        return dict(item.entry) | {"source": source}, calibration

    def _measured(self, item: Item, session: Session, index: int, moves: Any, *, gauges: bool = True) -> dict[str, Any]:
        again = session.measure(index, moves)
        return {
            "weld": judged(item.entry, again, session, gauges=gauges) if moves else item.weld,
            "handles": session.handles(index, moves, again.weld),
            "lines": drawn.lines(session, again.weld),
        }

    def _weld(self, item: Item, session: Session, index: int, moves: Any) -> dict[str, Any]:
        return dict(self._measured(item, session, index, moves)["weld"])

    def _keep(self, item: Item, who: str) -> tuple[str, int]:
        """Return the record of an item, opened now if there is none, and its latest entry that was seen."""
        if item.record is not None and item.last is not None:
            return item.record, item.last
        from records.identification import Identification
        from records.keep import keep_results

        measured_by = (item.entry.get("settings") or {}).get("operator") or who
        kept = next(
            iter(
                keep_results(
                    self._store,
                    [item.entry],
                    who=measured_by,
                    identification=Identification(item.identification),
                    tool=item.tool,
                    folder=item.folder,
                )
            )
        )
        self._items[item.id] = seen(item, self._store.record(kept.record))
        last = self._items[item.id].last
        assert last is not None
        return kept.record, last

    def _corrected(
        self, item: Item, record: str, weld: Mapping[str, Any], moves: Any, session: Session, index: int
    ) -> dict[str, Any]:
        """Return the body of a correction: that of the measurement, with the new weld and what was moved."""
        first = self._store.record(record).entries[0].body
        before = session.handles(index, {}, session.welds[index])
        moved = [
            {"name": name, "from": before[name] if "plate" in name else before[name][0], "to": point}
            for name, point in moves.items()
        ]
        same = {"id": first["weld"]["id"]}
        return json.loads(json.dumps(dict(first) | {"weld": dict(weld) | same, "moved": moved, "tool": self._tool()}))  # type: ignore[no-any-return]

    def _add(self, record: str, kind: str, body: Mapping[str, Any], who: str, why: str | None, after: int) -> int:
        return self._store.add(record, kind, body, who=who, why=why, after=after).number

    @staticmethod
    def _tool() -> dict[str, str]:
        from inspection.document import document

        return dict(document([])["tool"])


def _points(moves: Mapping[str, Any]) -> dict[str, list[list[float]]]:
    """Return moves with a list of points under every name."""
    return {name: point if "plate" in name else [point] for name, point in moves.items()}


def _line(item: Item) -> dict[str, Any]:
    weld = item.weld
    return {
        "id": item.id,
        "name": item.name,
        "weld": None if weld is None else weld["id"],
        "joint": None if weld is None else weld["joint"],
        "state": item.state,
        "problem": item.problem,
        "record": item.record,
        "decided": item.decided,
        "flags": 0 if weld is None else len(weld["flags"]),
        "outcomes": [] if weld is None else [part["outcome"] for part in weld["outcomes"]],
    }


def as_problem(error: ToelineError) -> dict[str, str]:
    """Return an error as the page shows it."""
    return {"code": error.code, "message": str(error)}
