"""``verify`` finds every change, removal and insertion that it says it finds, and says what it cannot find."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError

from core.errors import UnreadableFile
from records.entry import canonical, entry_hash
from records.location import locate
from records.store import open_store


@pytest.fixture(scope="module")
def filled_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store file to copy: making one anew for each test takes longer than the test."""
    return Path(fill(str(tmp_path_factory.mktemp("filled") / "records.db")))


@pytest.fixture
def filled(where: str, filled_file: Path) -> str:
    if where.startswith("postgresql"):
        return fill(where)
    shutil.copy(filled_file, where)
    return where


def fill(where: str) -> str:
    """Make a store of three records, six entries, one of them with two files."""
    body = {"source": {"name": "tee.jpg"}, "weld": {"id": "1", "leg": 6.39}, "identification": {"job": "Footbridge"}}
    with open_store(where) as store:
        store.add(None, "measured", body, who="A", attachments={"picture": b"picture", "calibration": b"{}"})
        store.add(None, "measured", body, who="A", attachments={"picture": b"picture"})
        store.add("W-000001", "confirmed", {}, who="B")
        store.add(None, "measured", body, who="A")
        store.add("W-000002", "rejected", {}, who="B", why="blurred")
        store.add("W-000003", "confirmed", {}, who="B")
        assert store.verify() == []
    return where


def found(where: str, expect: str | None = None) -> list[str]:
    with open_store(where) as store:
        return [problem.message for problem in store.verify(expect)]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("kind", "rejected"),
        ("at", "2020-01-01T00:00:00.000+00:00"),
        ("who", "C"),
        ("why", "because"),
        ("record", "W-000002"),
        ("body", '{"a":1}'),
        ("body", "{}  "),
        ("body", "no JSON"),
        ("body", "[]"),
        ("attachments", '{"picture":"0"}'),
        ("hash", "f" * 64),
        ("summary", '{"job":"another"}'),
    ],
)
def test_a_changed_entry(filled: str, tamper, column: str, value: str) -> None:
    tamper(filled, f"UPDATE toeline_entry SET {column} = :value WHERE number = 3", value=value)
    messages = found(filled)
    assert messages
    assert "entry 3" in messages[0]


def test_a_changed_number_inside_a_body(filled: str, tamper) -> None:
    """The forgery that pays: a leg of 6.39 mm made 8.39 mm. Reading the record is refused, too."""
    tamper(filled, "UPDATE toeline_entry SET body = replace(body, '6.39', '8.39') WHERE number = 1")
    assert found(filled) == ["entry 1 of W-000001 was changed after it was written"]
    with open_store(filled) as store, pytest.raises(UnreadableFile, match="entry 1 of W-000001 was changed"):
        store.record("W-000001")


def test_a_changed_entry_with_its_hash_made_anew(filled: str, tamper) -> None:
    with open_store(filled) as store:
        entry = store.record("W-000001").entries[1]
    forged = entry_hash(replace(entry, who="C"))
    tamper(filled, "UPDATE toeline_entry SET who = 'C', hash = :hash WHERE number = 3", hash=forged)
    assert found(filled) == ["entry 4 does not follow the entry before it: one of them was changed or put in"]


@pytest.mark.parametrize("number", [1, 3, 5])
def test_a_removed_entry(filled: str, tamper, number: int) -> None:
    tamper(filled, f"DELETE FROM toeline_entry WHERE number = {number}")
    assert f"before entry {number + 1} there is a gap: {number} was taken out" in found(filled)


def test_a_removed_entry_with_the_numbers_closed_up(filled: str, tamper) -> None:
    tamper(
        filled,
        "DELETE FROM toeline_entry WHERE number = 3",
        *(f"UPDATE toeline_entry SET number = {number - 1} WHERE number = {number}" for number in (4, 5, 6)),
    )
    messages = found(filled)
    assert "entry 3 does not follow the entry before it: one of them was changed or put in" in messages
    assert any("head" in message or "last entries" in message for message in messages)


def test_the_last_entries_removed_and_the_head_left(filled: str, tamper, body: dict) -> None:
    tamper(filled, "DELETE FROM toeline_entry WHERE number > 4")
    assert found(filled) == ["the last entries were taken out: 6 were written, the last one found is 4"]
    with open_store(filled) as store, pytest.raises(UnreadableFile, match="nothing is added"):
        store.add(None, "measured", body, who="A")


def test_the_last_entries_removed_with_the_head_need_a_hash_noted_elsewhere(filled: str, tamper) -> None:
    with open_store(filled) as store:
        noted, kept = store.head()[1], store.record("W-000003").entries[0].hash
    tamper(
        filled,
        "DELETE FROM toeline_entry WHERE number > 4",
        "UPDATE toeline_head SET number = 4, hash = (SELECT hash FROM toeline_entry WHERE number = 4)",
    )
    assert found(filled) == []  # what the chain by itself cannot know
    assert found(filled, kept) == []
    (message,) = found(filled, noted[:16].upper())
    assert message.startswith(f"no entry has the hash {noted[:16]}")


def test_a_chain_written_anew_needs_a_hash_noted_elsewhere(filled: str, tamper) -> None:
    with open_store(filled) as store:
        noted = store.head()[1]
        entries = sorted((e for n in (1, 2, 3) for e in store.record(f"W-00000{n}").entries), key=lambda e: e.number)
    previous, statements = entries[2].previous, []
    for entry in entries[2:]:
        forged = replace(entry, who="C", previous=previous)
        previous = entry_hash(forged)
        statements.append(
            f"UPDATE toeline_entry SET who = 'C', previous = '{forged.previous}', hash = '{previous}' "
            f"WHERE number = {entry.number}"
        )
    tamper(filled, *statements, f"UPDATE toeline_head SET hash = '{previous}'")
    assert found(filled) == []
    assert len(found(filled, noted)) == 1
    assert found(filled, entries[1].hash) == []  # nothing up to there has changed


def test_an_entry_put_in_at_the_end(filled: str, tamper) -> None:
    with open_store(filled) as store:
        last = store.record("W-000003").last
    forged = replace(last, number=7, kind="rejected", why="x", previous=last.hash)
    tamper(
        filled,
        "INSERT INTO toeline_entry (number, record, kind, at, who, why, body, attachments, previous, hash, summary) "
        "VALUES (7, 'W-000003', 'rejected', :at, 'B', 'x', '{}', '{}', :previous, :hash, '{}')",
        at=last.at, previous=last.hash, hash=entry_hash(forged),
    )  # fmt: skip
    assert found(filled) == ["the head of the chain is not the last entry: entries were put in or the head was changed"]


def test_a_record_that_begins_with_a_decision(filled: str, tamper) -> None:
    tamper(filled, "UPDATE toeline_entry SET record = 'W-000009' WHERE number = 6")
    assert "record W-000009 does not begin with a measurement but with entry 6" in found(filled)


@pytest.mark.parametrize(
    ("statement", "message"),
    [
        ("UPDATE toeline_attachment SET data = :data WHERE data = :old",
         "the file 'picture' of entry 1 of W-000001 was changed"),
        ("DELETE FROM toeline_attachment WHERE data = :old", "the file 'picture' of entry 1 of W-000001 is missing"),
    ],
)  # fmt: skip
def test_changed_files(filled: str, tamper, statement: str, message: str) -> None:
    with open_store(filled) as store:
        sha256 = store.record("W-000001").entries[0].attachments["picture"]
    values = {"data": b"forged", "old": b"picture"} if ":data" in statement else {"old": b"picture"}
    tamper(filled, statement, **values)
    assert found(filled) == [message]
    if "changed" in message:
        with open_store(filled) as store, pytest.raises(UnreadableFile, match="was changed"):
            store.attachment(sha256)


def test_a_file_put_in(filled: str, tamper) -> None:
    statement = "INSERT INTO toeline_attachment (sha256, data) VALUES (:sha256, :data)"
    sha256 = "2c26b46b68ffc68ff99b453c1d30413413422d706483bfa0f98a5e886266e7ae"  # of b"foo", FIPS 180-4 by sha256sum
    tamper(filled, statement, sha256=sha256, data=b"foo")
    assert found(filled) == ["the kept file 2c26b46b68ffc68f belongs to no entry"]


def test_the_head_removed(filled: str, tamper, body: dict) -> None:
    tamper(filled, "DELETE FROM toeline_head")
    assert found(filled) == ["the head of the chain is missing: nobody can tell which entry was the last"]
    with open_store(filled) as store, pytest.raises(UnreadableFile, match="nothing is added"):
        store.add(None, "measured", body, who="A")


FORBIDDEN = [
    "UPDATE toeline_entry SET who = 'C' WHERE number = 3",
    "DELETE FROM toeline_entry WHERE number = 6",
    "UPDATE toeline_attachment SET sha256 = 'x'",
    "DELETE FROM toeline_attachment",
    "DELETE FROM toeline_head",
    "UPDATE toeline_head SET number = 4, hash = (SELECT hash FROM toeline_entry WHERE number = 4)",
    "INSERT INTO toeline_head VALUES (2, 0, '')",
    "INSERT INTO toeline_entry SELECT number + 6, record, kind, at, who, why, body, attachments, previous, 'x', '' "
    "FROM toeline_entry WHERE number = 6",
]


@pytest.mark.parametrize("statement", FORBIDDEN)
def test_the_database_refuses_changes(filled: str, statement: str) -> None:
    refused(filled, statement)


def test_sqlite_refuses_to_replace(filled: str) -> None:
    """INSERT OR REPLACE removes rows without a DELETE; PostgreSQL has TRUNCATE instead."""
    if filled.startswith("postgresql"):
        refused(filled, "TRUNCATE toeline_entry")
        refused(filled, "TRUNCATE toeline_attachment")
        return
    columns = "number, record, kind, at, 'C', why, body, attachments, previous, hash, summary"
    refused(filled, f"INSERT OR REPLACE INTO toeline_entry SELECT {columns} FROM toeline_entry WHERE number = 3")
    refused(filled, "INSERT OR REPLACE INTO toeline_attachment SELECT sha256, 'x' FROM toeline_attachment")


def refused(where: str, statement: str) -> None:
    engine = create_engine(locate(where).url)
    with pytest.raises(DBAPIError, match="never changed"), engine.begin() as connection:
        connection.execute(text(statement))
    engine.dispose()
    assert found(where) == []


def test_the_fence_taken_away(filled: str) -> None:
    engine = create_engine(locate(filled).url)
    with engine.begin() as connection:
        on = "" if engine.dialect.name == "sqlite" else " ON toeline_entry"
        name = "toeline_entry_update" if engine.dialect.name == "sqlite" else "toeline_entry_never"
        connection.execute(text(f"DROP TRIGGER {name}{on}"))
    engine.dispose()
    assert found(filled) == [f"the guard against changes was taken away: {name}"]


def test_hash_by_hand() -> None:
    """The promise of docs/records.md, made again here with nothing of the program but the entry."""
    import hashlib

    from records.entry import Entry

    entry = Entry(1, "W-000001", "measured", "2025-01-01T00:00:00.000+00:00", "Ö", None, {"b": 1.5, "a": "é"},
                  {}, "0" * 64, "")  # fmt: skip
    by_hand = (
        '{"at":"2025-01-01T00:00:00.000+00:00","attachments":{},"body":{"a":"é","b":1.5},"kind":"measured",'
        f'"number":1,"previous":"{"0" * 64}","record":"W-000001","who":"Ö","why":null}}'
    )
    assert entry_hash(entry) == hashlib.sha256(by_hand.encode("utf-8")).hexdigest()
    assert canonical(json.loads(by_hand)) == by_hand
