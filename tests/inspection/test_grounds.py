"""Sections on what is not plain, from the picture to the values: measured right or refused, and told."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import pytest

from benchmarks.accuracy import measure_by_program, run_case
from benchmarks.compare import Case

NUMBERS = (100_000, 100_001, 100_002)


@functools.cache
def tried(number: int, ground: str) -> tuple[Case, dict[str, Any]]:
    said: dict[str, Any] = {}

    def measure(path: Path, *settings: Any) -> dict[str, Any]:
        said.update(measure_by_program(path, *settings))
        return said

    case = run_case(
        number, seed=3, joint=None, difficulty="normal", ground=ground, size_px=(1600, 1200), mm_per_px=(0.04, 0.055),
        measure=measure,
    )  # fmt: skip
    return case, said


@pytest.mark.parametrize("number", NUMBERS)
@pytest.mark.parametrize("ground", ["wood", "cutting mat", "card"])
def test_coloured_ground_is_no_hindrance(number: int, ground: str) -> None:
    case, said = tried(number, ground)
    assert case.measured, case.problem
    assert not [trial.name for trial in case.trials if trial.silently_wrong]
    assert said["welds"]


def test_what_was_done_is_told() -> None:
    """Of these the first is as bright as the wood it lies on."""
    _, said = tried(NUMBERS[0], "wood")
    assert "told_by_colour" in {flag["code"] for weld in said["welds"] for flag in weld["flags"]}
