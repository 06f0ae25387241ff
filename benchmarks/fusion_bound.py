"""How well a drawn fusion line can be found at all: a bound on the rms of whoever knows the grain by its covariance.

The true line is a smooth curve with a wander. Each of its waves along the line is known no better than by the
information that the blurred step gives against the texture of both sides and the noise (`vision.fusion_matched`
with what was really drawn: contrast, blur, grain, noise), together with what is known of the wander beforehand
(Bayesian Cramer-Rao bound). What is not in it: toes, gaps and pores that hide the line, and that grain is no Gaussian
field: the bound holds for estimates that are linear in the grey levels, as the program's last step is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchmarks.render import camera as cam
from benchmarks.render.etch import wandering
from benchmarks.render.etch_paint import Etch, columns, grains
from core.geometry import Points, arc_length
from vision.fusion_matched import Edge, Texture, Waves, information, texture_of, waves

Floats = NDArray[np.float64]

SPACING_PX = 2.0
BAND_PX = 30
FREE_WAVES = 8
"""The longest waves make the curve's shape, of which nothing is known beforehand."""
WANDER_MM, DRAWS = 0.03, 24


def bound_px(etch: Etch, line_px: Points, mm_per_px: float, seed: int = 0) -> float:
    """Return the least rms distance from a true line, (N, 2) px, that can be hoped for in its etch, px."""
    rng = np.random.default_rng(seed)
    length = float(arc_length(line_px)[-1])
    count = max(40, round(length / SPACING_PX))
    basis = waves(count, SPACING_PX, tied=(True, True))
    radius = float(np.mean(np.hypot(*(line_px - line_px.mean(axis=0)).T)))
    blur = math.hypot(etch.fusion_blur_px, etch.blur_px)
    noise = (255 * etch.noise) ** 2 * (1 + 0.5 * (etch.weld + etch.haz)) + 1 / 12
    edge = Edge(255 * etch.contrast, blur, *_textures(etch, mm_per_px, radius, rng), noise)
    _, gathered = information(edge, np.arange(-BAND_PX, BAND_PX + 1.0), basis.frequencies, SPACING_PX)
    gathered = gathered * np.exp(-4 * np.pi**2 * blur**2 * basis.frequencies**2)
    before = _wander(count, length * mm_per_px, rng, basis) / mm_per_px**2
    known = np.where(np.arange(len(before)) < FREE_WAVES, 0.0, 1 / np.maximum(before, 1e-12))
    return math.sqrt(float(np.sum(1 / (gathered + known))) / count)


def _textures(etch: Etch, mm_per_px: float, radius_px: float, rng: np.random.Generator) -> tuple[Texture, Texture]:
    """Return the texture of weld metal and of the zone beside it as they are drawn, along and across the line."""
    height, width = 400, 120
    cell = etch.weld_grain_mm / mm_per_px
    if etch.weld_grain == "columnar":
        weld = columns(height, width, cell, (0.5 * width - radius_px, 0.5 * height), rng)
    else:
        weld = grains(height, width, cell, rng)
    zone = grains(height, width, 0.6 * etch.parent_grain_mm / mm_per_px, rng)
    found = []
    for plane, strength in ((weld, etch.weld_texture), (zone, etch.parent_texture)):
        drawn = cam.blur(np.asarray(255 * strength * plane, np.float32), etch.blur_px)
        texture, unshared = texture_of(
            np.asarray(drawn[::2] - drawn.mean(), np.float64), np.ones(drawn[::2].shape, bool), (SPACING_PX, 1.0)
        )
        found.append(Texture(texture.variance + max(unshared - 1.0, 0.0), texture.along_px, texture.across_px))
    return found[0], found[1]


def _wander(count: int, length_mm: float, rng: np.random.Generator, basis: Waves) -> Floats:
    """Return the mean square of each wave in the wander that lines are drawn with, mm^2 (K,)."""
    straight = np.column_stack([np.linspace(0.0, length_mm, count), np.zeros(count)])
    squares = [basis.of(wandering(rng, straight, WANDER_MM)[:, 1]) ** 2 for _ in range(DRAWS)]
    return np.asarray(np.mean(squares, axis=0))
