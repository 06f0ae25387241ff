"""Butt-weld values against circular caps and plates of known offset."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.quantity import NotMeasurable, Quantity
from measurement import measure, names_for


def value(measured, name):
    assert isinstance(measured[name], Quantity), measured[name]
    return measured[name].value


@pytest.mark.parametrize(
    ("width", "height", "toe_angle_deg"), [(12.0, 2.0, 143.130), (10.0, 1.0, 157.380), (16.0, 3.0, 138.888)]
)
def test_circular_cap(draw, width, height, toe_angle_deg):
    """Circle over a chord: rise of the tangent at the toe 2·atan(2h/b), evaluated beforehand."""
    measured = measure(draw.butt(width, height))
    assert value(measured, "cap_width") == pytest.approx(width, abs=1e-9)
    assert value(measured, "reinforcement") == pytest.approx(height, abs=1e-4)
    assert value(measured, "toe_angle_left") == pytest.approx(toe_angle_deg, abs=0.2)
    assert value(measured, "toe_angle_right") == pytest.approx(toe_angle_deg, abs=0.2)
    assert value(measured, "underfill") == 0
    assert value(measured, "root_width") == pytest.approx(4.0, abs=1e-9)
    assert value(measured, "root_reinforcement") == pytest.approx(1.0, abs=1e-4)
    assert value(measured, "root_concavity") == 0
    assert value(measured, "thickness_left") == pytest.approx(10.0, abs=1e-9)
    assert value(measured, "angular_misalignment") == pytest.approx(0.0, abs=1e-9)


def test_underfill_and_root_concavity_are_not_negative_reinforcement(draw):
    measured = measure(draw.butt(12.0, -0.8, root_height=-0.5))
    assert value(measured, "underfill") == pytest.approx(0.8, abs=1e-4)
    assert value(measured, "reinforcement") == 0
    assert value(measured, "root_concavity") == pytest.approx(0.5, abs=1e-4)
    assert value(measured, "root_reinforcement") == 0


@pytest.mark.parametrize("offset", [-1.2, -0.3, 0.0, 0.7])
@pytest.mark.parametrize("tilt_deg", [-2.0, 0.0, 1.5])
def test_misaligned_plates(draw, offset, tilt_deg):
    measured = measure(draw.butt(10.0, 1.5, misalignment=offset, tilt_deg=tilt_deg))
    assert value(measured, "misalignment") == pytest.approx(offset, abs=1e-9)
    assert value(measured, "root_misalignment") == pytest.approx(offset, abs=1e-9)
    assert value(measured, "angular_misalignment") == pytest.approx(abs(tilt_deg), abs=1e-9)
    assert value(measured, "thickness_right") == pytest.approx(10 * math.cos(math.radians(tilt_deg)), abs=1e-9)


def test_height_above_each_plate_differs_by_the_misalignment(draw):
    measured = measure(draw.butt(10.0, 2.0, misalignment=0.6))
    difference = value(measured, "reinforcement_from_left") - value(measured, "reinforcement_from_right")
    assert difference == pytest.approx(0.6, abs=1e-6)


def test_without_the_root_side_its_values_have_a_reason(draw):
    found = replace(draw.butt(10.0, 1.5), root_side=None)
    measured = measure(found)
    for name in ("root_width", "root_reinforcement", "root_concavity", "root_misalignment", "thickness_left"):
        assert isinstance(measured[name], NotMeasurable)
        assert "photograph" in measured[name].reason
    assert value(measured, "reinforcement") == pytest.approx(1.5, abs=1e-4)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.floats(6, 18), st.floats(0.3, 2.5), st.floats(-1, 1), st.floats(-2, 2), st.floats(-math.pi, math.pi))
def test_mirror_swaps_sides_and_turning_changes_nothing(draw, width, height, offset, tilt_deg, angle):
    plain = draw.butt(width, height, misalignment=offset, tilt_deg=tilt_deg)
    first, same, twin = measure(plain), measure(draw.turned(plain, angle)), measure(draw.mirrored(plain))
    for name in names_for("butt"):
        if name.name.startswith("toe_radius"):
            continue
        expected = value(first, name.name)
        tolerance = 0.3 if name.name.startswith("toe_angle") else 1e-6 if name.unit == "deg" else 1e-3
        assert value(same, name.name) == pytest.approx(expected, abs=tolerance), name.name
        if name.name in ("misalignment", "root_misalignment"):
            expected = -expected  # the other plate is now the one that counts as level
        swapped = name.name.replace("left", "#").replace("right", "left").replace("#", "right")
        # square to the other plate, which leans by up to 2 degrees
        assert value(twin, swapped) == pytest.approx(expected, rel=2e-3, abs=tolerance), name.name


def test_a_second_edge_moves_both_sides_of_a_plate(draw):
    """Either edge of a band may be the metal's, all around alike: twice for a thickness, not at all for an offset."""
    plain = measure(draw.butt(10.0, 1.5))
    banded = measure(replace(draw.butt(10.0, 1.5), rim_doubt_mm=0.05))
    parts = {part.source: part.standard_uncertainty for part in banded["thickness_left"].budget}
    assert parts["second edge"] == pytest.approx(0.1, abs=1e-6)
    assert banded["misalignment"].standard_uncertainty == pytest.approx(
        plain["misalignment"].standard_uncertainty, abs=1e-4
    )
    assert "second edge" not in {part.source for part in plain["thickness_left"].budget}


def test_overexposure_moves_both_sides_of_a_plate_and_the_weld_against_it(draw):
    """Twice for a thickness, not at all for an offset; weld metal may be within the limit where its plates are not."""
    plain, bright = draw.butt(10.0, 1.5), replace(draw.butt(10.0, 1.5), limit_doubt_mm=0.05)
    before, after = measure(plain), measure(bright)

    def part(name: str) -> float:
        found = after[name]
        assert isinstance(found, Quantity)
        return {each.source: each.standard_uncertainty for each in found.budget}.get("overexposure", 0.0)

    assert part("thickness_left") == pytest.approx(0.1, abs=1e-6)
    assert part("misalignment") < 1e-4
    height, wider = before["reinforcement"], after["reinforcement"]
    assert isinstance(height, Quantity)
    assert isinstance(wider, Quantity)
    assert wider.standard_uncertainty > height.standard_uncertainty + 0.02


def test_height_at_a_toe_is_as_sure_as_the_toe(draw):
    """A hollow face lies highest above a plate's line at the other toe, and that may lie elsewhere along its plate."""
    found = draw.butt(10.0, -0.4, tilt_deg=20.0)
    assert found.face is not None
    unsure = replace(found, face=replace(found.face, toe_std_left=0.5))
    sure, wide = (measure(each)["reinforcement_from_right"] for each in (found, unsure))
    assert isinstance(sure, Quantity)
    assert isinstance(wide, Quantity)
    assert sure.expanded_uncertainty < 0.1
    assert wide.expanded_uncertainty == pytest.approx(2 * 0.5 * math.sin(math.radians(20)), rel=0.05)
