"""The toes of caps in points that scatter much: faces of several forms, against the width they were drawn with."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Line, Points
from core.quantity import Quantity
from measurement import measure
from vision.cap_toe import cap_toe
from vision.cloud_profile import profile_of_slab
from vision.find_profile import find_welds_in_profile

WIDTH_MM, RISE_MM, NOISE_MM = 12.0, 1.8, 0.125
PLATE = Line(0.0, 0.0, 1.0, 0.0)


def heights(form: str, t: Points) -> Points:
    """Return the height of a face over its rise, half the cap as unit, 0 beside it."""
    half = WIDTH_MM / 2
    radius = (half**2 + RISE_MM**2) / (2 * RISE_MM)
    within = np.clip(t, -1.0, 1.0)
    return {
        "arc": lambda: (np.sqrt(radius**2 - (within * half) ** 2) - (radius - RISE_MM)) / RISE_MM,
        "parabola": lambda: 1 - within**2,
        "leaning": lambda: (1 - within**2) * (1 + 0.2 * within),
        "flat": lambda: 1 - np.abs(within) ** 2.6,
    }[form]()


def scattered(form: str, seed: int, noise_mm: float = NOISE_MM) -> Points:
    """Return the points of 3 mm of a seam: 25 on a square millimetre of plate and face, each off by its scatter."""
    rng = np.random.default_rng([seed, 3])
    fine = np.linspace(-25.0, 25.0, 20001)
    surface = np.column_stack([fine, RISE_MM * heights(form, fine / (WIDTH_MM / 2))])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(surface, axis=0).T))])
    place = rng.uniform(0, length[-1], round(75 * length[-1]))
    on = np.column_stack([np.interp(place, length, surface[:, i]) for i in (0, 1)])
    return on + rng.normal(0, noise_mm, on.shape)


@pytest.mark.parametrize("form", ["arc", "parabola", "leaning", "flat"])
def test_the_width_of_a_cap_is_told_whatever_form_its_face_has(form: str) -> None:
    off, held = [], []
    for seed in range(16):
        slab = profile_of_slab(scattered(form, seed))
        assert slab is not None
        (weld,) = find_welds_in_profile(slab.profile, joint="butt").welds
        width = measure(weld.section)["cap_width"]
        assert isinstance(width, Quantity)
        off.append(width.value - WIDTH_MM)
        held.append(abs(off[-1]) <= (width.expanded_uncertainty or 0.0))
    assert abs(float(np.median(off))) < 0.08
    assert math.sqrt(float(np.mean(np.square(off)))) < 0.14
    assert float(np.mean(held)) >= 0.9


@pytest.mark.parametrize("noise_mm", [0.02, 0.05])
def test_points_that_scatter_less_tell_a_width_no_worse(noise_mm: float) -> None:
    off, stated = [], []
    for seed in range(12):
        slab = profile_of_slab(scattered("arc", seed, noise_mm))
        assert slab is not None
        (weld,) = find_welds_in_profile(slab.profile, joint="butt").welds
        width = measure(weld.section)["cap_width"]
        assert isinstance(width, Quantity)
        off.append(abs(width.value - WIDTH_MM))
        stated.append(width.expanded_uncertainty or 0.0)
    assert np.mean(np.array(off) < 0.08) >= 0.9
    assert np.mean(np.array(off) <= np.array(stated)) >= 0.9
    assert np.median(stated) < 0.15


def test_a_toe_is_told_where_face_and_plate_part() -> None:
    x = np.arange(-3.0, WIDTH_MM - 0.5, 0.25)
    t = x / (WIDTH_MM / 2) - 1
    path = np.column_stack([x, np.where(x > 0, RISE_MM * heights("parabola", t), 0.0)])
    path = path + np.random.default_rng(1).normal(0, 0.03, path.shape) * [0.0, 1.0]
    told = cap_toe(path, PLATE, 0.3, 0.25, 1.0)
    assert told is not None
    assert abs(told[0]) < 2.5 * told[2] < 0.3
    assert told[1] == pytest.approx(math.degrees(math.atan(4 * RISE_MM / WIDTH_MM)), abs=4.0)


@pytest.mark.parametrize("rise_mm", [0.02, 6.0])
def test_what_hardly_rises_and_what_climbs_another_plate_is_no_cap(rise_mm: float) -> None:
    x = np.arange(-3.0, WIDTH_MM - 0.5, 0.25)
    path = np.column_stack([x, np.where(x > 0, rise_mm * np.maximum(x, 0) / WIDTH_MM, 0.0)])
    path = path + np.random.default_rng(2).normal(0, 0.03, path.shape) * [0.0, 1.0]
    assert cap_toe(path, PLATE, 0.3, 0.25, 1.0) is None
