"""Stains on an etched section: what dried there darkens weld metal and parent metal alike."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.render.etch_paint import EtchedPicture
from core.geometry import Points

Gray = NDArray[np.uint8]
Floats = NDArray[np.float64]

CORNERS, WAVES, FINER = 64, 5, 16


def stained(picture: EtchedPicture, outlines_px: list[Points], rng: np.random.Generator) -> Gray:
    """Return a picture, (H, W), with three to seven stains near its fusion lines, on its metal alone.

    Parameters
    ----------
    outlines_px
        Of the metal.
    """
    gray = picture.picture
    metal = np.zeros(gray.shape, np.uint8)
    cv2.fillPoly(metal, [np.rint(outline).astype(np.int32) for outline in outlines_px], 255)
    lines = np.vstack([line for own in picture.fusion_px for line in own])
    left = np.ones(gray.shape)
    for _ in range(int(rng.integers(3, 8))):
        middle = lines[rng.integers(len(lines))] + rng.normal(0, 2.2 / picture.camera.mm_per_px, 2)
        size_px = float(rng.uniform(0.4, 1.6)) / picture.camera.mm_per_px
        left *= darkened(
            gray.shape, blob(rng, middle, size_px), float(rng.uniform(0.2, 0.6)), float(rng.uniform(0.8, 3))
        )
    return np.where(metal > 0, np.clip(gray * left, 0, 255), gray).astype(np.uint8)


def blob(rng: np.random.Generator, middle: Points, size_px: float) -> Points:
    """Return a closed outline, (N, 2), that wanders about a circle."""
    turn = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False)
    radius = np.ones(CORNERS)
    for wave in range(1, WAVES + 1):
        radius += rng.normal(0, 0.35 / wave) * np.cos(wave * turn + rng.uniform(0, 2 * np.pi))
    radius = size_px * np.clip(radius, 0.3, 2.0)
    return np.asarray(middle + radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]))


def darkened(shape: tuple[int, ...], outline: Points, by: float, blur_px: float) -> Floats:
    """Return what is left of the light within an outline, (H, W): all but a share, over a rim as soft as told."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(outline * FINER).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return np.asarray(1.0 - by * cv2.GaussianBlur(mask / 255.0, (0, 0), blur_px))
