"""Stores of every version: an old one is taken on without a loss, a newer one is refused."""

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect, text

import records.migrations
from core.errors import UnreadableFile
from records.entry import FIRST_PREVIOUS, Entry, canonical, sealed
from records.location import locate
from records.migrations import REVISIONS, VERSION_TABLE
from records.store import open_store
from records.tables import METADATA
from records.upgrade import migrate_to

ROOT = Path(__file__).resolve().parents[2]


def old_store(where: str, bodies: list[dict]) -> list[Entry]:
    """Make a store of version 1 with a measured entry for each body, written as version 1 wrote them."""
    engine = create_engine(locate(where).url)
    entries: list[Entry] = []
    with engine.begin() as connection:
        migrate_to(connection, "0001")
        for number, body in enumerate(bodies, start=1):
            previous = entries[-1].hash if entries else FIRST_PREVIOUS
            entry = sealed(
                Entry(number, f"W-{number:06d}", "measured", "2025-01-01T00:00:00.000+00:00", "A", None, body, {},
                      previous, "")
            )  # fmt: skip
            connection.execute(
                text("INSERT INTO toeline_entry VALUES (:n, :r, :k, :at, :who, NULL, :body, '{}', :previous, :hash)"),
                {"n": number, "r": entry.record, "k": entry.kind, "at": entry.at, "who": entry.who,
                 "body": canonical(body), "previous": previous, "hash": entry.hash},
            )  # fmt: skip
            entries.append(entry)
    engine.dispose()
    return entries


def version(where: str) -> str:
    engine = create_engine(locate(where).url)
    with engine.connect() as connection:
        found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar_one()
    engine.dispose()
    return found


def test_versions_are_those_of_the_scripts() -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(records.migrations.__file__).parent))
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)
    assert tuple(step.revision for step in reversed(list(script.walk_revisions()))) == REVISIONS


def test_tables_are_those_that_the_versions_make(where: str) -> None:
    with open_store(where):
        pass
    engine = create_engine(locate(where).url)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE, "compare_type": True})
        assert compare_metadata(context, METADATA) == []
    engine.dispose()


def test_an_old_store_is_taken_on_after_saying_so(where: str, body: dict) -> None:
    entries = old_store(where, [body, {"weld": {}}, {**body, "identification": {}}])
    said: list[str] = []
    with open_store(where, tell=said.append) as store:
        (line,) = said
        assert "from version 0001 to 0002" in line
        assert store.verify(entries[-1].hash) == []
        assert store.head() == (3, entries[-1].hash)
        assert store.record("W-000001").entries == (entries[0],)
        assert [summary.job for summary in store.records()] == ["Footbridge", None, None]
        assert store.add("W-000003", "confirmed", {}, who="B").number == 4
        assert store.verify() == []
    with open_store(where, tell=said.append):
        assert len(said) == 1  # once
    if not where.startswith("postgresql"):
        backup = Path(f"{where}.0001")
        assert backup.name in line
        assert version(str(backup)) == "0001"


def test_a_copy_kept_before_is_not_overwritten(tmp_path: Path, body: dict) -> None:
    where = tmp_path / "records.db"
    (tmp_path / "records.db.0001").write_text("an earlier copy")
    old_store(str(where), [body])
    said: list[str] = []
    open_store(where, tell=said.append).close()
    assert (tmp_path / "records.db.0001").read_text() == "an earlier copy"
    assert version(str(tmp_path / "records.db.0001-2")) == "0001"
    assert "records.db.0001-2" in said[0]


def test_an_empty_old_store(where: str, body: dict) -> None:
    old_store(where, [])
    with open_store(where, tell=lambda _: None) as store:
        assert store.verify() == []
        assert store.add(None, "measured", body, who="A").number == 1


def test_a_step_that_fails_leaves_the_old_store(where: str, body: dict) -> None:
    old_store(where, [body])
    engine = create_engine(locate(where).url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE toeline_entry SET body = 'damaged'"))
    engine.dispose()
    with pytest.raises(UnreadableFile, match="an entry of the old store is damaged"):
        open_store(where, tell=lambda _: None)
    assert version(where) == "0001"
    engine = create_engine(locate(where).url)
    assert sorted(inspect(engine).get_table_names()) == ["toeline_attachment", "toeline_entry", VERSION_TABLE]
    engine.dispose()


def test_programs_that_take_a_store_on_at_once(where: str, body: dict) -> None:
    old_store(where, [body] * 5)
    program = (
        "import sys; from records.store import open_store; print('ready', flush=True); sys.stdin.readline();"
        "open_store(sys.argv[1]).close()"
    )
    pipe = subprocess.PIPE
    children = [
        subprocess.Popen(
            [sys.executable, "-c", program, where], cwd=ROOT, stdin=pipe, stdout=pipe, stderr=pipe, text=True
        )
        for _ in range(3)
    ]
    for child in children:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
    for child in children:
        assert child.stdin is not None
        child.stdin.write("go\n")
        child.stdin.flush()
    for child in children:
        _, errors = child.communicate(timeout=60)
        assert child.returncode == 0, errors
        assert errors.count("\n") <= 1
    with open_store(where) as store:
        assert store.verify() == []


def test_a_newer_store_is_refused(where: str, tamper) -> None:
    with open_store(where):
        pass
    tamper(where, f"UPDATE {VERSION_TABLE} SET version_num = '0099'")
    with pytest.raises(UnreadableFile, match=r"of version 0099, newer than this program knows \(0002\): install"):
        open_store(where)
    assert version(where) == "0099"


def test_a_store_without_its_version_is_refused(where: str, tamper) -> None:
    with open_store(where):
        pass
    tamper(where, f"DELETE FROM {VERSION_TABLE}")
    with pytest.raises(UnreadableFile, match="does not say its version"):
        open_store(where)


def test_no_copy_no_change(tmp_path: Path, body: dict, monkeypatch: pytest.MonkeyPatch) -> None:
    """An old file is changed only when a copy of it could be kept."""
    where = str(tmp_path / "records.db")
    old_store(where, [body])

    def fail(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("records.upgrade.sqlite3.connect", fail)
    with pytest.raises(UnreadableFile, match="so it was left as it is"):
        open_store(where, tell=lambda _: None)
    monkeypatch.undo()
    assert version(where) == "0001"
