"""Which ticks of a rule are longer, and where ticks lie that the picture cuts."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.ruler import calibrate_ruler
from calibration.strip import Strip, align
from calibration.ticks import _step_of_rows


def long_at(index, *, step, first, missing=()):
    """Return the contrast of ticks that go on at every ``step``-th, (N, 1)."""
    on = (index % step == first % step) & ~np.isin(index, missing)
    return on.astype(float)[:, None]


def test_a_long_tick_that_is_hidden_does_not_double_the_step():
    """At every twentieth tick all that are seen are long; the others between them are long, too."""
    index = np.arange(46)
    contrast = long_at(index, step=10, first=5, missing=(45,))
    assert _step_of_rows(index, contrast, np.ones(contrast.shape, bool)) == [10]


def test_ticks_that_go_on_beyond_the_picture_are_left_out():
    """Of three long ticks the picture shows two: the third is none that is short."""
    index = np.arange(25)
    contrast = long_at(index, step=10, first=4, missing=(24,))
    shown = np.ones(contrast.shape, bool)
    assert _step_of_rows(index, contrast, shown) == [0]
    shown[24] = False
    assert _step_of_rows(index, contrast, shown) == [10]


@pytest.mark.parametrize("angle_deg", [14.0, 35.0, 166.0])
def test_the_edge_of_the_picture_does_not_move_ticks(draw, angle_deg):
    """Oblique ticks of which the edge leaves a part are left out: that part lies beside the middle of the tick."""
    raster, raster_px_per_mm, first = draw.rule(130, 1.0)
    view = draw.view(0.0, 0.0, angle_deg, 12.0, 2600.0, (625.0, 475.0), (first[0] + 64.5, first[1]))
    gray = draw.seen(raster, raster_px_per_mm, view, (1250, 950), noise=1.0)
    ticks = np.array(calibrate_ruler(gray, 1.0).provenance["ticks_px"])
    along_mm = draw.through(np.linalg.inv(view), ticks)[:, 0] - first[0]
    assert len(ticks) > 100
    assert np.abs(along_mm - np.round(along_mm)).max() * 12.0 < 0.1


@pytest.mark.parametrize("seed", range(3))
def test_rows_where_every_second_tick_goes_on_are_not_those_of_all(seed):
    """They hold half as many stripes, here a third bolder than the finest."""
    period, finest, longer, top = 16, 40, 80, 160
    picture = np.full((400, 1200), 220, np.float32)
    for tick, x in enumerate(range(40, 1160, period)):
        length, width = (longer, 4) if tick % 2 == 0 else (finest, 3)
        picture[top : top + length, x : x + width] = 40
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0) + np.random.default_rng(seed).normal(0.0, 5.0, picture.shape)
    strip = Strip(np.array([600.0, top + 20.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]), float(period))
    aligned = align(np.clip(picture, 0, 255).astype(np.uint8), strip, 12.0, (-20.0, 60.0))
    assert aligned is not None
    moved, (low, high) = aligned
    assert moved.origin[1] + low == pytest.approx(top, abs=4)
    assert moved.origin[1] + high == pytest.approx(top + finest, abs=8)
