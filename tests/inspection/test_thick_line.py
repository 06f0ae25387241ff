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


@pytest.mark.parametrize("bulge_px", [-10.0, 0.0, 14.0])
@pytest.mark.parametrize(("sigma_px", "most_mm"), [(2.0, 0.01), (5.5, 0.07)])
def test_the_blur_of_a_line_hardly_moves_a_toe(bulge_px: float, sigma_px: float, most_mm: float) -> None:
    """Points that the blur of a thick line rounds told how the face leads to its toe: legs were 0.08 to 0.11 mm off."""
    leg = HALF_PX * float(np.hypot(1.0, SLOPE)) * MM_PER_PX
    for seed in range(3):
        frame = blurred(tee_line(bulge_px), sigma_px, np.random.default_rng(seed))
        (weld,) = measure_frame(frame, CALIBRATION, joint="tee").found.welds
        found = measure(weld.section)
        for name in ("leg_left", "leg_right"):
            assert isinstance(value := found[name], Quantity)
            assert abs(value.value - leg) < most_mm
