"""Colours that tell grey metal from a ground as bright as it is, and nothing where there is no colour to use."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.backdrops import KINDS, backdrop
from vision.colour_plane import colour_plane
from vision.ground import ROUGH, roughness
from vision.segmentation import reduce_picture
from vision.tone import ToneCurve

HEIGHT, WIDTH = 420, 640
BOX = (180, 120, 280, 170)
"""Left, top, width and height of the metal."""


def lying_on(ground: np.ndarray, *, tone: float | None = None, seed: int = 1) -> np.ndarray:
    """Return grey metal of the ground's own mean brightness on it, (H, W, 3) RGB."""
    rng = np.random.default_rng(seed)
    rgb = ground[..., ::-1].copy()
    level = float(rgb.mean(axis=(0, 1)) @ [0.299, 0.587, 0.114]) if tone is None else tone
    x, y, width, height = BOX
    rgb[y : y + height, x : x + width] = level
    rgb += rng.normal(0, 0.006, rgb.shape)
    return np.asarray(np.clip(cv2.GaussianBlur(rgb, (0, 0), 0.8), 0, 1) * 255, np.uint8)


def separation(plane: np.ndarray) -> float:
    """Return the step from metal to ground in spreads of the rougher of the two."""
    x, y, width, height = BOX
    metal = plane[y + 8 : y + height - 8, x + 8 : x + width - 8].astype(float)
    outside = np.ones(plane.shape, bool)
    outside[y - 8 : y + height + 8, x - 8 : x + width + 8] = False
    ground = plane[outside].astype(float)
    return abs(metal.mean() - ground.mean()) / max(metal.std(), ground.std())


@pytest.mark.parametrize("kind", ["wood", "cutting mat", "card"])
@pytest.mark.parametrize("curve", ["linear", "srgb"])
def test_metal_as_bright_as_its_ground_stands_out(kind: str, curve: ToneCurve) -> None:
    rgb = lying_on(backdrop(kind, HEIGHT, WIDTH, np.random.default_rng(4)))
    plane = colour_plane(rgb, curve)
    assert plane is not None
    assert plane.shape == (HEIGHT, WIDTH)
    assert separation(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)) < 2.0
    assert separation(plane) > 5.0


def test_without_colour_there_is_nothing_to_use() -> None:
    grey = np.repeat(backdrop("stone", HEIGHT, WIDTH, np.random.default_rng(1))[..., :1], 3, axis=2)
    assert colour_plane(lying_on(grey, tone=0.8), "linear") is None


def test_brightness_that_tells_them_is_left_alone() -> None:
    """White paper and dark metal: no sum of colours does better than brightness."""
    assert colour_plane(lying_on(np.full((HEIGHT, WIDTH, 3), (0.86, 0.9, 0.92)), tone=0.3), "linear") is None


@pytest.mark.parametrize("kind", ["plain", *KINDS])
def test_ground_that_is_not_plain_is_told(kind: str) -> None:
    plain = np.full((3 * HEIGHT, 3 * WIDTH, 3), 0.3)
    ground = plain if kind == "plain" else backdrop(kind, 3 * HEIGHT, 3 * WIDTH, np.random.default_rng(8))
    x, y, width, height = (3 * number for number in BOX)
    ground[y : y + height, x : x + width] = 0.75
    gray = cv2.cvtColor(np.asarray(255 * ground, np.uint8), cv2.COLOR_RGB2GRAY)
    sides = [(x, y, 1, 0, width), (x + width, y, 0, 1, height), (x + width, y + height, -1, 0, width),
             (x, y + height, 0, -1, height)]  # fmt: skip
    outline = np.array([(a + i * c, b + i * d) for a, b, c, d, n in sides for i in range(0, n, 3)], float)
    rough = roughness(outline, 0.8, reduce_picture(gray))
    assert (rough > ROUGH) == (kind in ("wood", "cloth", "stone"))
