"""Where a line is spoiled at the end of a groove's face or at a toe, nothing is guessed."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing, PlateEnd
from benchmarks.render.grooves import Edge, groove
from benchmarks.render.laser import Light, Rig, stripe_picture
from benchmarks.render.laser_scene import Shot, shot
from calibration.model import Calibration, Lens
from core.fitting import LineFit
from core.geometry import Line
from core.quantity import NotMeasurable, Quantity
from inspection.gap_doubt import _beside, _hollow_beside
from inspection.laser_frame import measure_frame
from measurement import measure
from vision.section import PlateSurface, WeldSurface

RIG = Rig(width_px=1024, height_px=720, focal_px=2000.0)
GAP_MM = 2.0


@pytest.fixture(scope="module")
def calibration() -> Calibration:
    """Return the calibration that the drawn rig truly has."""
    turn, place = RIG.frame
    to_px = RIG.camera_matrix @ np.column_stack([turn[:, 0], turn[:, 1], place])
    to_mm = np.linalg.inv(to_px)
    x, y = RIG.to_px(np.zeros((1, 2)))[0]
    lens = Lens(RIG.camera_matrix, np.array(RIG.distortion), RIG.width_px, RIG.height_px)
    return Calibration("laser", to_mm / to_mm[2, 2], {"scale": 0.0002}, (float(x), float(y)), lens=lens)


@pytest.fixture(scope="module")
def taken() -> Shot:
    drawing: Drawing = groove(
        thickness_left_mm=8.0,
        thickness_right_mm=8.0,
        left=Edge("bevel", 30.0, 1.0),
        right=Edge("bevel", 30.0, 1.0),
        root_gap_mm=GAP_MM,
    )
    return shot(RIG, drawing, Light(), np.random.default_rng(1))


def values_of(pieces, calibration, light: Light | None = None):
    frame = stripe_picture((RIG.height_px, RIG.width_px), pieces, light or Light(), np.random.default_rng(2))
    (weld,) = measure_frame(frame, calibration, joint="groove").found.welds
    return measure(weld.section)


def without(piece, first_px: float, last_px: float):
    """Return a piece cut in two: nothing is lit between two distances (px) from its start."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))])
    return [part for part in (piece[along < first_px], piece[along > last_px]) if len(part) > 1]


def test_a_clean_groove_keeps_its_gap_and_depth(taken, calibration):
    values = values_of(taken.pieces_px, calibration)
    for name, true in (("root_gap", GAP_MM), ("preparation_depth_left", 7.0), ("preparation_depth_right", 7.0)):
        assert isinstance(values[name], Quantity)
        assert abs(values[name].value - true) < max(0.08, values[name].expanded_uncertainty)


@pytest.mark.parametrize("rest_px", [8, 14, 30])
def test_the_rest_of_a_face_beyond_a_dropout_is_used_or_the_gap_left_open(rest_px, taken, calibration):
    left, right = taken.pieces_px
    values = values_of([left, *without(right, rest_px, rest_px + 30)], calibration)
    for name, true in (("root_gap", GAP_MM), ("preparation_depth_right", 7.0)):
        item = values[name]
        if isinstance(item, NotMeasurable):
            assert "right face" in item.reason
        else:
            assert abs(item.value - true) < max(0.08, item.expanded_uncertainty)
    assert isinstance(values["preparation_depth_left"], Quantity)


def test_a_reflection_far_from_the_ends_costs_nothing(taken, calibration):
    far = np.array([[700.0, 80.0], [900.0, 120.0]])
    values = values_of(taken.pieces_px, calibration, Light(ghosts=((far, 120.0, 2.0),)))
    assert abs(values["root_gap"].value - GAP_MM) < 0.1


def test_a_toe_between_the_rims_of_a_gap_is_beside_it():
    rims = np.array([[-1.0, 0.0], [1.0, 0.0]])
    toe = np.array([0.1, -0.5])
    assert _beside(toe, rims, rims)
    assert not _beside(toe, rims, np.vstack([rims, toe + 0.1]))
    assert not _beside(np.array([0.1, -1.5]), rims, rims)


def straight(direction: float) -> LineFit:
    return LineFit(Line(0.0, 0.0, direction, 0.0), 0.005, 0.001, 0.0001, np.ones(2, bool))


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_gap_that_hides_only_the_wall_of_a_hollow_leaves_its_depth_known(side: str) -> None:
    """The bottom is seen, or so nearly that little is left to doubt; else nothing is said."""
    turn = 1.0 if side == "right" else -1.0
    along = np.arange(0.0, 12.0, 0.05)

    def hidden_sides(deepest_mm: float, gap: tuple[float, float]) -> list[tuple[str, float | None]]:
        depth = 0.5 * np.clip(1 - ((along - deepest_mm) / deepest_mm) ** 2, 0.0, None)
        seen = (along <= gap[0]) | (along >= gap[1])
        points = np.column_stack([turn * along, -depth])
        edge = int(np.flatnonzero(along > gap[0])[0])
        ends = np.array([points[edge - 1], points[along >= gap[1]][0]])
        plate = PlateSurface(straight(turn), points[seen])
        far = PlateSurface(straight(-turn), np.array([[-turn * 5.0, 0.0], [-turn * 9.0, 0.0]]))
        surfaces = {"left": plate, "right": far} if side == "left" else {"left": far, "right": plate}
        zero = np.zeros(2)
        face = WeldSurface(**surfaces, toe_left=zero, toe_right=zero, face=np.zeros((2, 2)),
                           toe_std_left=0.01, toe_std_right=0.01)  # fmt: skip
        return _hollow_beside(face, ends)

    (wall,) = hidden_sides(0.7, (1.15, 1.5))
    assert wall == (side, 0.0)
    ((_, bottom),) = hidden_sides(0.7, (0.6, 1.5))
    # 0.01 mm deeper than seen: the doubt covers it and is not much larger than that
    assert 0.004 < bottom < 0.02
    assert hidden_sides(0.7, (0.3, 1.5)) == [(side, None)]
    assert hidden_sides(0.7, (0.6, 3.0)) == [(side, None)]


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("lost_mm", [0.0, 0.15, 0.5])
def test_a_hollow_below_the_rim_of_a_slanted_plate_goes_on_no_farther_than_below_it(side: str, lost_mm: float) -> None:
    """A plate at 45 degrees, an undercut of 0.6 mm whose outer wall hangs over, and what a line loses at its end."""
    turn = 1.0 if side == "right" else -1.0
    along = np.arange(0.0, 12.0, 0.03)
    depth = np.where(along < 1.2, 0.6 * np.sin(np.pi * np.clip(along / 1.2, 0, 1)), 0.0)
    slant = np.sqrt(0.5)
    points = np.column_stack([turn * (along + depth) * slant, (along - depth) * slant])
    lit = turn * points[:, 0] < 1.2 * slant
    last = int(np.flatnonzero(lit & (along < 0.9))[-1]) - round(lost_mm / 0.03)
    rim = int(np.flatnonzero(along >= 1.2)[0])
    line = Line(0.0, 0.0, turn * slant, slant)
    plate = PlateSurface(
        LineFit(line, 0.005, 0.001, 0.0001, np.ones(2, bool)), np.delete(points, np.s_[last + 1 : rim], 0)
    )
    far = PlateSurface(straight(-turn), np.array([[-turn * 5.0, 0.0], [-turn * 9.0, 0.0]]))
    surfaces = {"left": plate, "right": far} if side == "left" else {"left": far, "right": plate}
    face = WeldSurface(**surfaces, toe_left=np.zeros(2), toe_right=np.zeros(2), face=np.zeros((2, 2)),
                       toe_std_left=0.01, toe_std_right=0.01)  # fmt: skip
    ((found, doubt),) = _hollow_beside(face, points[[last, rim]])
    assert found == side
    seen = float(depth[: last + 1].max())
    if lost_mm > 0.3:
        assert doubt is None
    else:
        assert seen < 0.6
        assert 0.6 - seen < 2 * doubt < 0.35


def test_a_throat_that_lies_where_the_face_is_dark_is_told_with_its_doubt(calibration):
    """A hollow face without its middle: the nearest points that are seen lie 0.1 mm and more farther from the root."""
    drawing = tee(
        through_thickness_mm=8, standing_thickness_mm=8, right=FilletShape(6.0, 6.0, bulge_mm=-0.6),
        through_left=PlateEnd(20), through_right=PlateEnd(20), standing=PlateEnd(20),
    )  # fmt: skip
    taken = shot(RIG, drawing, Light(), np.random.default_rng(4))
    true = taken.weld.values
    seen = stripe_picture((RIG.height_px, RIG.width_px), taken.pieces_px, Light(), np.random.default_rng(2))
    (whole,) = measure_frame(seen, calibration, joint="tee").found.welds
    toes = [whole.points_px[name] for name in ("toe_left", "toe_right")]
    (piece,) = [piece for piece in taken.pieces_px if np.hypot(*(piece - toes[0]).T).min() < 3]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))])
    first, last = sorted(float(along[np.hypot(*(piece - toe).T).argmin()]) for toe in toes)
    dark = 0.5 * (first + last) - 0.2 * (last - first), 0.5 * (first + last) + 0.2 * (last - first)
    pieces = [*without(piece, *dark), *(other for other in taken.pieces_px if other is not piece)]
    frame = stripe_picture((RIG.height_px, RIG.width_px), pieces, Light(), np.random.default_rng(2))
    (weld,) = measure_frame(frame, calibration, joint="tee").found.welds
    assert "gap_in_face" in {flag.code for flag in weld.section.flags}
    values = measure(weld.section)
    for name in ("throat", "concavity", "size"):
        assert abs(values[name].value - true[name]) < min(values[name].expanded_uncertainty, 0.15), name
        assert "missing points" in {part.source for part in values[name].budget}
