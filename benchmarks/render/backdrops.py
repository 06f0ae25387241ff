"""What sections lie on when nobody made it plain: wood, cloth, squared paper, a cutting mat, coloured card, stone.

Tones are shares of full scale, one a colour; scales are in pixels, for a camera sees a bench at any distance.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchmarks.render.textures import cloud

Plane = NDArray[np.float32]

KINDS = ("wood", "cloth", "squared paper", "cutting mat", "card", "stone")

CARDS = ((0.55, 0.28, 0.15), (0.16, 0.16, 0.66), (0.22, 0.5, 0.2), (0.15, 0.62, 0.78), (0.6, 0.6, 0.3))
"""Blue, red, green, yellow and turquoise, in the order blue, green, red."""


def backdrop(kind: str, height: int, width: int, rng: np.random.Generator) -> Plane:
    """Return a background of one of ``KINDS``, (H, W, 3) blue, green, red."""
    draw = {
        "wood": _wood,
        "cloth": _cloth,
        "squared paper": _squared_paper,
        "cutting mat": _cutting_mat,
        "card": _card,
        "stone": _stone,
    }[kind]
    return np.clip(draw(height, width, rng), 0.01, 0.97).astype(np.float32)


def _coloured(tone: Plane, colour: ArrayLike) -> Plane:
    return np.asarray(tone[..., None] * np.asarray(colour, np.float32), np.float32)


def _wood(height: int, width: int, rng: np.random.Generator) -> Plane:
    ring, fine = float(rng.uniform(25, 70)), float(rng.uniform(5, 12))
    rows = np.arange(height, dtype=np.float32)[:, None] + ring * cloud(height, width, 500, rng)
    grain = 0.1 * np.sin(rows * (2 * np.pi / ring)) + 0.05 * np.sin(rows * (2 * np.pi / fine))
    tone = float(rng.uniform(0.75, 1.1)) + grain + 0.03 * cloud(height, width, 3, rng)
    return _coloured(np.asarray(tone, np.float32), (0.28, 0.44, 0.6))


def _cloth(height: int, width: int, rng: np.random.Generator) -> Plane:
    thread = float(rng.uniform(4, 12))
    x = np.sin(np.arange(width, dtype=np.float32) * np.float32(np.pi / thread))[None, :]
    y = np.sin(np.arange(height, dtype=np.float32) * np.float32(np.pi / thread))[:, None]
    folds = 0.08 * cloud(height, width, 600, rng)
    tone = 1.0 + 0.25 * x * y + folds + 0.08 * cloud(height, width, 3, rng)
    return _coloured(np.asarray(tone, np.float32), rng.uniform(0.15, 0.55) * rng.uniform(0.7, 1.3, 3))


def _squared_paper(height: int, width: int, rng: np.random.Generator) -> Plane:
    square = int(rng.uniform(60, 220))
    tone = np.full((height, width), rng.uniform(0.82, 0.93), np.float32)
    tone += 0.01 * cloud(height, width, 40, rng) + 0.006 * cloud(height, width, 2, rng)
    paper = _coloured(tone, (1.0, 1.0, 1.0))
    start = int(rng.integers(square))
    ink = np.array([0.78, 0.62, 0.5], np.float32)
    for step in range(3):
        paper[start + step :: square] = ink
        paper[:, start + step :: square] = ink
    return paper


def _cutting_mat(height: int, width: int, rng: np.random.Generator) -> Plane:
    square = int(rng.uniform(120, 350))
    mat = _coloured(1.0 + 0.04 * cloud(height, width, 2, rng), (0.24, 0.45, 0.22))
    start = int(rng.integers(square))
    for step in range(3):
        mat[start + step :: square] = (0.45, 0.72, 0.5)
        mat[:, start + step :: square] = (0.45, 0.72, 0.5)
    return mat


def _card(height: int, width: int, rng: np.random.Generator) -> Plane:
    tone = 1.0 + 0.015 * cloud(height, width, 2, rng) + 0.04 * cloud(height, width, 700, rng)
    return _coloured(tone, CARDS[int(rng.integers(len(CARDS)))])


def _stone(height: int, width: int, rng: np.random.Generator) -> Plane:
    tone = float(rng.uniform(0.2, 0.6)) + 0.05 * cloud(height, width, 9, rng) + 0.04 * cloud(height, width, 25, rng)
    return _coloured(np.asarray(tone, np.float32), (0.98, 1.0, 1.02))
