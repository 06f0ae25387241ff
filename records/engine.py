"""The connection to the database, and its errors as sentences."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.pool import NullPool

from core.errors import UnreadableFile, UsageError
from records.location import Location

WAIT_S = 30
"""How long a writer waits for another before it gives up."""


def connect(location: Location) -> Engine:
    """Return the engine of a place; nothing is opened yet."""
    if location.path is not None:
        return _sqlite(location)
    try:
        return create_engine(
            location.url, pool_size=4, pool_pre_ping=True, pool_timeout=WAIT_S, connect_args={"connect_timeout": 10}
        )
    except ModuleNotFoundError:
        raise UsageError(
            f'{location.shown}: the PostgreSQL driver is not installed: install it with "pip install toeline[shop]".'
        ) from None


def _sqlite(location: Location) -> Engine:
    # A connection a transaction: the last one to close writes the log back, so that the file is whole between calls.
    engine = create_engine(location.url, poolclass=NullPool, connect_args={"timeout": WAIT_S})

    @event.listens_for(engine, "connect")
    def _settle(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # transactions begin where we say, see below
        connection.execute("PRAGMA synchronous = FULL")  # what add() has returned from survives a power cut
        connection.execute("PRAGMA foreign_keys = ON")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A writer takes its lock at once: a reader that turns writer half-way could not wait for another.
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


@contextmanager
def reading(engine: Engine, shown: str) -> Iterator[Connection]:
    """Read in one transaction, so that everything read belongs together."""
    options = {} if engine.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
    with database_errors(shown), engine.connect().execution_options(**options) as connection, connection.begin():
        yield connection


@contextmanager
def writing(engine: Engine, shown: str) -> Iterator[Connection]:
    """Write in one transaction: all of it or nothing, one writer after the other."""
    options: dict[str, Any] = {"writes": True}
    settings: tuple[str, ...] = ()
    if engine.dialect.name != "sqlite":
        # Whatever the server's defaults are: who waited for the head reads it as it is then, a commit is on the disk.
        options["isolation_level"] = "READ COMMITTED"
        settings = (f"SET LOCAL lock_timeout = '{WAIT_S}s'", "SET LOCAL synchronous_commit = on")
    with database_errors(shown), engine.connect().execution_options(**options) as connection, connection.begin():
        for setting in settings:
            connection.exec_driver_sql(setting)
        yield connection


@contextmanager
def database_errors(shown: str) -> Iterator[None]:
    """Turn errors of the database into one sentence each."""
    try:
        yield
    except PoolTimeout:
        raise UnreadableFile(f"{shown}: {_BUSY}.", code="store_busy") from None
    except DBAPIError as error:
        raise _told(shown, error) from None
    except UnicodeDecodeError:  # names and messages of a damaged file need not be text
        raise UnreadableFile(f"{shown}: {_DAMAGED}.", code="store_damaged") from None


_BUSY = "the store is busy with other writers, nothing was written: try again"
_DAMAGED = "the file of the store is damaged or cut short: keep it as it is, and go on with a copy from your backup"
_SENTENCES = (
    (("disk is full", "no space left", "could not extend file"), "store_full",
     "the disk is full, nothing was written, what was kept before is still there: make room and try again"),
    (("disk i/o error",), "store_unwritable",
     "the disk did not take or give the data, perhaps it is full: nothing was written; check the disk and try again"),
    (("database is locked", "lock timeout", "lock_timeout", "too many clients"), "store_busy", _BUSY),
    (("malformed", "not a database", "file is encrypted"), "store_damaged",
     _DAMAGED),
    (("readonly", "permission denied", "unable to open"), "store_unwritable",
     "the store cannot be opened for writing: check the rights of the file and of its folder"),
    (("never changed",), "store_fenced", "entries of the store are never changed or removed: add a new entry"),
)  # fmt: skip


def _told(shown: str, error: DBAPIError) -> UnreadableFile:
    text = " ".join(str(error.orig).split())
    for signs, code, sentence in _SENTENCES:
        if any(sign in text.lower() for sign in signs):
            return UnreadableFile(f"{shown}: {sentence}.", code=code)
    if error.connection_invalidated or "connection" in text.lower():
        return UnreadableFile(
            f"{shown}: the server of the store cannot be reached, nothing was written: {text[:200].rstrip('.')}.",
            code="store_unreachable",
        )
    return UnreadableFile(f"{shown}: the store refuses: {text[:200].rstrip('.')}.", code="store_refuses")
