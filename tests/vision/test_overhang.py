"""The toe below weld metal that hangs over its plate: blur fills the notch, the nose above it tells where it leads."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Line
from vision.overhang import nose_deg, toe_below
from vision.plate_line import Detail

PLATE = Line(0.0, 0.0, 1.0, 0.0)
STEP = 0.03


def overhang(radius: float, up: float, *, filled: float, noise: float = 0.0) -> np.ndarray:
    """Return a plate that a nose hangs over, its toe at x = 0; the notch is filled below a height, as blur does it."""
    angle = math.asin(up / radius)
    middle = np.array([radius * math.cos(angle), up])
    turns = np.arange(math.pi + angle, math.pi / 2 - 0.2, -STEP / radius)
    nose = middle + radius * np.column_stack([np.cos(turns), np.sin(turns)])
    nose = nose[nose[:, 1] > filled]
    plate = np.column_stack([np.arange(-6.0, nose[0, 0], STEP), np.zeros(len(np.arange(-6.0, nose[0, 0], STEP)))])
    path = np.vstack([plate, nose])
    return path + np.random.default_rng(5).normal(0.0, noise, path.shape)


@pytest.mark.parametrize(("opening_deg", "radius"), [(30.0, 0.5), (50.0, 0.5), (30.0, 1.2), (50.0, 1.2), (70.0, 1.2)])
def test_round_nose_leads_to_its_toe(opening_deg: float, radius: float) -> None:
    """A circle whose middle lies r cos(opening) above the plate meets it at 180 degrees less the opening."""
    path = overhang(radius, radius * math.cos(math.radians(opening_deg)), filled=0.11)
    leave = int(np.flatnonzero(path[:, 1] == 0.0)[-1])
    found = toe_below(path, PLATE, leave, Detail(0.002, STEP, 0.03), 1.0)
    assert found is not None
    along, angle_deg, std = found
    assert along == pytest.approx(0.0, abs=0.002)
    assert angle_deg == pytest.approx(180.0 - opening_deg, abs=0.3)
    # The way that was not seen is doubt.
    assert 0.0 < std < 0.06


def test_doubt_holds_the_toe_of_a_scattered_nose() -> None:
    path = overhang(0.6, 0.5, filled=0.11, noise=0.004)
    leave = int(np.argmax(path[:, 1] > 0.05)) - 1
    found = toe_below(path, PLATE, leave, Detail(0.004, STEP, 0.03), 2.0)
    assert found is not None
    assert abs(found[0]) < 2.0 * found[2]


def test_face_that_does_not_hang_over_has_no_nose() -> None:
    face = np.column_stack([np.arange(0, 2, STEP), np.arange(0, 2, STEP)])
    path = np.vstack([np.column_stack([np.arange(-3, 0, STEP), np.zeros(100)]), face])
    assert toe_below(path, PLATE, 99, Detail(0.002, STEP, 0.03), 1.0) is None


@pytest.mark.parametrize("filled_mm", [0.0, 0.15])
def test_a_nose_leads_to_its_plate_at_the_angle_of_its_circle(filled_mm):
    """Its lowest part is a wall, as blur makes it."""
    turn = np.radians(np.linspace(60.0, -70.0, 200))
    nose = np.array([0.5, math.cos(math.radians(30.0))]) - np.column_stack([np.cos(turn), np.sin(turn)])
    seen = nose[nose[:, 1] > filled_mm]
    wall = np.column_stack([np.full(5, seen[0, 0]), np.linspace(0.0, filled_mm, 5)])
    assert nose_deg(np.vstack([wall, seen]), filled_mm / 2.5, 0.01) == pytest.approx(150.0, abs=1.0)
    assert nose_deg(np.column_stack([np.linspace(0, 3, 50), np.linspace(0, 3, 50)]), 0.03, 0.03) is None
