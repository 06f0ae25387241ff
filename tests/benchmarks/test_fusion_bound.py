"""The bound of a fusion line's rms: against the textbook's bound in white noise, and how it grows."""

import math
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.fusion_bound import FREE_WAVES, bound_px
from benchmarks.render.etch_paint import Etch

PLAIN = Etch(weld_texture=1e-4, parent_texture=1e-4, noise=0.02, fusion_blur_px=2.0, blur_px=0.8)
ARC = 200 * np.column_stack([np.cos(np.linspace(0, 3, 200)), np.sin(np.linspace(0, 3, 200))])


def test_without_grain_and_wander_it_is_that_of_a_step_in_white_noise() -> None:
    """Variance of a shift, one sample a pixel: noise^2 * 2 sqrt(pi) * blur / step^2 (sum of the squared slope)."""
    per_wave = (255 * 0.02) ** 2 * (1 + 0.5 * (0.4 + 0.6)) * 2 * math.sqrt(math.pi) * math.hypot(2, 0.8) / 51**2
    least = bound_px(replace(PLAIN, haz=0.6, weld=0.4), ARC, 0.5)
    # At half a millimetre a pixel the wander is 0.06 px: hardly more than the longest waves are to be found.
    samples = round(600 / 2)
    assert least == pytest.approx(math.sqrt(FREE_WAVES * per_wave / samples), rel=0.35)


@pytest.mark.parametrize(
    "worse", [{"fusion_blur_px": 6.0}, {"weld_texture": 0.06}, {"parent_texture": 0.045}, {"weld": 0.5}]
)
def test_it_grows_with_blur_and_grain_and_falls_with_contrast(worse: dict[str, float]) -> None:
    etch = Etch(fusion_blur_px=3.0, weld_texture=0.02, parent_texture=0.01)
    assert bound_px(replace(etch, **worse), ARC, 0.023) > 1.05 * bound_px(etch, ARC, 0.023)
