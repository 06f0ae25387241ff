"""Levels across an edge told from those across two, against curves written down from the error function."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from vision.two_edges import INSIDE_PX, OF_ONE, OUTSIDE_PX, two_edges

ACROSS = np.arange(-INSIDE_PX, OUTSIDE_PX + 1.0)
FINE = np.linspace(-16.0, 16.0, 6401)
GRAIN = 0.15


def grained(levels: np.ndarray, seed: int = 0) -> np.ndarray:
    return np.asarray(levels + GRAIN * np.random.default_rng(seed).standard_normal(levels.shape))


def banded(ground: float, band: float, metal: float, outer: float, inner: float, blur: float) -> np.ndarray:
    """Ground, band and metal from outside inwards, with edges at two places, under a Gaussian blur."""
    levels = ground + (band - ground) * ndtr((outer - ACROSS) / blur) + (metal - band) * ndtr((inner - ACROSS) / blur)
    return np.asarray(levels)


def spread(levels: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    padded = np.pad(levels, len(kernel), mode="edge")
    return np.asarray(np.convolve(padded, kernel / kernel.sum(), mode="same")[len(kernel) : -len(kernel)])


def normal(width: float) -> np.ndarray:
    x = np.arange(-6.0, 6.0, FINE[1] - FINE[0])
    return np.exp(-0.5 * (x / width) ** 2)


@pytest.mark.parametrize("tones", [(20.0, 160.0), (210.0, 90.0)])
@pytest.mark.parametrize("blur", [0.6, 1.0, 1.7, 2.5])
def test_one_edge_is_no_pair(tones: tuple[float, float], blur: float) -> None:
    for seed, place in enumerate((-0.3, 0.0, 0.17)):
        levels = tones[0] + (tones[1] - tones[0]) * ndtr((place - ACROSS) / blur)
        shaded = levels + 6.0 * np.minimum(ACROSS, 0.0) / INSIDE_PX
        assert two_edges(grained(levels, seed), GRAIN) is None
        assert two_edges(grained(shaded, seed), GRAIN) is None


@pytest.mark.parametrize("tones", [(20.0, 160.0), (210.0, 90.0)])
@pytest.mark.parametrize("kind", ["disc 2", "disc 4", "sharpened", "stray light"])
def test_what_alters_both_sides_of_an_edge_alike_is_no_pair(tones: tuple[float, float], kind: str) -> None:
    """Out of focus by a disc of 2 or 4 px, sharpened with halos on both sides, a tenth of the light strewn wide."""
    levels = np.where(FINE < 0.11, tones[1], tones[0]).astype(float)
    if kind.startswith("disc"):
        x = np.arange(-6.0, 6.0, FINE[1] - FINE[0])
        levels = spread(levels, np.sqrt(np.maximum(float(kind[5:]) ** 2 - x**2, 0.0)))
    levels = spread(levels, normal(0.9))
    if kind == "sharpened":
        levels += 0.8 * (levels - spread(levels, normal(1.5)))
    if kind == "stray light":
        levels = 0.9 * levels + 0.1 * spread(levels, normal(4.0))
    assert two_edges(np.interp(ACROSS, FINE, levels), GRAIN) is None


@pytest.mark.parametrize("width", [1.5, 3.0, 6.0])
@pytest.mark.parametrize("blur", [0.8, 1.4])
def test_a_dark_gap_beside_light_resin(width: float, blur: float) -> None:
    """The stronger edge, of the resin, was followed: the metal's lies inside by the gap's width, and is allowed for."""
    edges = two_edges(grained(banded(220.0, 30.0, 130.0, 0.0, -width, blur)), GRAIN)
    assert edges is not None
    assert edges.inner_px == pytest.approx(-width, abs=0.5)
    assert 2 * edges.std_px > width


@pytest.mark.parametrize("share", [0.35, 0.5, 0.7])
def test_a_darkened_rim_of_bright_metal(share: float) -> None:
    """Whichever of the two edges is the stronger and was followed, the outer one, the metal's, is allowed for."""
    followed = 0.0 if share < 0.5 else -4.0
    levels = banded(20.0, 160.0 - 140.0 * share, 160.0, -followed, -4.0 - followed, 1.0)
    edges = two_edges(grained(levels), GRAIN)
    assert edges is not None
    assert edges.outer_px - edges.inner_px == pytest.approx(4.0, abs=0.6)
    assert 2 * edges.std_px >= -followed


def test_grain_as_large_as_what_is_seen_tells_nothing() -> None:
    levels = banded(220.0, 180.0, 185.0, 0.0, -2.0, 1.0)
    assert two_edges(levels, 20.0) is None
    assert two_edges(np.full(len(ACROSS), 80.0)) is None
    assert two_edges(banded(220.0, 30.0, 130.0, 0.0, -2.0, 1.0), GRAIN, OF_ONE) is not None
