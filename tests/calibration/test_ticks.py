"""Which ticks of a rule are longer, and where ticks lie that the picture cuts."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.ruler import calibrate_ruler
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
