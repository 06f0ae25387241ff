"""How far a plate's line may be off: surfaces that wander over millimetres, and those whose points only scatter."""

from dataclasses import replace

import numpy as np
import pytest

from core.fitting import MOST_AT_AN_END, LineFit, robust_line, with_wander
from core.geometry import Line, Points
from vision.plate_line import SHORTEST_WANDER_MM, Detail, fit_plate, longest_lines, wander_length_mm
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


def test_an_end_of_a_short_line_is_off_by_the_wander_and_hardly_more() -> None:
    fit = robust_line(surface(1.5, np.random.default_rng(1), wander_mm=0.0), SCATTER_MM, near=ALONG_X)
    wide: LineFit = with_wander(fit, 0.01, 1.2, 1.5)
    assert wide.std_at(0.75) == pytest.approx(0.01 * MOST_AT_AN_END**0.5, rel=1e-6)
    long = robust_line(surface(20.0, np.random.default_rng(1), wander_mm=0.0), SCATTER_MM, near=ALONG_X)
    assert with_wander(long, 0.01, 1.2, 20.0).std_at(10.0) < 0.01
