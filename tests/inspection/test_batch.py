"""Many files: their order, work over processes, a worker that dies, files that arrive."""

import os
import signal
import threading
import time
from pathlib import Path

import pytest

from core.errors import UnreadableFile, UsageError
from inspection.arrivals import Arrivals, watched
from inspection.batch import files_in, in_order
from inspection.workers import workers_of
from vision.frames import natural_key


def test_a_folder_stands_for_the_files_in_it(tmp_path: Path) -> None:
    for name in ("b10.jpg", "b9.PNG", "a.csv", ".hidden.jpg", "b9-overlay.png", "result.json", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "inner.jpg").mkdir()
    other = tmp_path / "notes.txt"
    assert [path.name for path in files_in([other, tmp_path])] == ["notes.txt", "a.csv", "b9.PNG", "b10.jpg"]


def test_an_empty_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="holds no picture and no profile"):
        files_in([tmp_path])


def test_numbers_in_names_count_as_numbers() -> None:
    assert sorted(["w12", "w2", "W3", "10", "9", "x"], key=natural_key) == ["9", "10", "w2", "W3", "w12", "x"]


@pytest.mark.parametrize("wanted", [0, -1, 1000])
def test_impossible_numbers_of_workers(wanted: int) -> None:
    with pytest.raises(UsageError, match="--workers"):
        workers_of(wanted)
    assert workers_of(3) == 3
    assert workers_of(None) >= 1


def slow_square(number: int) -> int:
    time.sleep(0.02 * (number % 3))
    return number * number


def dies_at_seven(number: int) -> int:
    if number == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number


@pytest.mark.parametrize("workers", [1, 3])
def test_results_come_in_order(workers: int) -> None:
    assert list(in_order(slow_square, range(20), workers)) == [number * number for number in range(20)]


def test_a_worker_that_dies_costs_one_file_only() -> None:
    results = list(in_order(dies_at_seven, range(15), 2))
    assert [index for index, result in enumerate(results) if isinstance(result, UnreadableFile)] == [7]
    assert [result for result in results if not isinstance(result, UnreadableFile)] == [
        number * number for number in range(15) if number != 7
    ]


def test_items_are_fetched_as_they_are_needed() -> None:
    fetched = []

    def items():
        for number in range(1000):
            fetched.append(number)
            yield number

    results = in_order(slow_square, items(), 2)
    assert [next(results) for _ in range(5)] == [0, 1, 4, 9, 16]
    assert len(fetched) <= 20
    results.close()


def test_a_file_is_told_once_and_only_when_whole(tmp_path: Path) -> None:
    now = [0.0]
    arrivals = Arrivals(tmp_path, settle_s=1.0, clock=lambda: now[0])
    path = tmp_path / "a.jpg"
    path.write_bytes(b"half")
    assert arrivals.whole() == []
    now[0] = 0.9
    path.write_bytes(b"half and more")
    assert arrivals.whole() == []
    now[0] = 1.5
    assert arrivals.whole() == []  # it changed 0.6 s ago
    now[0] = 2.0
    assert arrivals.whole() == [path]
    now[0] = 9.0
    assert arrivals.whole() == []
    path.write_bytes(b"the real picture after its preview")
    assert arrivals.whole() == []
    now[0] = 10.1
    assert arrivals.whole() == [path]


def test_an_empty_file_is_not_whole(tmp_path: Path) -> None:
    now = [0.0]
    arrivals = Arrivals(tmp_path, clock=lambda: now[0])
    (tmp_path / "a.jpg").touch()
    arrivals.whole()
    now[0] = 100.0
    assert arrivals.whole() == []


def test_who_does_not_go_on_waiting_is_told_of_an_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.touch()
    assert list(watched(Arrivals(tmp_path, settle_s=0.02), every_s=0.01, once=True)) == [path]


def test_a_file_that_is_gone_before_it_is_whole_is_not_waited_for(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path)
    path = tmp_path / "a.jpg"
    path.write_bytes(b"half")
    arrivals.whole()
    assert arrivals.waiting == 1
    path.unlink()
    assert arrivals.whole() == []
    assert arrivals.waiting == 0


def test_a_file_written_in_pieces_is_told_after_its_last(tmp_path: Path) -> None:
    path = tmp_path / "slow.jpg"
    path.write_bytes(b"0")
    written = []

    def write() -> None:
        for _ in range(5):
            time.sleep(0.05)
            with path.open("ab") as file:
                file.write(b"x" * 100)
        written.append(time.monotonic())

    writer = threading.Thread(target=write)
    writer.start()
    (told,) = watched(Arrivals(tmp_path, settle_s=0.2), every_s=0.02, once=True)
    writer.join()
    assert told == path
    assert time.monotonic() >= written[0] + 0.19
    assert path.stat().st_size == 501
