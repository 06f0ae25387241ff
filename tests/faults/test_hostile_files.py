"""Every reader takes a hostile file or refuses it in one sentence; the long run is ``python -m benchmarks.hostile``."""

import warnings
from pathlib import Path

import pytest

from benchmarks.hostile import Reader, cases, fault, mutated, readers

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
