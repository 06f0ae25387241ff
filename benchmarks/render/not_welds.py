"""Pictures without a weld, which the program must refuse and not measure."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.render.camera import Camera, add_noise, blur, coverage, to_integers
from benchmarks.render.geometry import Drawing, bare_plate
from benchmarks.render.scene import Exposure, Look, paint
from benchmarks.render.targets import Target, paint_target
from benchmarks.render.textures import cloud

Image = NDArray[np.uint8]


def page_of_text(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a printed page: lines of words of random length."""
    page = np.full((height, width), 235, np.uint8)
    step = max(18, height // 40)
    letters = "etaoinshrdlucmfwypvbgk"
    for y in range(2 * step, height - step, step):
        x = step
        while x < width - 4 * step:
            word = "".join(letters[int(i)] for i in rng.integers(0, len(letters), int(rng.integers(2, 10))))
            scale = step / 40
            cv2.putText(page, word, (x, y), cv2.FONT_HERSHEY_SIMPLEX, scale, 30, max(1, step // 20), cv2.LINE_AA)
            x += int(cv2.getTextSize(word, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)[0][0]) + step // 2
    return _finish(np.asarray(page / 255, np.float32), rng)


def landscape(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a sky over rolling ground: gradients and soft borders."""
    y = np.linspace(0, 1, height, dtype=np.float32)[:, None]
    picture = np.repeat(0.85 - 0.3 * y, width, axis=1)
    for level in (0.5, 0.65, 0.8):
        hills = level + 0.06 * cloud(2, width, width / 6, rng)[:1]
        below = np.clip((y - hills) * 200, 0, 1)
        picture += below * (0.7 - 0.6 * level + 0.03 * cloud(height, width, 12, rng) - picture)
    return _finish(blur(np.asarray(picture, np.float32), 1.0), rng)


def noise(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return nothing but noise."""
    return to_8_bits(0.5 + 0.2 * rng.standard_normal((height, width), dtype=np.float32))


def bare(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a plate without a weld, on a dark ground."""
    return _scene(bare_plate(30 + float(rng.uniform(0, 10)), float(rng.uniform(5, 12))), rng, width, height)


def blank(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return an evenly lit sheet."""
    return _finish(np.full((height, width), float(rng.uniform(0.2, 0.9)), np.float32), rng)


def black(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a picture taken with the lens cap on."""
    return np.zeros((height, width), np.uint8)


def disc(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a round coin on a dark ground."""
    angles = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius = float(rng.uniform(0.2, 0.35)) * height
    ring = np.array([width / 2, height / 2]) + radius * np.column_stack([np.cos(angles), np.sin(angles)])
    return _finish(blur(0.1 + 0.6 * coverage([ring], height, width), 0.8), rng)


def chessboard(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a calibration board and nothing else."""
    camera = Camera(width, height, 60 / width, float(rng.uniform(-20, 20)))
    picture = np.full((height, width), 0.6, np.float32)
    paint_target(picture, camera, Target("chessboard", (-18.0, -9.0), corners=(8, 3), square_mm=4.0))
    return _finish(blur(picture, 0.7), rng)


def scattered_scraps(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return pieces of sheet of many shapes, none of them a joint."""
    picture = np.full((height, width), 0.85, np.float32)
    for _ in range(9):
        centre = rng.uniform([0.1 * width, 0.1 * height], [0.9 * width, 0.9 * height])
        angles = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(5, 9))))
        ring = centre + rng.uniform(0.03, 0.09) * width * np.column_stack([np.cos(angles), np.sin(angles)])
        picture -= coverage([ring], height, width) * np.clip(picture - 0.3, 0, 1)
    return _finish(blur(picture, 0.8), rng)


NOT_WELDS: dict[str, Callable[[np.random.Generator, int, int], Image]] = {
    "page_of_text": page_of_text,
    "landscape": landscape,
    "noise": noise,
    "bare_plate": bare,
    "blank": blank,
    "black": black,
    "disc": disc,
    "chessboard": chessboard,
    "scattered_scraps": scattered_scraps,
}


def to_8_bits(picture: NDArray[np.float32]) -> Image:
    """Round a picture of full scale 1 to 8 bits."""
    return np.asarray(to_integers(picture, 8), np.uint8)


def _finish(picture: NDArray[np.float32], rng: np.random.Generator) -> Image:
    return to_8_bits(add_noise(picture, rng, read=0.004, shot=0.006))


def _scene(drawing: Drawing, rng: np.random.Generator, width: int, height: int) -> Image:
    camera = Camera(width, height, 60 / width, float(rng.uniform(-30, 30)))
    return np.asarray(paint(drawing, camera, Look(), Exposure(), rng, roughness_mm=0.005), np.uint8)
