"""Where ticks lie that the picture cuts."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.ruler import calibrate_ruler


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
