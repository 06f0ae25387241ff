"""Files of a store that were cut, changed, copied, lost, or are none at all."""

import os
import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from core.errors import UnreadableFile
from records.store import open_store

BODY = {"source": {"name": "tee.jpg"}, "weld": {"id": "1"}, "identification": {"job": "J"}}


@pytest.mark.parametrize("share", [0, 1, 50, 99, 512, 4096, 0.5, 0.9, -4096, -1])
def test_a_file_cut_short_is_told(filled: Path, share: float) -> None:
    size = filled.stat().st_size
    cut = int(size * share) if isinstance(share, float) else share % size
    os.truncate(filled, cut)
    told(filled)
    assert filled.stat().st_size == cut  # left as it was


@pytest.mark.parametrize("seed", range(8))
def test_a_damaged_page_is_told(filled: Path, seed: int) -> None:
    """A page of noise anywhere, as a dying disk has it."""
    pages = filled.stat().st_size // 4096
    noise = random.Random(seed)
    with filled.open("r+b") as file:
        file.seek(4096 * noise.randrange(pages))
        file.write(noise.randbytes(4096))
    told(filled)


def test_one_changed_letter_in_the_file_is_told(filled: Path) -> None:
    data = filled.read_bytes()
    at = data.index(b'"fill":"xxx')
    filled.write_bytes(data[: at + 20] + b"y" + data[at + 21 :])
    with open_store(filled) as store:
        assert next(problem.message for problem in store.verify()).endswith("was changed after it was written")


@pytest.mark.parametrize(
    ("damage", "sentence"),
    [
        ("UPDATE toeline_attachment SET sha256 = NULL", "a kept file has lost its name"),
        ("UPDATE toeline_attachment SET sha256 = x'00ff'", "a kept file has lost its name"),
        ("UPDATE toeline_attachment SET data = 'text'", "of entry 1 of W-000001 was changed"),
        ("UPDATE toeline_head SET number = 'many'", "the head of the chain is damaged"),
    ],
)
def test_a_cell_of_another_kind_is_told(filled: Path, damage: str, sentence: str) -> None:
    """A turned bit in a row makes text of a number, or nothing of a name."""
    with sqlite3.connect(filled) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("PRAGMA writable_schema = ON")  # such a row would not be taken from a program
        connection.execute("UPDATE sqlite_master SET sql = replace(sql, 'NOT NULL', '')")
    connection.close()
    with sqlite3.connect(filled) as connection:
        connection.execute(damage)
    connection.close()
    with open_store(filled) as store:
        assert any(sentence in problem.message for problem in store.verify())


def told(path: Path) -> None:
    """Make sure that a damaged store is either refused in one sentence or found by ``verify``."""
    found: list[object] = []
    sentence = f"{path}: refused."
    try:
        with open_store(path) as store:
            found = [*store.verify()]
    except UnreadableFile as error:
        sentence = str(error)
        found.append(error)
    assert found
    assert sentence.startswith(f"{path}: ")
    assert "\n" not in sentence


def test_copies(tmp_path: Path) -> None:
    """A copy with its log is whole; one without the log may lack the last entries, which a noted hash tells."""
    path = tmp_path / "records.db"
    with open_store(path) as store:
        first = store.add(None, "measured", BODY, who="A")
    holder = sqlite3.connect(path)  # keeps the log from being written back, as a running program does
    holder.execute("BEGIN")
    holder.execute("SELECT count(*) FROM toeline_entry").fetchone()
    with open_store(path) as store:
        last = store.add("W-000001", "confirmed", {}, who="B")
    whole, bare = tmp_path / "whole", tmp_path / "bare"
    for folder in (whole, bare):
        folder.mkdir()
        shutil.copy(path, folder)
    shutil.copy(f"{path}-wal", whole)
    holder.close()
    with open_store(whole / "records.db") as store:
        assert store.record("W-000001").state == "confirmed"
        assert store.verify(last.hash) == []
    with open_store(bare / "records.db") as store:
        assert store.verify(first.hash) == []
        (problem,) = store.verify(last.hash)
        assert "no entry has the hash" in problem.message


def test_a_store_that_is_gone_while_its_log_is_there(filled: Path) -> None:
    Path(f"{filled}-wal").write_bytes(b"x" * 100)
    filled.unlink()
    with pytest.raises(UnreadableFile, match="missing while its log"):
        open_store(filled)
    assert not filled.exists()


def test_files_that_are_no_store(tmp_path: Path) -> None:
    foreign = tmp_path / "foreign.db"
    with sqlite3.connect(foreign) as connection:
        connection.execute("CREATE TABLE mine (a)")
    connection.close()
    before = foreign.read_bytes()
    with pytest.raises(UnreadableFile, match="another program's database"):
        open_store(foreign)
    assert foreign.read_bytes() == before
    text = tmp_path / "notes.txt"
    text.write_text("notes")
    with pytest.raises(UnreadableFile, match="no store of records"):
        open_store(text)
    with pytest.raises(UnreadableFile, match="this is a folder"):
        open_store(tmp_path)
    with pytest.raises(UnreadableFile, match="cannot be made here"):
        open_store(text / "records.db")
