"""How far a surface wanders is told from the scatter of its points."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Line
from vision.plate_line import Detail, _line_of

STEP_MM = 0.02

SINE = 1.4826**-1 * math.sqrt(2)
"""Amplitude of a sine whose robust spread (1.4826 of the median deviation) is 1."""


def waviness(wave_mm: float, scatter_mm: float, seed: int, *, noise_mm: float) -> float:
    along = np.arange(0, 25, STEP_MM)
    across = SINE * wave_mm * np.sin(2 * np.pi * along / 3.1)
    across += np.random.default_rng(seed).normal(0, scatter_mm, len(along))
    points = np.column_stack([along, across])
    return _line_of(points, Line.through(points[0], points[-1]), Detail(noise_mm, STEP_MM, 0.03)).waviness


@pytest.mark.parametrize("seed", range(4))
def test_scatter_from_point_to_point_is_no_wander(seed: int) -> None:
    assert waviness(0.0, 0.003, seed, noise_mm=0.003) < 0.0015


@pytest.mark.parametrize("wave_mm", [0.004, 0.01])
@pytest.mark.parametrize("scatter_mm", [0.001, 0.003])
def test_wander_is_told_whatever_the_scatter(wave_mm: float, scatter_mm: float) -> None:
    assert waviness(wave_mm, scatter_mm, 1, noise_mm=scatter_mm) == pytest.approx(wave_mm, rel=0.15)


def test_what_is_left_of_known_scatter_of_a_scanner_is_taken_out() -> None:
    assert waviness(0.0, 0.1, 2, noise_mm=0.1) < 0.03
    assert waviness(0.1, 0.1, 2, noise_mm=0.1) == pytest.approx(0.1, rel=0.2)


@pytest.mark.parametrize(("wave_mm", "least", "most"), [(0.0, 0.0, 0.0002), (0.004, 0.0035, 0.0045)])
def test_points_of_a_line_tell_their_own_scatter(wave_mm: float, least: float, most: float) -> None:
    """Whatever was claimed for them: their third differences know nothing of slow wander."""
    along = np.arange(0, 25, STEP_MM)
    across = SINE * wave_mm * np.sin(2 * np.pi * along / 3.1)
    across += np.random.default_rng(5).normal(0, 0.001, len(along))
    points = np.column_stack([along, across])
    detail = Detail(0.002, STEP_MM, 0.03, alone=True)
    assert least <= _line_of(points, Line.through(points[0], points[-1]), detail).waviness < most
