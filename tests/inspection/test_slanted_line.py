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


def test_a_plate_that_leads_back_is_found_though_a_spark_passes_for_it(monkeypatch) -> None:
    """Sparks may hide which way a line runs: a spark beside the weld was its plate, on few points, at 139 degrees."""
    monkeypatch.setattr("vision.stripe.runs_along_rows", lambda _: True)
    root, up = np.array([480.0, 560.0]), np.array([0.34, -np.sqrt(1 - 0.34**2)])
    down = np.array([-up[1], up[0]])
    line = np.array([root + 700.0 * up, root + 150.0 * up, root + 190.0 * down, root + 900.0 * down])
    spark = np.array([[330.0, 300.0], [367.0, 366.0], [420.0, 420.0]])
    light = Light(amplitude=90.0, noise=3.0)
    made = measure_frame(
        stripe_picture(SHAPE, [line, spark], light, np.random.default_rng(3)), CALIBRATION, joint="tee"
    )
    assert made.stripe.orientation == "columns"
    found = measure(made.found.welds[0].section)
    assert found["leg_left"].value == pytest.approx(150.0 * MM_PER_PX, abs=0.04)
    assert found["leg_right"].value == pytest.approx(190.0 * MM_PER_PX, abs=0.04)
