"""Toes along a thick laser line, whose blur rounds the corners there."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.model import from_pixel_size
from core.quantity import Quantity
from inspection.laser_frame import measure_frame
from measurement import measure
from vision.stripe import extract

SHAPE, MM_PER_PX = (700, 1200), 0.04
CALIBRATION = replace(from_pixel_size(MM_PER_PX, relative_std=0.0), kind="laser")
SLOPE, HALF_PX, TOE_ROW = 0.8, 130.0, 520.0
"""Two plates that rise to both sides, and the toes between them."""


def tee_line(bulge_px: float) -> np.ndarray:
    """Return the polyline of a tee seen along its bisector, its face an arc that rises or sinks by so much."""
    away = np.linspace(-1.0, 1.0, 301)
    face = np.column_stack([600.0 + HALF_PX * away, TOE_ROW - bulge_px * (1.0 - away**2)])
    out = 620.0
    ends = [[600.0 + side * out, TOE_ROW - SLOPE * (out - HALF_PX)] for side in (-1.0, 1.0)]
    return np.vstack([ends[:1], face, ends[1:]])


def blurred(line_px: np.ndarray, sigma_px: float, rng: np.random.Generator) -> np.ndarray:
    """Return the frame of a thin line whose light a lens spreads evenly to all sides: it rounds what turns."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_px, axis=0).T))])
    at = np.arange(0.0, way[-1], 0.02)
    x, y = (np.interp(at, way, line_px[:, i]) for i in (0, 1))
    inside = (x > 0) & (x < SHAPE[1] - 2) & (y > 0) & (y < SHAPE[0] - 2)
    column, row = np.floor(x[inside]).astype(int), np.floor(y[inside]).astype(int)
    right, down = x[inside] - column, y[inside] - row
    light = np.zeros(SHAPE, np.float32)
    for step_x, step_y in ((0, 0), (1, 0), (0, 1), (1, 1)):
        share = np.abs(1 - step_x - right) * np.abs(1 - step_y - down)
        np.add.at(light, (row + step_y, column + step_x), share.astype(np.float32))
    light = cv2.GaussianBlur(light, (0, 0), np.sqrt(sigma_px**2 - 1 / 6), borderType=cv2.BORDER_CONSTANT)
    frame = 170.0 * light / np.percentile(light[light > 0.1 * light.max()], 97) + 12.0
    return np.clip(np.rint(frame + rng.normal(0.0, 2.0, SHAPE)), 0, 255).astype(np.uint8)


def overexposed(line_px: np.ndarray, sigma_px: float, rng: np.random.Generator) -> np.ndarray:
    """Return the frame of a line evenly bright over 1.8 ``sigma_px`` to each side, far beyond the sensor's limit."""
    frame = np.zeros(SHAPE, np.float32)
    points = np.rint(16 * line_px).astype(np.int32).reshape(-1, 1, 2)
    for shift in np.linspace(-0.5, 0.5, 5):
        layer = np.zeros(SHAPE, np.float32)
        cv2.polylines(layer, [points], False, 900.0, max(1, round(3.6 * sigma_px + 2 * shift)), cv2.LINE_AA, 4)
        frame += layer / 5
    frame = cv2.GaussianBlur(frame, (0, 0), 1.0) + 12.0
    return np.clip(np.rint(frame + rng.normal(0.0, 2.0, SHAPE)), 0, 255).astype(np.uint8)


def legs_off_mm(frame: np.ndarray) -> float:
    """Return how far the legs of the tee in a frame are off at most."""
    leg = HALF_PX * float(np.hypot(1.0, SLOPE)) * MM_PER_PX
    (weld,) = measure_frame(frame, CALIBRATION, joint="tee").found.welds
    found = [measure(weld.section)[name] for name in ("leg_left", "leg_right")]
    assert all(isinstance(value, Quantity) for value in found)
    return max(abs(value.value - leg) for value in found)


@pytest.mark.parametrize("bulge_px", [-10.0, 0.0, 14.0])
@pytest.mark.parametrize(("sigma_px", "most_mm"), [(2.0, 0.01), (5.5, 0.07)])
def test_the_blur_of_a_line_hardly_moves_a_toe(bulge_px: float, sigma_px: float, most_mm: float) -> None:
    """Points that the blur of a thick line rounds told how the face leads to its toe: legs were 0.08 to 0.11 mm off."""
    for seed in range(3):
        assert legs_off_mm(blurred(tee_line(bulge_px), sigma_px, np.random.default_rng(seed))) < most_mm


@pytest.mark.parametrize("bulge_px", [-10.0, 14.0])
@pytest.mark.parametrize("sigma_px", [3.0, 5.5])
def test_the_band_of_an_overexposed_line_hardly_moves_a_toe(bulge_px: float, sigma_px: float) -> None:
    """Its sides are sharp, and what they tell as blur is little: the face was taken from where the band turns."""
    for seed in range(2):
        assert legs_off_mm(overexposed(tee_line(bulge_px), sigma_px, np.random.default_rng(seed))) < 0.08


def test_the_width_of_a_band_is_told_only_where_it_is_overexposed() -> None:
    line = np.array([[-10.0, 300.0], [1210.0, 340.0]])
    clear = extract(blurred(line, 4.0, np.random.default_rng(1)))
    assert clear.band_px == 0.0
    frame = overexposed(line, 9.0 / 1.8, np.random.default_rng(1))
    rows = np.count_nonzero(frame[:, 400:800] > 133, axis=0).mean()
    assert extract(frame).band_px == pytest.approx(rows / 2.355, abs=0.5)
