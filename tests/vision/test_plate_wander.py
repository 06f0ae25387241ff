"""How far a plate's line may be off: surfaces that wander over millimetres, and those whose points only scatter."""

from dataclasses import replace

import numpy as np
import pytest

from core.fitting import LEAST_SEEN, WANDER_PIECE, LineFit, robust_line, seen_of_wander, with_wander
from core.geometry import Line, Points
from vision.plate_line import SHORTEST_WANDER_MM, Detail, fit_plate, longest_lines, wander_length_mm, wander_of
from vision.runs import Run

STEP_MM = 0.03
SCATTER_MM, WANDER_MM, PIECE_MM = 0.0015, 0.005, 1.5
ALONG_X = Line(0.0, 0.0, 1.0, 0.0)


def surface(length_mm: float, rng: np.random.Generator, *, wander_mm: float) -> Points:
    """Return edge points along y = 0, neighbours smoothed as an edge finder smooths them, on a surface that wanders."""
    x = np.arange(0.0, length_mm, STEP_MM)
    scatter = np.convolve(rng.normal(0.0, SCATTER_MM, len(x) + 2), [0.41, 0.82, 0.41], mode="valid")
    knots = np.arange(0.0, length_mm + 2 * PIECE_MM, PIECE_MM)
    return np.column_stack([x, scatter + np.interp(x, knots, rng.normal(0.0, wander_mm, len(knots)))])


def parts(lengths: list[float], rng: np.random.Generator, *, wander_mm: float) -> tuple[Points, list[Run]]:
    """Return surfaces one after the other as one outline, with their runs."""
    pieces = [surface(length, rng, wander_mm=wander_mm) for length in lengths]
    ends = np.cumsum([len(piece) for piece in pieces])
    starts = [0, *ends[:-1]]
    runs = [
        Run(int(start), int(end) - 1, ALONG_X, length, cut=False)
        for start, end, length in zip(starts, ends, lengths, strict=True)
    ]
    return np.concatenate(pieces), runs


def told_mm(lengths: list[float], seed: int, *, wander_mm: float) -> float:
    detail = Detail(noise_mm=SCATTER_MM, step_mm=STEP_MM, blur_mm=0.03)
    points, runs = parts(lengths, np.random.default_rng(seed), wander_mm=wander_mm)
    return wander_length_mm(points, longest_lines(points, runs, detail), detail)


@pytest.mark.parametrize("seed", range(4))
def test_long_surfaces_tell_whether_they_wander(seed: int) -> None:
    assert told_mm([30.0, 30.0, 20.0], seed, wander_mm=0.0) < SHORTEST_WANDER_MM / 3
    assert told_mm([30.0, 30.0, 20.0], seed, wander_mm=WANDER_MM) == SHORTEST_WANDER_MM


def test_short_surfaces_tell_nothing_of_it() -> None:
    assert told_mm([3.0, 3.0, 2.0], 1, wander_mm=0.0) == SHORTEST_WANDER_MM


@pytest.mark.parametrize("wander_mm", [0.0, WANDER_MM])
def test_the_interval_of_a_line_holds_the_surface_whether_it_wanders_or_not(wander_mm: float) -> None:
    inside, stated = [], []
    for seed in range(60):
        detail = Detail(noise_mm=SCATTER_MM, step_mm=STEP_MM, blur_mm=0.03)
        points, runs = parts([30.0, 30.0, 20.0], np.random.default_rng(seed), wander_mm=wander_mm)
        lines = longest_lines(points, runs, detail)
        length = wander_length_mm(points, lines, detail)
        wander = float(np.median([fit.waviness for fit in lines.values()]))
        detail = replace(detail, lines=lines, wander_mm=wander, wander_length_mm=length)
        for run in runs:
            fit, _ = fit_plate(points, run, detail, toe_at_stop=True)
            off = abs(fit.line.y + fit.line.dy / fit.line.dx * (15.0 - fit.line.x))
            inside.append(off <= 2.0 * fit.std_at(15.0 - fit.line.x))
            stated.append(fit.offset_std)
    assert np.mean(inside) >= 0.93
    # of a surface that does not wander each stretch of a third of a millimetre tells the line anew
    assert np.median(stated) < (0.0009 if wander_mm == 0.0 else 0.005)


@pytest.mark.parametrize("length_mm", [0.01, 0.02, 0.5, 1.5, 3.0, 8.0, 40.0])
def test_what_is_left_of_wander_is_what_all_pairs_of_places_have_in_common(length_mm: float) -> None:
    """The law of propagation for a mean and a slope, JCGM 100:2008, equation 13, over 800 places of one stretch."""
    fit = replace(robust_line(surface(20.0, np.random.default_rng(1), wander_mm=0.0), SCATTER_MM, near=ALONG_X),
                  offset_std=0.0, angle_std_rad=0.0)  # fmt: skip
    x = (np.arange(800) + 0.5) / 800 * length_mm - length_mm / 2
    piece = WANDER_PIECE * 1.2
    common = np.exp(-np.pi * ((x[:, None] - x) / piece) ** 2)
    assert np.exp(-np.pi * (np.linspace(-9, 9, 4001) / piece) ** 2).sum() * 18 / 4000 == pytest.approx(piece)
    mean, slope = np.full(800, 1 / 800), x / (x @ x)
    wide: LineFit = with_wander(fit, 0.01, 1.2, length_mm)
    assert wide.offset_std == pytest.approx(0.01 * np.sqrt(mean @ common @ mean), rel=0.01)
    assert wide.angle_std_rad == pytest.approx(0.01 * np.sqrt(slope @ common @ slope), rel=0.01)
    about = 1 - mean @ common @ mean - (slope @ common @ slope) * (x @ x) / 800
    assert seen_of_wander(length_mm, 1.2) == pytest.approx(max(np.sqrt(about), LEAST_SEEN), rel=0.01)


@pytest.mark.parametrize("length_mm", [1.5, 3.0, 6.0, 15.0])
def test_lines_through_surfaces_that_wander_are_off_by_what_is_stated(length_mm: float) -> None:
    """Short stretches follow the wander, and say little of it themselves: the long surfaces of the part tell it."""
    off, turned = [], []
    for seed in range(150):
        detail = Detail(noise_mm=SCATTER_MM, step_mm=STEP_MM, blur_mm=0.0)
        points, runs = parts([40.0, 30.0, 30.0, length_mm], np.random.default_rng(seed), wander_mm=WANDER_MM)
        lines = longest_lines(points, runs[:3], detail)
        told = [fit.waviness / seen_of_wander(run.length, SHORTEST_WANDER_MM) for run, fit in lines.items()]
        fit, _ = fit_plate(points, runs[3], replace(detail, wander_mm=float(np.median(told))), toe_at_stop=False)
        off.append(fit.line.y / fit.offset_std)
        turned.append(np.arctan(fit.line.dy / fit.line.dx) / fit.angle_std_rad)
    for shares in (off, turned):
        assert 0.75 < np.sqrt(np.mean(np.square(shares))) < 1.3
        assert np.mean(np.abs(shares) <= 2) >= 0.9


def test_a_surface_that_wanders_further_than_others_is_taken_to_by_as_much_as_it_shows() -> None:
    detail = Detail(noise_mm=SCATTER_MM, step_mm=STEP_MM, blur_mm=0.0, wander_mm=0.004)
    points, runs = parts([2.5, 60.0], np.random.default_rng(3), wander_mm=0.02)
    told = {run.length: wander_of(fit, detail) for run, fit in longest_lines(points, runs, detail).items()}
    assert 0.004 <= told[2.5] < 0.01 < told[60.0] < 0.02


def test_a_surface_that_wanders_less_than_others_is_taken_to_by_as_much_as_it_shows() -> None:
    """The larger of two estimates would be too wide on the whole, however good each of them is."""
    detail = Detail(noise_mm=SCATTER_MM, step_mm=STEP_MM, blur_mm=0.0, wander_mm=0.02)
    points, runs = parts([2.5, 60.0], np.random.default_rng(3), wander_mm=0.004)
    told = {run.length: wander_of(fit, detail) for run, fit in longest_lines(points, runs, detail).items()}
    assert 0.004 < told[60.0] < 0.015 < told[2.5] <= 0.02
