"""Every joint, drawn from dimensions, is recognised with its points where they were drawn.

At several turns and in both polarities. Points lie within 1 px of the truth.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import Drawing, PlateEnd, Toe
from benchmarks.render.grooves import Edge, groove
from core.geometry import Line
from measurement import measure
from vision.find import find_welds
from vision.found import FoundWelds

VIEWS = (
    (0, "bright on dark"),
    (90, "bright on dark"),
    (180, "dark on bright"),
    (-37, "bright on dark"),
    (143, "dark on bright"),
)
ENDS = {"through_left": PlateEnd(14), "through_right": PlateEnd(16), "standing": PlateEnd(13)}


def single_tee() -> Drawing:
    return tee(through_thickness_mm=9, standing_thickness_mm=7, right=FilletShape(6.2, 7.1, bulge_mm=0.6), **ENDS)


def double_tee() -> Drawing:
    right = FilletShape(5.5, 6.5, bulge_mm=-0.4)
    left = FilletShape(7.0, 6.0, bulge_mm=0.5)
    return tee(through_thickness_mm=9, standing_thickness_mm=7, right=right, left=left, **ENDS)


def skewed(angle_deg: float) -> Drawing:
    weld = FilletShape(6.5, 6.0, bulge_mm=0.3)
    return tee(through_thickness_mm=8, standing_thickness_mm=6, angle_deg=angle_deg, right=weld, **ENDS)


def lapped(mirror: bool) -> Drawing:
    return lap(
        lower_thickness_mm=9,
        upper_thickness_mm=9,
        weld=FilletShape(5.6, 6.4, bulge_mm=0.3),
        overlap_mm=16,
        lower_end=PlateEnd(18),
        upper_end=PlateEnd(18),
        mirror=mirror,
    )


def butted(root_half_mm: tuple[float, float] | None = (2.2, 2.6), offset_mm: float = 0.8) -> Drawing:
    weld = ButtShape(6.5, 7.0, 1.8, root_half_mm=root_half_mm, root_bulge_mm=0.9 if root_half_mm else 0)
    ends = {"end_left": PlateEnd(21), "end_right": PlateEnd(20)}
    return butt(thickness_left_mm=9, thickness_right_mm=9, weld=weld, offset_mm=offset_mm, **ends)


def v_groove(offset_mm: float = 0.5) -> Drawing:
    return groove(
        thickness_left_mm=10,
        thickness_right_mm=10,
        left=Edge("bevel", 30, 1.6),
        right=Edge("bevel", 35, 2.0),
        root_gap_mm=2.6,
        offset_mm=offset_mm,
        end_left=PlateEnd(14),
        end_right=PlateEnd(13),
    )


CASES = {
    "tee, one side": (single_tee, "tee"),
    "tee, both sides": (double_tee, "tee"),
    "tee at 70": (lambda: skewed(70), "tee"),
    "tee at 115": (lambda: skewed(115), "tee"),
    "lap": (lambda: lapped(False), "lap"),
    "lap, plates the other way": (lambda: lapped(True), "lap"),
    "butt with root bead": (butted, "butt"),
    "butt, flush root": (lambda: butted(None, 0.0), "butt"),
    "groove": (v_groove, "groove"),
}


def distances_px(found: FoundWelds, photo) -> dict[str, float]:
    """Return how far each found point lies from its true place; welds must be in the same order."""
    truth = photo.truth_px()
    assert len(found.welds) == len(truth)
    off = {}
    for number, (weld, points) in enumerate(zip(found.welds, truth, strict=True)):
        for name, point in weld.points_px.items():
            true = points.get(
                {"land_bottom_left": "root_edge_left", "land_bottom_right": "root_edge_right"}.get(name, name)
            )
            if true is not None:
                off[f"{number} {name}"] = math.dist(point, true)
    return off


@pytest.mark.parametrize(("turn_deg", "look"), VIEWS)
@pytest.mark.parametrize("case", CASES)
def test_joint_is_recognised_with_its_points(photograph, case: str, turn_deg: float, look: str) -> None:
    draw, joint = CASES[case]
    photo = photograph(draw(), rotation_deg=turn_deg, look=look)
    found = find_welds(photo.gray, photo.calibration)
    assert [weld.section.joint for weld in found.welds] == [joint] * len(photo.drawing.welds)
    off = distances_px(found, photo)
    assert len(off) == {"butt": 2, "groove": 4}.get(joint, 3) * len(found.welds)
    assert max(off.values()) < 1.0, off


@pytest.mark.parametrize("turn_deg", [0, 60, 180, 215])
def test_welds_of_a_double_tee_come_left_to_right(photograph, turn_deg: float) -> None:
    photo = photograph(double_tee(), rotation_deg=turn_deg)
    first, second = find_welds(photo.gray, photo.calibration).welds
    assert first.points_px["root"][0] < second.points_px["root"][0]


@pytest.mark.parametrize("case", CASES)
def test_joint_named_by_the_user_is_found_too(photograph, case: str) -> None:
    draw, joint = CASES[case]
    photo = photograph(draw(), rotation_deg=20)
    found = find_welds(photo.gray, photo.calibration, joint=joint)
    assert {weld.section.joint for weld in found.welds} == {joint}
    assert max(distances_px(found, photo).values()) < 1.0


def test_sections_of_a_fillet_are_consistent(photograph) -> None:
    """What section.py promises: directions lead away, the face runs left to right, toes lie on their plates."""
    photo = photograph(double_tee(), rotation_deg=25)
    for weld in find_welds(photo.gray, photo.calibration).welds:
        section, face = weld.section, weld.section.face
        assert np.allclose(face.face[0], face.toe_left)
        assert np.allclose(face.face[-1], face.toe_right)
        for side, toe in ((face.left, face.toe_left), (face.right, face.toe_right)):
            assert abs(float(side.fit.line.offset(toe))) < 1e-6
            assert float(side.fit.line.direction @ (toe - section.root)) > 0
            away = side.fit.line.along(side.points)
            assert away[-1] > away[0]
        chord = Line.through(face.toe_left, face.toe_right)
        assert float(chord.offset(section.root)) < 0


def test_root_side_of_a_butt_is_seen_face_up(photograph) -> None:
    photo = photograph(butted(), rotation_deg=180)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    root = weld.section.root_side
    truth = photo.drawing.welds[0].points_mm
    for name, toe in (("root_toe_left", root.toe_left), ("root_toe_right", root.toe_right)):
        assert math.dist(photo.calibration.to_px(toe)[0], photo.camera.to_px(truth[name])[0]) < 1.0
    assert measure(weld.section)["root_width"].value == pytest.approx(4.866, abs=0.05)


@pytest.mark.parametrize("angle_deg", [70, 90, 115])
def test_joint_angle(photograph, angle_deg: float) -> None:
    photo = photograph(skewed(angle_deg), rotation_deg=14)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    measured = measure(weld.section)["joint_angle"]
    assert measured.value == pytest.approx(angle_deg, abs=0.3)


def test_undercut_moves_neither_toe_nor_plate(photograph) -> None:
    weld = FilletShape(6.5, 6.5, bulge_mm=0.4, left=Toe(0.5, 1.3), right=Toe(0.4, 1.2))
    photo = photograph(tee(through_thickness_mm=9, standing_thickness_mm=7, right=weld, **ENDS), rotation_deg=5)
    found = find_welds(photo.gray, photo.calibration)
    assert max(distances_px(found, photo).values()) < 2.0
    measured = measure(found.welds[0].section)
    assert measured["undercut_left"].value == pytest.approx(0.5, abs=0.06)
    assert measured["undercut_right"].value == pytest.approx(0.4, abs=0.06)


@pytest.mark.parametrize("standing_mm", [8.0, 9.5])
def test_a_short_standing_plate_between_two_fillets_is_no_bead(photograph, standing_mm: float) -> None:
    """What stands out between two plates in line is a weld's face only where it is no higher than one."""
    right, left = FilletShape(5.5, 5.0, bulge_mm=-0.3), FilletShape(5.0, 5.5, bulge_mm=0.4)
    ends = {"through_left": PlateEnd(18), "through_right": PlateEnd(18), "standing": PlateEnd(standing_mm)}
    drawing = tee(through_thickness_mm=7, standing_thickness_mm=9, right=right, left=left, **ends)
    photo = photograph(drawing, rotation_deg=5, seed=2)
    welds = find_welds(photo.gray, photo.calibration).welds
    assert [weld.section.joint for weld in welds] == ["tee", "tee"]
