"""The whole chain gone through again: what was changed, taken out or put in."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Row, select, text

from core.errors import UsageError
from records.entry import FIRST_PREVIOUS, Entry, Problem, canonical, compact, entry_hash, summary_part
from records.tables import ATTACHMENT, ENTRY, HEAD

SHORTEST_EXPECT = 16
FENCED = ("toeline_entry", "toeline_attachment", "toeline_head")


def problems(connection: Connection, expect: str | None) -> list[Problem]:
    """Return all problems of a store, the chain first, then the files, then the store itself."""
    if expect is not None:
        expect = expect.strip().lower()
        if len(expect) < SHORTEST_EXPECT or set(expect) - set("0123456789abcdef"):
            raise UsageError(f"--expect takes the hash as printed, {SHORTEST_EXPECT} or more characters of 0-9, a-f.")
    found = list(_database(connection))
    chain = _Chain(expect)
    for row in connection.execute(select(ENTRY).order_by(ENTRY.c.number)).yield_per(100):
        found += chain.follow(row)
    head = connection.execute(select(HEAD.c.number, HEAD.c.hash).where(HEAD.c.id == 1)).first()
    found += chain.end(None if head is None else (head.number, head.hash))
    found += _files(connection, chain.files)
    found += _fence(connection)
    return found


class _Chain:
    """The walk along the entries: what the next one must be."""

    def __init__(self, expect: str | None) -> None:
        self.number, self.hash = 0, FIRST_PREVIOUS
        self.records: set[str] = set()
        self.files: dict[str, Problem] = {}
        self.expect, self.expect_seen = expect, expect is None

    def follow(self, row: Row[Any]) -> Iterator[Problem]:
        number, record = row.number, row.record
        if number != self.number + 1:
            missing = f"{self.number + 1} to {number - 1}" if number > self.number + 2 else f"{self.number + 1}"
            yield Problem(f"before entry {number} there is a gap: {missing} was taken out", number, record)
        elif row.previous != self.hash:
            yield Problem(
                f"entry {number} does not follow the entry before it: one of them was changed or put in", number, record
            )
        entry = _read(row)
        if entry is None or entry_hash(entry) != row.hash:
            yield Problem(f"entry {number} of {record} was changed after it was written", number, record)
        elif row.summary != canonical(summary_part(entry.kind, entry.body)):
            yield Problem(f"what lists show of entry {number} of {record} was changed", number, record)
        if record not in self.records and row.kind != "measured":
            yield Problem(f"record {record} does not begin with a measurement but with entry {number}", number, record)
        self.records.add(record)
        for name, sha256 in ({} if entry is None else entry.attachments).items():
            where = f"the file {name!r} of entry {number} of {record}"
            self.files.setdefault(str(sha256), Problem(where, number, record))
        self.number, self.hash = number, row.hash
        self.expect_seen = self.expect_seen or str(row.hash).startswith(self.expect or "-")

    def end(self, head: tuple[int, str] | None) -> Iterator[Problem]:
        if head is None:
            yield Problem("the head of the chain is missing: nobody can tell which entry was the last")
        elif not isinstance(head[0], int):  # columns of a damaged file may hold anything
            yield Problem("the head of the chain is damaged: nobody can tell which entry was the last")
        elif head[0] > self.number:
            yield Problem(
                f"the last entries were taken out: {head[0]} were written, the last one found is {self.number}"
            )
        elif head != (self.number, self.hash):
            yield Problem("the head of the chain is not the last entry: entries were put in or the head was changed")
        if not self.expect_seen:
            yield Problem(
                f"no entry has the hash {self.expect}: it was taken out, everything after a place was written anew, "
                "or this is another store"
            )


def _read(row: Row[Any]) -> Entry | None:
    """Return the entry of a row, None when its texts are not as they are written."""
    try:
        body, attachments = json.loads(row.body), json.loads(row.attachments)
        if compact(body) != row.body or compact(attachments) != row.attachments:
            return None
        if not isinstance(body, dict) or not isinstance(attachments, dict):
            return None
    except (ValueError, TypeError, RecursionError, UsageError):
        return None
    return Entry(
        row.number, row.record, row.kind, row.at, row.who, row.why, body, attachments, row.previous, row.hash
    )  # fmt: skip


def _files(connection: Connection, wanted: dict[str, Problem]) -> Iterator[Problem]:
    kept = set()
    for (sha256,) in connection.execute(select(ATTACHMENT.c.sha256)).all():
        if not isinstance(sha256, str):
            yield Problem("a kept file has lost its name")
            continue
        data = connection.execute(select(ATTACHMENT.c.data).where(ATTACHMENT.c.sha256 == sha256)).scalar_one_or_none()
        kept.add(sha256)
        about = wanted.get(sha256)
        where = f"the kept file {sha256[:16]}" if about is None else about.message
        number, record = (None, None) if about is None else (about.number, about.record)
        # A damaged index may not find what it lists, and a damaged cell may hold text.
        if not isinstance(data, bytes) or hashlib.sha256(data).hexdigest() != sha256:
            yield Problem(f"{where} was changed", number, record)
        elif about is None:
            yield Problem(f"{where} belongs to no entry")
    for sha256, about in wanted.items():
        if sha256 not in kept:
            yield Problem(f"{about.message} is missing", about.number, about.record)


def _database(connection: Connection) -> Iterator[Problem]:
    """Ask SQLite about its own file; a server looks after its files itself."""
    if connection.dialect.name == "sqlite":
        for (line,) in connection.execute(text("PRAGMA integrity_check(20)")).all():
            if line != "ok":
                yield Problem(f"the file of the store is damaged: {line}")


def _fence(connection: Connection) -> Iterator[Problem]:
    """Tell when the triggers that refuse changes are gone."""
    if connection.dialect.name == "sqlite":
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        wanted = {f"{table}_{event}" for table in FENCED for event in ("insert", "update", "delete")}
    else:
        query = (
            "SELECT tgname FROM pg_trigger WHERE tgenabled <> 'D' AND tgrelid IN "
            "(to_regclass('toeline_entry'), to_regclass('toeline_attachment'), to_regclass('toeline_head'))"
        )
        wanted = {f"{table}_{event}" for table in FENCED for event in ("never", "truncate")}
        wanted |= {"toeline_entry_insert", "toeline_head_update"}
    missing = wanted - set(connection.execute(text(query)).scalars())
    if missing:
        yield Problem(f"the guard against changes was taken away: {', '.join(sorted(missing))}")
