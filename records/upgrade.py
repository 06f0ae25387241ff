"""A store is made, recognised, or taken from an older version to the present one."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import URL, Connection, Engine, inspect, text

from core.errors import UnreadableFile
from records.engine import connect, database_errors, reading, writing
from records.location import Location
from records.migrations import REVISIONS, VERSION_TABLE

SQLITE_HEADER = b"SQLite format 3\0"
_LOCK = 7431_0017
"""Number of the advisory lock under which a PostgreSQL store is made or taken on."""


def prepare(location: Location, tell: Callable[[str], None]) -> Engine:
    """Return the engine of a store of the present version, made or migrated where needed.

    Raises
    ------
    UnreadableFile
        When the file is no store, is damaged, is newer than this program, or cannot be written.
    """
    if location.path is not None and not _is_there(location.path, location.shown):
        _make_file(location)
    engine = connect(location)
    try:
        with reading(engine, location.shown) as connection:
            found = _version(connection, location.shown)
        if found is None and location.path is not None:
            raise UnreadableFile(f"{location.shown}: this is another program's database: name another file.")
        if found != REVISIONS[-1]:
            _migrate(engine, location, tell)
    except BaseException:
        engine.dispose()
        raise
    return engine


def migrate_to(connection: Connection, revision: str) -> None:
    """Take the database to a version, inside the transaction of the connection."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def _is_there(path: Path, shown: str) -> bool:
    """Tell whether there is a store file; what would silently become an empty store is refused."""
    try:
        if path.is_dir():
            raise UnreadableFile(f"{shown}: this is a folder: name a file for the store.")
        log_is_there = Path(f"{path}-wal").exists()  # looked for first: another program may be making the store now
        if not path.exists():
            if log_is_there:
                raise UnreadableFile(
                    f"{shown}: the store is missing while its log {path.name}-wal is there: bring the store back, "
                    "or move the log away to begin a new one.",
                    code="store_damaged",
                )
            return False
        with path.open("rb") as file:
            start = file.read(len(SQLITE_HEADER))
    except OSError as error:
        raise UnreadableFile(f"{shown}: the store cannot be opened: {error.strerror}.") from None
    if not start:
        raise UnreadableFile(
            f"{shown}: the file is empty, it may have lost its content: bring it back from your backup, "
            "or remove it to begin a new store.",
            code="store_damaged",
        )
    if start != SQLITE_HEADER:
        raise UnreadableFile(f"{shown}: this is no store of records, or a damaged one: name another file.")
    return True


def _make_file(location: Location) -> None:
    """Make a new store under another name, which then takes the wanted one unless somebody was faster."""
    path = location.path
    assert path is not None
    part = path.with_name(f".{path.name[:40]}.{os.getpid()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
    except OSError as error:
        raise UnreadableFile(
            f"{location.shown}: the store cannot be made here: {error.strerror}.", code="store_unwritable"
        ) from None
    engine = connect(Location(URL.create("sqlite", database=str(part)), part, location.shown))
    try:
        with writing(engine, location.shown) as connection:
            migrate_to(connection, REVISIONS[-1])
        with database_errors(location.shown), engine.connect() as connection:
            raw = connection.connection.dbapi_connection
            assert raw is not None
            connection.rollback()
            raw.execute("PRAGMA journal_mode = WAL")  # kept in the file from here on
        _take_name(part, path, location.shown)
    finally:
        engine.dispose()
        for rest in (part, Path(f"{part}-wal"), Path(f"{part}-shm"), Path(f"{part}-journal")):
            with contextlib.suppress(OSError):
                rest.unlink(missing_ok=True)


def _take_name(part: Path, path: Path, shown: str) -> None:
    try:
        os.link(part, path)  # refuses to take the place of a file, unlike a renaming
    except FileExistsError:
        pass
    except OSError:
        try:  # a file system without links
            if not path.exists():
                part.rename(path)
        except OSError as error:
            raise UnreadableFile(
                f"{shown}: the store cannot be made here: {error.strerror}.", code="store_unwritable"
            ) from None


def _version(connection: Connection, shown: str) -> str | None:
    """Return the version of the store, None where there is none."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalars().all()
    if len(found) != 1:
        raise UnreadableFile(f"{shown}: the store does not say its version: it is damaged.", code="store_damaged")
    if found[0] not in REVISIONS:
        raise UnreadableFile(
            f"{shown}: the store is of version {found[0]}, newer than this program knows ({REVISIONS[-1]}): "
            "install a newer Toeline.",
            code="store_too_new",
        )
    return str(found[0])


def _migrate(engine: Engine, location: Location, tell: Callable[[str], None]) -> None:
    with writing(engine, location.shown) as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": _LOCK})
        found = _version(connection, location.shown)
        if found == REVISIONS[-1]:
            return  # another program was faster
        if found is not None:
            kept = (
                "" if location.path is None else f", a copy of the old one is kept as {_back_up(location, found).name}"
            )
            tell(f"{location.shown}: the store is taken from version {found} to {REVISIONS[-1]}{kept}.")
        try:
            migrate_to(connection, REVISIONS[-1])
        except ValueError:
            raise UnreadableFile(
                f"{location.shown}: an entry of the old store is damaged, so the store was left as it is: "
                "go on with a copy from your backup.",
                code="store_damaged",
            ) from None


def _back_up(location: Location, found: str) -> Path:
    """Copy a store file whole, the log included, before it is changed; no earlier copy is overwritten."""
    path = location.path
    assert path is not None
    names = (f"{path.name}.{found}{again}" for again in ("", *(f"-{number}" for number in range(2, 1000))))
    target = next(path.with_name(name) for name in names if not path.with_name(name).exists())
    part = path.with_name(f".{target.name[:60]}.{os.getpid()}.new")
    try:
        source, copy = sqlite3.connect(path), sqlite3.connect(part)
        try:
            source.backup(copy)
        finally:
            source.close()
            copy.close()
        part.replace(target)
    except (sqlite3.Error, OSError) as error:
        part.unlink(missing_ok=True)
        raise UnreadableFile(
            f"{location.shown}: no copy of the old store could be kept, so it was left as it is: {error}.",
            code="store_unwritable",
        ) from None
    return target
