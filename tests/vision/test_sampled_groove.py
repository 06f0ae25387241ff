"""Grooves in profiles of points taken here and there: a face ends somewhere before the next point would have been."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Line, Points
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.groove_ends import beyond_last
from vision.plate_line import Detail
from vision.profile_file import profile_from_points

NOISE_MM = 0.004
PLATE = Line.through(np.array([0.0, 0.0]), np.array([1.0, 0.0]))
FACE = Line.through(np.array([0.0, 0.0]), np.array([1.0, -1.0]))


def sampled(lines: list[Points], x: Points, rng: np.random.Generator) -> Points:
    """Return the heights of polylines at the places x that see them."""
    seen = [x[(x >= line[0, 0]) & (x <= line[-1, 0])] for line in lines]
    points = [np.column_stack([at, np.interp(at, *line.T)]) for at, line in zip(seen, lines, strict=True)]
    return np.vstack(points) + rng.normal(0, NOISE_MM, (sum(map(len, seen)), 2)) * [0.0, 1.0]


def vee(gap: float, depth: float, degrees: float) -> list[Points]:
    away = gap / 2 + depth * math.tan(math.radians(degrees))
    left = np.array([[-30.0, 0.0], [-away, 0.0], [-gap / 2, -depth]])
    return [left, left[::-1] * [-1.0, 1.0]]


def found(points: Points) -> dict[str, Quantity | NotMeasurable]:
    (weld,) = find_welds_in_profile(profile_from_points(points), joint="groove").welds
    return dict(measure(weld.section))


@pytest.mark.parametrize("even", [True, False], ids=["even steps", "points at random"])
def test_gap_and_depth_are_neither_too_wide_nor_too_shallow(even: bool) -> None:
    """The last point lies half a step before the end of a face on average, a whole one where they lie at random."""
    off: dict[str, list[float]] = {"root_gap": [], "preparation_depth_left": []}
    held, step = [], 0.12
    for seed in range(30):
        rng = np.random.default_rng(seed)
        gap, depth, degrees = rng.uniform(1.5, 4), rng.uniform(5, 9), rng.uniform(25, 38)
        x = np.arange(-29.0 + rng.uniform(0, step), 29.0, step) if even else np.sort(rng.uniform(-29, 29, 480))
        values = found(sampled(vee(gap, depth, degrees), x, rng))
        for name, true in (("root_gap", gap), ("preparation_depth_left", depth)):
            value = values[name]
            assert isinstance(value, Quantity)
            off[name].append(value.value - true)
            held.append(abs(value.value - true) <= (value.expanded_uncertainty or 0.0))
    assert abs(np.mean(off["root_gap"])) < 0.3 * step
    assert abs(np.mean(off["preparation_depth_left"])) < 0.3 * step / math.tan(math.radians(30))
    # What lies beyond the last of random points is exponential: a twentieth of it is beyond twice its mean and spread.
    assert np.mean(held) >= (0.9 if even else 0.85)


def test_a_steep_face_of_few_points_is_a_face() -> None:
    """Points 0.35 mm apart leave six on a bevel of 20 degrees and 6 mm."""
    rng = np.random.default_rng(3)
    values = found(sampled(vee(2.5, 6.0, 20.0), np.arange(-29.0, 29.0, 0.35), rng))
    for name, true in (("bevel_angle_left", 20.0), ("preparation_depth_left", 6.0), ("root_gap", 2.5)):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert abs(value.value - true) <= (value.expanded_uncertainty or 0.0), name


def test_square_edges_end_beyond_their_last_points() -> None:
    off = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        edge = rng.uniform(0.75, 2.0)
        plates = [np.array([[-30.0, 0.0], [-edge, 0.0]]), np.array([[edge, 0.0], [30.0, 0.0]])]
        gap = found(sampled(plates, np.arange(-29.0 + rng.uniform(0, 0.2), 29.0, 0.2), rng))["root_gap"]
        assert isinstance(gap, Quantity)
        off.append(gap.value - 2 * edge)
    assert abs(np.mean(off)) < 0.08


def test_what_lies_beyond_the_last_point_is_the_residual_life_of_its_steps() -> None:
    """Even steps: half of one, uniform; at random: one more of their mean, off by as much."""
    detail = Detail(noise_mm=0.0, step_mm=0.1, blur_mm=0.0)
    at = np.arange(13) * 0.1 * math.sqrt(0.5)
    even = beyond_last(np.column_stack([at, -at]), PLATE, FACE, 12, detail, step=1)
    assert even is not None
    assert even[0] == pytest.approx(0.05 * math.sqrt(0.5) * np.array([1.0, -1.0]))
    assert np.hypot(*even[1][0]) == pytest.approx(0.1 / math.sqrt(12.0))
    rng = np.random.default_rng(1)
    lengths = []
    for _ in range(400):
        at = np.cumsum(rng.exponential(0.1, 13)) * math.sqrt(0.5)
        random = beyond_last(np.column_stack([at, -at]), PLATE, FACE, 12, detail, step=1)
        assert random is not None
        lengths.append(float(np.hypot(*random[0])))
    assert np.mean(lengths) == pytest.approx(0.095, abs=0.012)


def test_points_off_the_face_tell_nothing_of_its_end() -> None:
    at = np.arange(13) * 0.1
    off = np.column_stack([at, -at])
    off[-1] += (0.0, 0.5)
    assert beyond_last(off, PLATE, FACE, 12, Detail(0.0, 0.1, 0.0), step=1) is None


@pytest.mark.parametrize(("upper_mm", "flagged"), [(0.0, False), (2.0, True)])
def test_a_face_in_two_slopes_is_told(upper_mm: float, flagged: bool) -> None:
    """As the compound bevel of thick walls in ASME B16.25: 37.5 degrees, and 10 degrees above (from memory)."""
    shallow, steep = (math.tan(math.radians(degrees)) for degrees in (37.5, 10.0))
    corner = -1.0 - 5.0 * shallow
    edge = corner - upper_mm * steep
    left = np.array([[-30.0, upper_mm], [edge, upper_mm], [corner, 0.0], [-1.0, -5.0]])
    right = np.array([[1.0, -5.0], [1.0 + (5.0 + upper_mm) * shallow, upper_mm], [30.0, upper_mm]])
    points = sampled([left, right], np.arange(-29.0, 29.0, 0.06), np.random.default_rng(2))
    (weld,) = find_welds_in_profile(profile_from_points(points), joint="groove").welds
    told = [flag.message for flag in weld.flags if flag.code == "face_in_parts"]
    assert bool(told) == flagged
    assert all("left" in message and "27 degrees" in message for message in told)
