"""Into how many parts an inch is divided, from lengths drawn and from pictures of drawn rules."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from calibration.inch import Halving, fits_parts, halving, parts_of_inch
from calibration.ruler import calibrate_ruler
from core.errors import CalibrationRefused


def rows_of(parts: int, ticks: int, first: int, *, figures: bool = True) -> np.ndarray:
    """Return contrasts of ticks that grow by four rows a halving up to the inch, figures beyond every second inch."""
    contrast = np.zeros((ticks, 48))
    for place in range(ticks):
        number, level = place + first, 0
        while level < math.log2(parts) and number % 2 == 0:
            number, level = number // 2, level + 1
        contrast[place, : 4 * level] = 1.0
        if figures and (place + first) % (2 * parts) == 0:
            contrast[place, 36:46] = 1.0
    return np.clip(contrast + np.random.default_rng(ticks).normal(0, 0.05, contrast.shape), 0.0, 1.2)


@pytest.mark.parametrize("parts", [8, 16, 32, 64])
@pytest.mark.parametrize("inches", [2.2, 3.7, 5.1])
def test_the_longest_ticks_are_the_inches_whatever_the_figures_say(parts: int, inches: float) -> None:
    for first in (0, 3, parts - 1):
        ticks = round(inches * parts) + 1
        seen = halving(np.arange(ticks), rows_of(parts, ticks, first))
        whole = len([i for i in range(ticks) if (i + first) % parts == 0])
        assert seen.step <= parts
        assert not seen.ends or seen.step == parts
        if whole >= 3:
            assert seen == Halving(parts, ends=True)


def test_less_than_two_inches_tell_too_little() -> None:
    seen = halving(np.arange(40), rows_of(32, 40, 5))
    assert not seen.ends
    assert [fits_parts(seen, parts) for parts in (8, 32, 64)] == [False, True, True]


def test_ticks_under_a_glare_do_not_hide_that_inches_are_longer() -> None:
    contrast = rows_of(64, 190, 0)
    contrast[90:103] = 0.0
    assert halving(np.arange(190), contrast).step == 64


def test_quarters_that_are_the_longest_leave_the_inch_open() -> None:
    seen = halving(np.arange(70), rows_of(4, 70, 0, figures=False))
    assert seen == Halving(4)
    assert [fits_parts(seen, parts) for parts in (2, 4, 16, 64)] == [False, True, True, True]


def test_tenths_are_no_halves() -> None:
    contrast = np.zeros((101, 40))
    contrast[::5, :8], contrast[::10, :16] = 1.0, 1.0
    assert halving(np.arange(101), contrast) == Halving()


@pytest.mark.parametrize(
    ("spacing_mm", "parts"), [(25.4 / 64, 64), (25.4 / 32, 32), (12.7, 2), (1.0, None), (25.4 / 10, None)]
)
def test_parts_of_an_inch(spacing_mm: float, parts: int | None) -> None:
    assert parts_of_inch(spacing_mm) == parts


def rule_of_inches(edges: dict[str, int], inches: float = 3.2, px_per_mm: int = 24) -> np.ndarray:
    """Return a steel rule 19 mm wide, the given parts of an inch at its upper and lower edge, figures at the inches."""
    height, width = 19 * px_per_mm, round((inches * 25.4 + 8) * px_per_mm)
    raster = np.full((height, width), 190, np.uint8)
    for edge, parts in edges.items():
        for number in range(round(inches * parts) + 1):
            level, rest = 0, number
            while level < math.log2(parts) and rest % 2 == 0:
                rest, level = rest // 2, level + 1
            x = round((4 + number * 25.4 / parts) * px_per_mm)
            long = round((1.6 + 0.7 * level) * px_per_mm)
            rows = slice(0, long) if edge == "upper" else slice(height - long, height)
            raster[rows, x - 2 : x + 2] = 40
            if number % parts == 0:
                at = (x - 12, round(8.5 * px_per_mm) if edge == "upper" else height - round(7.2 * px_per_mm))
                cv2.putText(raster, str(number // parts), at, cv2.FONT_HERSHEY_SIMPLEX, 1.6, 40, 4, cv2.LINE_AA)
    return raster


@pytest.fixture(scope="module")
def pictured(draw):
    def show(edges: dict[str, int], seed: int) -> np.ndarray:
        raster = rule_of_inches(edges)
        view = draw.view(roll_deg=3.0, px_per_mm=15.0, centre=(700.0, 260.0), middle=(45.0, 9.5))
        return draw.seen(raster, 24, view, size=(1400, 520), supersample=3, seed=seed)

    return show


@pytest.mark.parametrize("parts", [16, 32, 64])
def test_the_wrong_fraction_of_an_inch_is_refused(pictured, parts: int) -> None:
    gray = pictured({"upper": parts}, parts)
    assert calibrate_ruler(gray, 25.4 / parts).mm_per_px(np.array([700.0, 260.0])) == pytest.approx(1 / 15, rel=2e-3)
    for wrong in {8, 16, 32, 64} - {parts}:
        with pytest.raises(CalibrationRefused, match="do not fit a spacing"):
            calibrate_ruler(gray, 25.4 / wrong)


@pytest.mark.parametrize("edges", [{"upper": 32, "lower": 64}, {"upper": 16, "lower": 32}])
def test_of_two_edges_the_one_that_is_meant_serves(pictured, edges: dict[str, int]) -> None:
    gray = pictured(edges, 7)
    for parts in edges.values():
        assert calibrate_ruler(gray, 25.4 / parts).mm_per_px(np.array([700.0, 260.0])) == pytest.approx(
            1 / 15, rel=2e-3
        )
