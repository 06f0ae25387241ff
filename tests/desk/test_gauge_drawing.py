"""Gauges on the overlay: drawn where they touch, told by letters, and in place of the dimensions."""

from pathlib import Path

import numpy as np
import pytest

from calibration.model import from_pixel_size
from desk.drawing import Marker, Polyline, Text
from desk.gauge_drawing import BLADE, BODY, BRIDGE, drawn_readings, lettered
from desk.overlay import draw_overlay
from measurement import measure
from measurement.gauges import readings
from vision.find import find_welds
from vision.picture import read_colour, read_picture

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@pytest.fixture(scope="module", params=[("tee", 0.028), ("butt", 0.027), ("groove", 0.028)], ids=lambda p: p[0])
def shown(request):
    name, size = request.param
    calibration = from_pixel_size(size)
    path = SAMPLES / f"{name}.jpg"
    found = find_welds(read_picture(path).gray8, calibration)
    measured = tuple(measure(weld.section) for weld in found.welds)
    taken = tuple(readings(weld.section, values) for weld, values in zip(found.welds, measured, strict=True))

    def draw(units):
        return draw_overlay(read_colour(path), found, measured, units=units, calibration=calibration, gauges=taken)

    return name, taken, draw


def test_every_reading_is_drawn_and_told(shown):
    _, taken, draw = shown
    drawing = draw("metric")
    texts = [item.content for item in drawing.primitives if isinstance(item, Text)]
    strip = " ".join(" ".join(item.content for item in drawing.paper if isinstance(item, Text)).split())
    expected = [entry for weld in lettered(taken, "metric") for entry in weld]
    assert len(expected) >= 3
    for letter, item in expected:
        assert f"{letter}: {item.step_text}" in texts
        assert item.quantity.replace("_", " ") in strip
    assert not any(text.startswith(("leg ", "cap ", "throat ")) for text in texts)
    crosses = [item for item in drawing.primitives if isinstance(item, Marker) and item.shape == "cross"]
    assert len(crosses) == sum(len(item.contacts) for _, item in expected)
    bodies = [p for p in drawing.primitives if isinstance(p, Polyline) and p.style in (BODY, BLADE, BRIDGE)]
    assert len(bodies) >= sum(len(item.outline) for _, item in expected)
    assert "steady hand" in strip


def test_labels_stay_inside_the_picture(shown):
    _, _, draw = shown
    drawing = draw("metric")
    for item in drawing.primitives:
        if isinstance(item, Text) and ": " in item.content:
            half = drawing.text_width(item.content) / 2
            assert half <= item.at[0] <= drawing.width_px - half
            assert 0 < item.at[1] < drawing.picture_height_px


def test_blades_of_the_chosen_units_are_drawn(shown):
    name, taken, _ = shown
    if name != "tee":
        pytest.skip("only fillets have legs")
    for units, missing in (("metric", "blades in"), ("inch", "blades mm")):
        gauges = {item.gauge for item in drawn_readings(taken[0], units)}
        assert missing not in gauges
        assert np.any([gauge.startswith("blades") for gauge in gauges])
