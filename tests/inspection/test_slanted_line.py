"""A slanted line may be a function of the row or of the column of the frame, and not of the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from calibration.model import from_pixel_size
from core.errors import NothingMeasurable
from core.quantity import Quantity
from inspection.laser_frame import measure_frame
from measurement import measure

SHAPE, MM_PER_PX = (1100, 1000), 0.04
CALIBRATION = replace(from_pixel_size(MM_PER_PX, relative_std=0.0), kind="laser")
LEG_ALONG_PX, LEG_UP_PX, EDGE_PX = 150.0, 110.0, 190.0


def lap_line(slope_deg: float) -> np.ndarray:
    """Return the polyline of a lap of slanted plates, whose edge leads back towards the top of the frame."""
    a = np.radians(slope_deg)
    along, up = np.array([np.cos(a), np.sin(a)]), np.array([np.sin(a), -np.cos(a)])
    root = np.array([480.0, 560.0])
    toes = root - LEG_ALONG_PX * along, root + LEG_UP_PX * up
    corner = root + EDGE_PX * up
    return np.array([root - 900.0 * along, *toes, corner, corner + 900.0 * along])


@pytest.mark.parametrize("slope_deg", [60.0, 66.0])
def test_the_edge_of_a_slanted_lap_is_followed_from_left_to_right(slope_deg: float) -> None:
    """Its plates rise more than they go to the right: followed from top to bottom the line lost its edge."""
    frame = stripe_picture(SHAPE, lap_line(slope_deg), Light(noise=3.0), np.random.default_rng(3))
    made = measure_frame(frame, CALIBRATION, joint="lap")
    assert made.stripe.orientation == "rows"
    found = measure(made.found.welds[0].section)
    legs = sorted(float(found[name].value) for name in ("leg_left", "leg_right"))
    assert legs == pytest.approx([LEG_UP_PX * MM_PER_PX, LEG_ALONG_PX * MM_PER_PX], abs=0.04)
    assert isinstance(angle := found["joint_angle"], Quantity)
    assert angle.value == pytest.approx(90.0, abs=0.3)


def test_a_slanted_line_without_a_weld_stays_none() -> None:
    line = np.array([[100.0, -50.0], [900.0, 1150.0]])
    frame = stripe_picture(SHAPE, line, Light(noise=3.0), np.random.default_rng(3))
    with pytest.raises(NothingMeasurable, match="no weld"):
        measure_frame(frame, CALIBRATION)
