"""Stripes against an independent transform, and rules that are followed once only."""

from __future__ import annotations

import numpy as np
import pytest

import calibration.ruler
from calibration.rows import follow, is_followed
from calibration.stripes import TILE_PX, Stripes, _Spectrum, find_stripes


def test_spectra_are_those_of_a_whole_transform() -> None:
    tiles = np.random.default_rng(3).normal(0, 20, (5, TILE_PX, TILE_PX)).astype(np.float32)
    grid = _Spectrum()
    hann = np.hanning(TILE_PX + 2)[1:-1]
    whole = np.fft.fft2(tiles * np.outer(hann, hann))
    wanted = whole[:, np.arange(-grid.most, grid.most + 1)[:, None] % TILE_PX, np.arange(grid.most + 1)[None, :]]
    real, imaginary = grid.of(tiles)
    assert np.abs(real + 1j * imaginary - wanted).max() < 1e-5 * np.abs(wanted).max()


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 141.0])
@pytest.mark.parametrize("period_px", [4.2, 6.5, 8.1])
def test_direction_and_spacing_of_stripes(angle_deg: float, period_px: float) -> None:
    way = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    y, x = np.indices((200, 200))
    wave = np.cos(2 * np.pi * (x * way[0] + y * way[1]) / period_px)
    noise = np.random.default_rng(1).normal(0, 4, wave.shape)
    best = find_stripes(np.clip(128 + 40 * wave + noise, 0, 255).astype(np.uint8), 0)[0]
    assert best.period_px == pytest.approx(period_px, rel=0.02)
    assert abs(float(best.direction @ way)) > np.cos(np.radians(2.0))


def test_a_rule_is_followed_once_and_another_beside_it_too(draw) -> None:
    raster, per_mm, _ = draw.rule(60, px_per_spacing=24)
    gray = draw.seen(raster, per_mm, draw.view(px_per_mm=12.0, centre=(400.0, 300.0), middle=(30.0, 5.0)))
    calls = []

    def counted(*arguments):
        calls.append(arguments)
        return follow(*arguments)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(calibration.ruler, "follow", counted)
        found = calibration.ruler._graduations(gray)
    best = found[0]
    at = best.points_px[best.count // 2]
    same = Stripes(at, best.along, best.period_px, 32.0, 1.0)
    assert is_followed(same, found)
    assert not is_followed(Stripes(at, best.along, 1.27 * best.period_px, 32.0, 1.0), found)
    assert not is_followed(Stripes(at, best.tick, best.period_px, 32.0, 1.0), found)
    far = at + (32.0 + 8.0 * best.period_px) * best.tick
    assert not is_followed(Stripes(far, best.along, best.period_px, 32.0, 1.0), found)
    periods = [round(float(c[3].period_px)) for c in calls]
    assert periods.count(round(best.period_px)) <= 1
