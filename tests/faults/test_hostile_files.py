"""Every reader takes a hostile file or refuses it in one sentence; the long run is ``python -m benchmarks.hostile``."""

import warnings
from collections.abc import Callable
from pathlib import Path

import pytest

from benchmarks.hostile import Reader, cases, fault, mutated, readers
from core.errors import UnreadableFile

CASES = 30
READERS = readers()


@pytest.mark.parametrize("reader", READERS, ids=[reader.name for reader in READERS])
def test_hostile_files_are_refused_in_one_sentence(reader: Reader, tmp_path: Path) -> None:
    inside = tmp_path / "in"
    inside.mkdir()
    found = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a damaged file may warn; what counts is how it ends
        for number, data in enumerate(cases(reader, CASES, 11)):
            what = fault(reader, data, inside)
            if what is not None:
                found.append((number, what))
    assert found == []
    assert [path.name for path in tmp_path.iterdir()] == ["in"]


@pytest.mark.parametrize("reader", READERS, ids=[reader.name for reader in READERS])
def test_the_file_to_start_from_is_read(reader: Reader, tmp_path: Path) -> None:
    """Else a mutated one would be refused for the wrong reason; a zip without its XML is the one exception."""
    if reader.name == "cloud.x3p":
        return
    path = tmp_path / f"valid{reader.suffix}"
    path.write_bytes(reader.seed())
    reader.read(path)


def test_mutations_change_files() -> None:
    import numpy as np

    data = bytes(range(256)) * 4
    rng = np.random.default_rng(3)
    assert sum(mutated(data, rng) != data for _ in range(50)) >= 48


def test_a_reader_that_writes_elsewhere_or_takes_too_much_memory_is_told(tmp_path: Path) -> None:
    inside, elsewhere = tmp_path / "in", tmp_path / "elsewhere"
    inside.mkdir()
    elsewhere.write_bytes(b"")

    def told(read: Callable[[Path], object]) -> str | None:
        return fault(Reader("bad", ".txt", bytes, read), b"x", inside)

    assert told(Path.read_bytes) is None
    assert told(lambda path: path.with_name("beside").write_bytes(b"")) is None
    assert f"open {elsewhere}" in str(told(lambda _: elsewhere.write_bytes(b"")))
    assert f"os.mkdir {tmp_path / 'new'}" in str(told(lambda _: (tmp_path / "new").mkdir()))
    assert f"os.remove {elsewhere}" in str(told(lambda _: elsewhere.unlink()))
    assert "MemoryError" in str(told(lambda _: bytearray(3 << 30)))
    assert "not one line" in str(told(lambda _: two_lines()))


def two_lines() -> None:
    raise UnreadableFile("one\ntwo")
