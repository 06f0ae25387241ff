"""What is not known of the place of a whole face: its wander, its tone, a shade at the rim."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.quantity import Quantity
from measurement import measure
from measurement.uncertainty import Noise, edge_bias_px, noise_of

STEP_MM, WANDER_MM, LENGTH_MM = 0.03, 0.006, 1.2
PIECE_MM = 1.7 * LENGTH_MM


def noise(**more: float) -> Noise:
    plain = {"edge_bias_mm": 0.0, "blur_mm": 0.0, "resolution_mm": STEP_MM, "relative_std": {}}
    return Noise(point_std_mm=WANDER_MM, correlation_points=12.0, **(plain | more))


@pytest.mark.parametrize("length_mm", [4.0, 9.0, 20.0])
def test_mean_of_a_face_strays_as_its_wander_lets_it(length_mm):
    """Gaussian wander whose integral over distance is one piece, drawn on a long line and cut into faces."""
    rng = np.random.default_rng(5)
    width = PIECE_MM / np.sqrt(2 * np.pi) / STEP_MM
    kernel = np.exp(-((np.arange(-600, 601) / width) ** 2))  # its square falls off as the wander does
    line = np.convolve(rng.standard_normal(600_000), kernel / np.sqrt(np.sum(kernel**2)), mode="valid") * WANDER_MM
    count = round(length_mm / STEP_MM)
    means = line[: len(line) // count * count].reshape(-1, count).mean(axis=1)
    stated = noise(wander_mm=WANDER_MM, wander_length_mm=LENGTH_MM).of_face(length_mm, count)
    assert stated == pytest.approx(float(means.std()), rel=0.12)
    # neighbours that are seen to stray alike over 0.36 mm would make it half of that
    assert noise().of_face(length_mm, count) < 0.6 * stated


def test_area_is_less_sure_where_surfaces_wander_far(draw):
    section = draw.fillet(90, 6.0, 7.0, 0.4, draw.Sampling(noise=WANDER_MM, rng=np.random.default_rng(1)))
    section = replace(section, point_std_mm=WANDER_MM)
    wandering = replace(section, wander_mm=WANDER_MM, wander_length_mm=LENGTH_MM)
    plain, wide = (edge_of(measure(each)["weld_area"]) for each in (section, wandering))
    assert wide > 3 * plain


def test_area_is_less_sure_where_tones_differ(draw):
    section = draw.fillet(90, 6.0, 7.0, 0.4, draw.Sampling())
    assert section.face is not None
    alike, unlike = (replace(section, face=replace(section.face, unlike=share)) for share in (0.0, 0.4))
    first, second = (bias_of(measure(each)["weld_area"]) for each in (alike, unlike))
    assert second > 3 * first
    bias = noise_of(section).bias_of_face
    assert alike.face is not None
    assert bias(alike.face) < bias(section.face)


def test_a_shade_at_the_rim_moves_blurred_edges_of_coarse_pixels_most():
    sharp, blurred = edge_bias_px(0.6 * 0.03, 0.03), edge_bias_px(2.0 * 0.03, 0.03)
    assert blurred > 2 * sharp
    assert edge_bias_px(0.6 * 0.06, 0.06) > 1.5 * sharp


def edge_of(value: object) -> float:
    return part_of(value, "edge")


def bias_of(value: object) -> float:
    return part_of(value, "resolution")


def part_of(value: object, source: str) -> float:
    assert isinstance(value, Quantity)
    return next(part.standard_uncertainty for part in value.budget if part.source == source)
