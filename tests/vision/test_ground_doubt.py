"""What a ground hides of an edge, and how far its grain reaches, is told with the values it touches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds
from vision.ground_doubt import doubted, is_of_ground, reach_of_grain
from vision.outline import Outline
from vision.plate_line import Detail, longest_lines
from vision.runs import straight_runs
from vision.section import Section


@pytest.fixture(scope="module")
def fillet(photograph) -> Section:
    drawing = tee(
        through_thickness_mm=9,
        standing_thickness_mm=8,
        right=FilletShape(6.2, 7.1, bulge_mm=0.5),
        through_left=PlateEnd(14),
        through_right=PlateEnd(17),
        standing=PlateEnd(15),
    )
    photo = photograph(drawing)
    return find_welds(photo.gray, photo.calibration).welds[0].section


def bridged_at(section: Section, place: np.ndarray, length_mm: float) -> list[tuple[np.ndarray, Outline]]:
    """Return the outline of the face side, without an edge for so far about a place."""
    assert section.face is not None
    points = np.vstack([section.face.left.points[::-1], section.face.face, section.face.right.points])
    here = np.hypot(*(points - place).T) < length_mm / 2
    step = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    lengths = np.where(here, length_mm / step, 0.0)
    return [(points, Outline(points / step, np.zeros(len(points), bool), 1.0, 0.1, 0.8, 90.0, 1.0, bridged_px=lengths))]


def test_a_plain_ground_changes_nothing(fillet: Section) -> None:
    assert fillet.face is not None
    assert doubted(fillet, bridged_at(fillet, fillet.face.toe_left + 100.0, 2.0), 0.0) is fillet


def test_a_toe_hidden_by_a_line_is_not_told_and_the_other_is(fillet: Section) -> None:
    assert fillet.face is not None
    found = doubted(fillet, bridged_at(fillet, fillet.face.toe_left, 2.0), 0.0)
    values = measure(found)
    for name in ("leg_left", "throat", "undercut_left", "toe_angle_left"):
        assert isinstance(values[name], NotMeasurable), name
        assert "left toe" in values[name].reason
    for name in ("leg_right", "toe_angle_right", "joint_angle"):
        assert values[name] == measure(fillet)[name], name
    assert [flag.code for flag in found.flags][-1] == "edge_hidden"


def test_a_line_that_only_crosses_a_toe_makes_its_leg_less_sure(fillet: Section) -> None:
    assert fillet.face is not None
    values, before = measure(doubted(fillet, bridged_at(fillet, fillet.face.toe_left, 0.4), 0.0)), measure(fillet)
    assert isinstance(values["toe_angle_left"], NotMeasurable)
    leg, plain = values["leg_left"], before["leg_left"]
    assert isinstance(leg, Quantity)
    assert isinstance(plain, Quantity)
    assert leg.standard_uncertainty == pytest.approx(np.hypot(plain.standard_uncertainty, 0.1), rel=1e-6)
    assert values["leg_right"] == before["leg_right"]


def test_a_plate_along_a_line_holds_no_angle(fillet: Section) -> None:
    assert fillet.face is not None
    plate = fillet.face.right.points
    found = doubted(
        fillet, bridged_at(fillet, plate[len(plate) // 2], 0.9 * float(np.hypot(*(plate[-1] - plate[0])))), 0.0
    )
    assert isinstance(measure(found)["joint_angle"], NotMeasurable)


def test_grain_that_joins_the_metal_widens_lengths_and_hides_what_is_as_small(fillet: Section) -> None:
    values, before = measure(doubted(fillet, [], 0.4)), measure(fillet)
    assert isinstance(values["undercut_right"], NotMeasurable)
    leg, plain = values["leg_left"], before["leg_left"]
    assert isinstance(leg, Quantity)
    assert isinstance(plain, Quantity)
    assert leg.standard_uncertainty == pytest.approx(np.hypot(plain.standard_uncertainty, 0.2), rel=1e-6)


def test_a_weld_of_the_size_of_the_grain_is_none(fillet: Section) -> None:
    assert not is_of_ground(fillet, [], 0.4)
    assert is_of_ground(fillet, [], 2.0)


def test_a_weld_whose_face_lies_along_a_line_is_none(fillet: Section) -> None:
    assert fillet.face is not None
    middle = fillet.face.face[len(fillet.face.face) // 2]
    width_mm = float(np.hypot(*(fillet.face.toe_right - fillet.face.toe_left)))
    assert is_of_ground(fillet, bridged_at(fillet, middle, width_mm), 0.0)
    assert not is_of_ground(fillet, bridged_at(fillet, middle, 0.4 * width_mm), 0.0)


@pytest.mark.parametrize("reach_mm", [0.0, 0.15, 0.6])
def test_grain_is_told_from_straight_surfaces(reach_mm: float) -> None:
    """A box of 40 x 10 mm with grains of 1 mm on a twentieth of its border."""
    rng = np.random.default_rng(2)
    x, y = np.arange(0.0, 40.0, 0.05), np.arange(0.0, 10.0, 0.05)
    sides = [(x, np.full(len(x), 10.0)), (np.full(len(y), 40.0), y[::-1]), (x[::-1], 0 * x), (0 * y, y)]
    points = np.vstack([np.column_stack(side) for side in sides]) + rng.normal(0, 0.004, (2 * len(x) + 2 * len(y), 2))
    for middle in (8.0, 19.0, 27.0, 35.0):
        points[(np.abs(points[:, 0] - middle) < 0.5) & (points[:, 1] > 9.9), 1] += reach_mm
    cut = np.zeros(len(points), bool)
    runs = straight_runs(points, cut, closed=True, tolerance=0.05, shortest=0.4)
    detail = Detail(0.004, 0.05, 0.03)
    detail = replace(detail, wander_mm=0.004, lines=longest_lines(points, runs, detail))
    found = reach_of_grain(points, [replace(runs[0], start=0, stop=len(x) - 1)], detail)
    assert found == 0.0 if reach_mm == 0 else found == pytest.approx(reach_mm, rel=0.15)
