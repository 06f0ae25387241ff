"""Sections measured by several processes: sent in batches, told one by one, whatever becomes of a process."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import numpy as np
import pytest

from core.errors import NothingMeasurable, ToelineError
from inspection import seam
from inspection.seam import Job, _batches, scan
from inspection.seam_source import Piece, Source
from inspection.settings import Settings
from inspection.workers import begun, get_ready


class Deadly(ToelineError):
    """An error that kills the process it is sent to."""

    def __reduce__(self):
        return die, ()


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def here() -> int:
    return os.getpid()


def error_of(number: int, deadly: tuple[int, ...]) -> ToelineError:
    return Deadly("killed") if number in deadly else NothingMeasurable(f"nothing in {number}")


def pieces_of(count: int, deadly: tuple[int, ...]) -> list[Piece]:
    return [Piece(float(number), f"f{number}", error=error_of(number, deadly)) for number in range(count)]


@pytest.mark.parametrize("deadly", [(), (6,), (0, 10)])
def test_a_section_that_kills_its_process_costs_no_other(deadly):
    count = 2 * seam.TOGETHER + 3
    source = Source(Path("s"), "frames", 1.0, count, "f", lambda first: iter(pieces_of(count, deadly)[first:]))
    entries = list(scan(source, Job(Settings(), None), workers=2))
    assert [entry["position_mm"] for entry in entries] == list(range(count))
    codes = ["worker_died" if number in deadly else "nothing_measurable" for number in range(count)]
    assert [entry["error"]["code"] for entry in entries] == codes


def test_only_what_is_named_is_sent_together():
    pixels = np.zeros((4, 4), np.uint8)
    kinds = "nnnnnpnpp"
    pieces = [Piece(float(i), str(i), pixels=pixels if kind == "p" else None) for i, kind in enumerate(kinds)]
    batches = [[piece.name for piece in batch.pieces] for batch in _batches(iter(pieces), 3)]
    assert batches == [["0", "1", "2"], ["3", "4"], ["5"], ["6"], ["7"], ["8"]]


def test_batches_are_made_as_they_are_fetched():
    fetched = []

    def pieces():
        for number in range(100):
            fetched.append(number)
            yield Piece(float(number), str(number))

    next(_batches(pieces(), 4))
    assert len(fetched) == 4


def test_work_begun_is_done_in_another_process():
    get_ready()
    assert begun(here)() != os.getpid()
