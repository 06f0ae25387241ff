"""Degrees of freedom of a value: those of the lines that it rests on, by what each does to it."""

import math
from dataclasses import replace

import pytest

from measurement import measure
from measurement.degrees import degrees_by_value


def known_to(section, side: str, *, std: float, degrees: float):
    """Return a section whose plate line of a side has a standard uncertainty and its degrees of freedom."""
    plate = getattr(section.face, side)
    offset = 0.001
    fit = replace(
        plate.fit, residual_std=offset * math.sqrt(degrees + 2), offset_std=offset, angle_std_rad=std, bend_std_rad=0.0
    )
    return replace(section, face=replace(section.face, **{side: replace(plate, fit=fit)}))


@pytest.mark.parametrize("left_std", [1e-4, 3e-4, 1e-3])
def test_the_angle_between_two_lines_has_the_degrees_of_both(draw, left_std: float) -> None:
    """Welch and Satterthwaite by hand (JCGM 100:2008, G.4.1); the line known least was taken for both."""
    section = draw.fillet(90, 6.0, 6.0, 0.4)
    section = known_to(section, "left", std=left_std, degrees=3)
    section = known_to(section, "right", std=3e-4, degrees=40)
    wanted = (left_std**2 + 3e-4**2) ** 2 / (left_std**4 / 3 + 3e-4**4 / 40)
    assert degrees_by_value(section, ["joint_angle"])["joint_angle"]["plate fit"] == pytest.approx(wanted, rel=1e-3)


def test_a_value_that_a_line_does_not_move_has_not_its_degrees(draw) -> None:
    """An undercut rests on the plate of its side, but no model says so: the line that is known least counts."""
    section = known_to(draw.fillet(90, 6.0, 6.0, 0.4), "left", std=1e-12, degrees=1)
    section = known_to(section, "right", std=3e-4, degrees=40)
    found = degrees_by_value(section, measure(section))
    assert found["joint_angle"]["plate fit"] == pytest.approx(40, rel=1e-6)
    assert found["undercut_right"]["plate fit"] == pytest.approx(1, rel=1e-6)
    assert min(part["plate fit"] for part in found.values()) >= 1 - 1e-9


def test_a_section_of_exact_lines_knows_its_uncertainty(draw) -> None:
    section = draw.fillet(90, 6.0, 6.0, 0.4)
    for side in ("left", "right"):
        plate = getattr(section.face, side)
        fit = replace(plate.fit, residual_std=0.0)
        section = replace(section, face=replace(section.face, **{side: replace(plate, fit=fit)}))
    assert degrees_by_value(section, ["throat"]) == {"throat": {}}
