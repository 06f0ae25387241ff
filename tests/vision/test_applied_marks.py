"""A person's marks: taken at their word, told in the result, nothing else moved."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from measurement import measure
from vision.find import find_welds
from vision.marks import WeldMarks

STEP_MM = 0.8


@pytest.fixture(scope="module")
def photo(photograph):
    shape = FilletShape(6.0, 7.0, bulge_mm=0.4)
    ends = {"through_left": PlateEnd(20), "through_right": PlateEnd(20), "standing": PlateEnd(18)}
    drawing = tee(through_thickness_mm=9, standing_thickness_mm=8, right=shape, left=shape, **ends)
    return photograph(drawing, rotation_deg=11)


@pytest.fixture(scope="module")
def plain(photo):
    return find_welds(photo.gray, photo.calibration).welds


def marked(photo, mark: WeldMarks, **settings):
    return find_welds(photo.gray, photo.calibration, marks=(mark,), **settings).welds


def codes(weld) -> list[str]:
    return [flag.code for flag in weld.flags]


def moved_toe(photo, weld, side: str) -> tuple[float, float]:
    """Return the toe's place in px after a step outwards along its plate."""
    surface = weld.section.face
    toe = getattr(surface, f"toe_{side}")
    x, y = photo.calibration.to_px((toe + STEP_MM * getattr(surface, side).fit.line.direction)[None])[0]
    return float(x), float(y)


def value(weld, name: str) -> float:
    return measure(weld.section)[name].value


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("number", [0, 1])
def test_marked_toe_moves_its_toe_alone(photo, plain, number: int, side: str) -> None:
    where = moved_toe(photo, plain[number], side)
    welds = marked(photo, WeldMarks(**{f"toe_{side}": where}))
    assert math.dist(welds[number].points_px[f"toe_{side}"], where) < 0.01
    assert value(welds[number], f"leg_{side}") == pytest.approx(value(plain[number], f"leg_{side}") + STEP_MM, abs=0.01)
    other = {"left": "right", "right": "left"}[side]
    assert value(welds[number], f"leg_{other}") == pytest.approx(value(plain[number], f"leg_{other}"), abs=1e-9)
    assert welds[number].points_px[f"toe_{other}"] == plain[number].points_px[f"toe_{other}"]
    assert codes(welds[number]).count("marked_by_person") == 1
    (flag,) = [flag for flag in welds[number].flags if flag.code == "marked_by_person"]
    assert f"{side} toe" in flag.message
    assert other not in flag.message
    untouched = 1 - number
    assert welds[untouched].points_px == plain[untouched].points_px
    assert "marked_by_person" not in codes(welds[untouched])


def test_flag_stands_in_the_section_too(photo, plain) -> None:
    """The result is written from the section's flags as well as from the weld's."""
    weld = marked(photo, WeldMarks(toe_left=moved_toe(photo, plain[0], "left")))[0]
    assert "marked_by_person" in [flag.code for flag in weld.section.flags]


def test_toe_moved_inwards_shortens_the_face(photo, plain) -> None:
    surface = plain[0].section.face
    inside = photo.calibration.to_px(surface.face[len(surface.face) // 4][None])[0]
    weld = marked(photo, WeldMarks(toe_left=(float(inside[0]), float(inside[1]))))[0]
    length = np.hypot(*np.diff(weld.section.face.face, axis=0).T).sum()
    full = np.hypot(*np.diff(surface.face, axis=0).T).sum()
    assert length == pytest.approx(0.75 * full, rel=0.05)
    assert np.allclose(weld.section.face.face[0], weld.section.face.toe_left)


def test_marked_toe_carries_the_uncertainty_of_a_click(photo, plain) -> None:
    """One pixel of 0.045 mm along the plate, far more than an edge gives."""
    weld = marked(photo, WeldMarks(toe_right=moved_toe(photo, plain[1], "right")))[1]
    assert weld.section.face.toe_std_right == pytest.approx(0.045, rel=1e-6)
    assert measure(weld.section)["leg_right"].expanded_uncertainty >= 0.09


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("swap", [False, True])
def test_marked_plate_replaces_the_line(photo, plain, side: str, swap: bool) -> None:
    """A plate marked 2 degrees off turns the joint angle by 2 degrees, in whichever order its points are given."""
    section = plain[1].section
    line = getattr(section.face, side).fit.line
    turn = math.radians(2.0)
    root = section.root
    direction = np.array(
        [
            math.cos(turn) * line.dx - math.sin(turn) * line.dy,
            math.sin(turn) * line.dx + math.cos(turn) * line.dy,
        ]
    )
    ends = photo.calibration.to_px(np.array([root + 8 * direction, root + 17 * direction]))
    first, second = (tuple(float(v) for v in point) for point in (ends[::-1] if swap else ends))
    weld = marked(photo, WeldMarks(**{f"plate_{side}": (first, second)}))[1]
    new = getattr(weld.section.face, side).fit.line
    assert new.dx * line.dx + new.dy * line.dy == pytest.approx(math.cos(turn), abs=1e-9)
    assert abs(float(new.offset(root))) < 1e-6
    assert np.allclose(weld.section.root, root, atol=1e-6)
    before, after = value(plain[1], "joint_angle"), value(weld, "joint_angle")
    assert abs(after - before) == pytest.approx(2.0, abs=1e-6)
    assert f"{side} plate" in next(flag.message for flag in weld.flags if flag.code == "marked_by_person")


def test_marked_plate_moves_the_root(photo, plain) -> None:
    """A right plate marked 0.5 mm off along the left plate moves the root by so much."""
    section = plain[0].section
    left, right = section.face.left.fit.line, section.face.right.fit.line
    shift = 0.5 * left.direction
    start = section.root + shift
    ends = photo.calibration.to_px(np.array([start + 9 * right.direction, start + 18 * right.direction]))
    mark = WeldMarks(plate_right=tuple(tuple(float(v) for v in point) for point in ends))
    weld = marked(photo, mark)[0]
    assert np.allclose(weld.section.root, start, atol=1e-6)
    assert math.dist(weld.points_px["root"], photo.calibration.to_px(start[None])[0]) < 1e-6


def test_marks_count_in_the_whole_picture_with_a_region(photo, plain) -> None:
    where = moved_toe(photo, plain[1], "right")
    xs = [point[0] for weld in plain for point in weld.points_px.values()]
    middle = int(sum(sorted(xs)[2:4]) / 2)
    (weld,) = marked(photo, WeldMarks(toe_right=where), region=(middle, 0, 1200 - middle, 900))
    assert math.dist(weld.points_px["toe_right"], where) < 0.01


def test_mark_of_nothing_changes_nothing(photo, plain) -> None:
    for weld, before in zip(marked(photo, WeldMarks()), plain, strict=True):
        assert weld.points_px == before.points_px
        assert "marked_by_person" not in codes(weld)
