"""The store of records: entries are added and read, never changed."""

from __future__ import annotations

import datetime
import hashlib
import json
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, fields
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Engine, Integer, Row, cast, func, insert, select, update

from core.errors import UnreadableFile, UsageError
from records.engine import reading, writing
from records.entry import (
    FIRST_PREVIOUS,
    KINDS,
    NEEDS_WHY,
    Entry,
    Problem,
    Record,
    Summary,
    canonical,
    compact,
    entry_hash,
    sealed,
    summaries,
    summary_part,
)
from records.location import default_location, locate
from records.tables import ATTACHMENT, ENTRY, HEAD
from records.upgrade import prepare
from records.verify import problems

__all__ = [
    "MAX_ATTACHMENT_BYTES",
    "Entry",
    "Problem",
    "Record",
    "Store",
    "Summary",
    "default_location",
    "open_store",
]

MAX_ATTACHMENT_BYTES = 64 << 20
"""Larger pictures are not kept, only their hash: a store of many would be hard to copy."""
MAX_BODY_BYTES = 16 << 20
MAX_TEXT = 4000
_NOTHING: Mapping[str, bytes] = MappingProxyType({})


def _tell(message: str) -> None:
    print(f"toeline: {message}", file=sys.stderr)


def open_store(where: str | Path | None = None, *, make: bool = True, tell: Callable[[str], None] = _tell) -> Store:
    """Open a store, made when there is none, taken to the present version after saying so.

    Parameters
    ----------
    where
        File, ``postgresql://`` URL, or None for TOELINE_RECORDS and then `default_location`.
    make
        Whether a file that is named may be a new store; who only reads has mistyped it, and an empty one would hold.
    tell
        What takes the sentence about a change of version, the standard error by default.

    Raises
    ------
    UsageError, UnreadableFile
        When it is no place for a store, no store, a damaged or a newer one, or cannot be written.
    """
    location = locate(where)
    if not make and where is not None and location.path is not None and not location.path.exists():
        raise UnreadableFile(
            f"{location.shown}: there is no such store of records: name the file that --records of "
            'toeline measure or of "toeline records add" was given.',
            code="no_store",
        )
    return Store(prepare(location, tell), location.shown)


class Store:
    """An open store; a context manager, safe to use from several threads and processes at once."""

    def __init__(self, engine: Engine, shown: str) -> None:
        self._engine = engine
        self.shown = shown

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    def add(
        self,
        record: str | None,
        kind: str,
        body: Mapping[str, Any],
        *,
        who: str,
        why: str | None = None,
        attachments: Mapping[str, bytes] = _NOTHING,
        after: int | None = None,
    ) -> Entry:
        """Add one entry and return it; when this returns, the entry is on the disk.

        Parameters
        ----------
        record
            The record it belongs to; None opens a new one, with an entry of kind "measured".
        kind
            One of `records.entry.KINDS`.
        who, why
            The person; the reason, which "corrected" and "rejected" must have.
        attachments
            Files to keep, by name.
        after
            Number of the entry of this record that the person saw last: refused when there are later ones.

        Raises
        ------
        UsageError
            When the entry cannot be kept as it is, or the record is not known or has moved on.
        UnreadableFile
            When the store cannot be written; nothing of the entry is kept then.
        """
        _check(record, kind, who, why, attachments)
        text = compact(dict(body))
        if len(text.encode("utf-8")) > MAX_BODY_BYTES:
            raise UsageError(f"the entry is larger than {MAX_BODY_BYTES >> 20} MB and is not kept.", code="bad_entry")
        files = {name: hashlib.sha256(data).hexdigest() for name, data in attachments.items()}
        why = (why or "").strip() or None
        with self._writing() as connection:
            number, previous = self._head(connection)
            record = _new_name(connection) if record is None else _known(connection, record, after)
            at = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")
            entry = Entry(number + 1, record, kind, at, who.strip(), why, json.loads(text), files, previous, "")
            entry = sealed(entry)
            for name, data in attachments.items():
                _keep_file(connection, files[name], data)
            row = asdict(entry) | {
                "body": text,
                "attachments": compact(files),
                "summary": canonical(summary_part(kind, entry.body)),
            }
            connection.execute(insert(ENTRY).values(row))
            connection.execute(update(HEAD).where(HEAD.c.id == 1).values(number=entry.number, hash=entry.hash))
        return entry

    def records(self, **filters: str | None) -> list[Summary]:
        """Return the records, oldest first; filters compare fields of `Summary`, None filters nothing.

        Raises
        ------
        UsageError
            When there is no such field.
        """
        known = [field.name for field in fields(Summary)]
        for name in filters:
            if name not in known:
                raise UsageError(f"records cannot be chosen by {name!r}, only by {', '.join(known)}.")
        columns = (ENTRY.c.record, ENTRY.c.kind, ENTRY.c.at, ENTRY.c.summary)
        with self._reading() as connection:
            rows = connection.execute(select(*columns).order_by(ENTRY.c.number)).all()
        found = summaries((record, kind, at, _content(summary)) for record, kind, at, summary in rows)
        wanted = {name: value for name, value in filters.items() if value is not None}
        return [line for line in found if all(getattr(line, name) == value for name, value in wanted.items())]

    def record(self, id: str) -> Record:
        """Return one record, each of its entries compared with its hash.

        Raises
        ------
        UsageError
            When there is no such record.
        UnreadableFile
            When an entry is not as it was written.
        """
        with self._reading() as connection:
            rows = connection.execute(select(ENTRY).where(ENTRY.c.record == id).order_by(ENTRY.c.number)).all()
        if not rows:
            raise _unknown(id)
        entries = tuple(entry_of(row) for row in rows)
        for entry in entries:
            if entry_hash(entry) != entry.hash:
                raise UnreadableFile(
                    f"{self.shown}: entry {entry.number} of {id} was changed after it was written: "
                    'do not rely on this record, run "toeline records verify".',
                    code="record_changed",
                )
        return Record(id, entries)

    def attachment(self, sha256: str) -> bytes:
        """Return a kept file.

        Raises
        ------
        UsageError
            When there is none of this hash.
        UnreadableFile
            When it is not as it was written.
        """
        with self._reading() as connection:
            data = connection.execute(select(ATTACHMENT.c.data).where(ATTACHMENT.c.sha256 == sha256)).scalar()
        if data is None:
            raise UsageError(f"no file with the hash {sha256[:16]!r} is kept in this store.", code="unknown_file")
        if not isinstance(data, bytes) or hashlib.sha256(data).hexdigest() != sha256:
            raise UnreadableFile(
                f'{self.shown}: the kept file {sha256[:16]} was changed: run "toeline records verify".',
                code="record_changed",
            )
        return data

    def head(self) -> tuple[int, str]:
        """Return number and hash of the last entry: 0 and zeros while the store is empty."""
        with self._reading() as connection:
            row = connection.execute(select(HEAD.c.number, HEAD.c.hash).where(HEAD.c.id == 1)).first()
        return (0, FIRST_PREVIOUS) if row is None else (row.number, row.hash)

    def verify(self, expect: str | None = None) -> list[Problem]:
        """Return every place at which the store is not as it was written, none when the whole chain holds.

        Parameters
        ----------
        expect
            A hash noted elsewhere, as on a printed report: it must be in the chain. Without it nobody can tell that
            the last entries were taken away together with the head, or that all was written anew.
        """
        with self._reading() as connection:
            return problems(connection, expect)

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with reading(self._engine, self.shown) as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with writing(self._engine, self.shown) as connection:
            yield connection

    def _head(self, connection: Connection) -> tuple[int, str]:
        """Return number and hash of the last entry, with the lock of the writer."""
        head = connection.execute(select(HEAD.c.number, HEAD.c.hash).where(HEAD.c.id == 1).with_for_update()).first()
        last = connection.execute(select(ENTRY.c.number, ENTRY.c.hash).order_by(ENTRY.c.number.desc()).limit(1)).first()
        if head is None or (last is None and head.number != 0) or (last is not None and tuple(last) != tuple(head)):
            raise UnreadableFile(
                f"{self.shown}: the last entry is not the one that was written last, nothing is added: "
                'run "toeline records verify".',
                code="record_changed",
            )
        return head.number, head.hash


def _content(text: str) -> Any:
    """Return what a text of the store says.

    Raises
    ------
    UnreadableFile
        When it is damaged; `Store.verify` tells which entry.
    """
    try:
        return json.loads(text)
    except (ValueError, RecursionError, TypeError):
        message = (
            "an entry of the store is damaged: run toeline records verify, and go on with a copy from your backup."
        )
        raise UnreadableFile(message, code="store_damaged") from None


def entry_of(row: Row[Any]) -> Entry:
    """Return the entry of a row of its table."""
    return Entry(
        row.number, row.record, row.kind, row.at, row.who, row.why,
        _content(row.body), _content(row.attachments), row.previous, row.hash,
    )  # fmt: skip


def _check(record: str | None, kind: str, who: str, why: str | None, attachments: Mapping[str, bytes]) -> None:
    if kind not in KINDS:
        raise UsageError(f"an entry of kind {kind!r} is not known, use {', '.join(KINDS)}.", code="bad_entry")
    if record is None and kind != "measured":
        raise UsageError(f"a record begins with a measurement, not with an entry of kind {kind!r}.", code="bad_entry")
    if not who.strip():
        raise UsageError("an entry needs the name of the person who makes it.", code="who_missing")
    if kind in NEEDS_WHY and not (why or "").strip():
        raise UsageError(f"an entry of kind {kind!r} needs a reason.", code="why_missing")
    for name in (who, why or "", *attachments):
        if len(name) > MAX_TEXT or "\0" in name:
            raise UsageError(f"a name or a reason must be text of at most {MAX_TEXT} characters.", code="bad_entry")
    for name, data in attachments.items():
        if len(data) > MAX_ATTACHMENT_BYTES:
            raise UsageError(
                f"{name}: the file has more than the {MAX_ATTACHMENT_BYTES >> 20} MB that are kept.",
                code="attachment_too_large",
            )


def _new_name(connection: Connection) -> str:
    used = connection.execute(select(func.max(cast(func.substr(ENTRY.c.record, 3), Integer)))).scalar()
    return f"W-{(used or 0) + 1:06d}"


def _known(connection: Connection, record: str, after: int | None) -> str:
    last = connection.execute(select(func.max(ENTRY.c.number)).where(ENTRY.c.record == record)).scalar()
    if last is None:
        raise _unknown(record)
    if after is not None and last != after:
        raise UsageError(
            f"{record} was changed by somebody else meanwhile: look at it again before you decide.", code="record_moved"
        )
    return record


def _unknown(record: str) -> UsageError:
    return UsageError(f'there is no record {record!r}: see "toeline records list".', code="unknown_record")


def _keep_file(connection: Connection, sha256: str, data: bytes) -> None:
    known = connection.execute(select(ATTACHMENT.c.sha256).where(ATTACHMENT.c.sha256 == sha256)).first()
    if known is None:
        connection.execute(insert(ATTACHMENT).values(sha256=sha256, data=data))
