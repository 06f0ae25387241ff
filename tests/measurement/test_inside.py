"""Values inside a weld, from sections of exact geometry; areas and distances checked by shapely."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from core.fitting import LineFit
from core.geometry import Line
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from measurement.names import inside_names_for
from vision.fusion_line import Found, FusionLine, Indication, Inside
from vision.section import PlateSurface, Section, WeldSurface

LEG = 6.0


def plate(direction: tuple[float, float]) -> PlateSurface:
    line = Line(0.0, 0.0, *direction)
    points = np.array([line.at(float(at)) for at in np.linspace(LEG, LEG + 10, 60)])
    return PlateSurface(LineFit(line, 0.005, 0.002, 0.0005, np.ones(60, bool)), points)


def square_fillet(fusion: np.ndarray, *, confidence: float = 20.0, **more) -> Section:
    """Return a square fillet of 6 mm legs (left plate up, right plate along x) with a fusion line."""
    share = np.linspace(0, 1, 101)[:, None]
    left, right = np.array([0.0, LEG]), np.array([LEG, 0.0])
    face = WeldSurface(plate((0.0, 1.0)), plate((1.0, 0.0)), left, right, left + share * (right - left), 0.02, 0.02)
    line = FusionLine(
        "whole", fusion, 40 * fusion, np.full(len(fusion), 0.01), np.full(len(fusion), confidence)
    )  # fmt: skip
    inside = Inside((line,), None, Found(1.2, 0.03), Found(1.4, 0.03), Found(0.3, 0.01), (), **more)
    return Section("tee", 0.005, 0.025, face=face, root=np.zeros(2), inside=inside)


def bowl(depth: float, count: int = 401) -> np.ndarray:
    """Return a line from the left toe round the root to the right toe, ``depth`` below both plates."""
    corner = np.array([[0, LEG], [-depth, LEG - 2], [-depth, -depth], [LEG - 2, -depth], [LEG, 0]], float)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corner, axis=0).T))])
    at = np.sort(np.concatenate([np.linspace(0, along[-1], count), along[1:-1]]))
    return np.column_stack([np.interp(at, along, corner[:, k]) for k in (0, 1)])


@pytest.mark.parametrize("depth", [0.3, 1.0, 2.0])
def test_depths_and_areas(depth: float) -> None:
    fusion = bowl(depth)
    values = measure(square_fillet(fusion))
    fused = Polygon(np.vstack([[0, 0], fusion])).area
    total = Polygon([*fusion.tolist()]).area
    assert values["penetration_left"].value == pytest.approx(depth, abs=1e-6)
    assert values["penetration_right"].value == pytest.approx(depth, abs=1e-6)
    assert values["root_penetration"].value == pytest.approx(depth * np.sqrt(2), abs=1e-3)
    assert values["lack_of_root_fusion"].value == 0
    assert values["fused_area"].value == pytest.approx(fused, rel=1e-6)
    assert values["weld_metal_area"].value == pytest.approx(total, rel=1e-6)
    assert values["dilution"].value == pytest.approx(100 * fused / total, rel=1e-6)
    assert values["dilution"].unit == "percent"
    deepest = Point(-depth, -depth)
    expected = LineString([[0, LEG], [LEG, 0]]).distance(deepest)
    assert values["throat_with_penetration"].value == pytest.approx(expected, abs=1e-3)
    assert values["sidewall_fusion_left"].value == pytest.approx(100, abs=0.5)


def test_a_line_in_front_of_the_root_is_lack_of_fusion() -> None:
    fusion = bowl(0.5)
    near = np.hypot(*fusion.T) < 1.6
    first, last = np.flatnonzero(near)[[0, -1]]
    short = np.vstack([fusion[:first], [[0.0, 1.4], [0.7, 0.7], [1.4, 0.0]], fusion[last + 1 :]])
    values = measure(square_fillet(short))
    assert values["root_penetration"].value == pytest.approx(-0.7 * np.sqrt(2), abs=1e-6)
    assert values["lack_of_root_fusion"].value == pytest.approx(0.7 * np.sqrt(2), abs=1e-6)
    assert values["sidewall_fusion_left"].value < 95


def test_every_name_is_given_with_its_unit_and_budget() -> None:
    values = measure(square_fillet(bowl(1.0)))
    for name in inside_names_for("tee"):
        value = values[name.name]
        assert value.unit == name.unit
        assert isinstance(value, Quantity)
        assert value.expanded_uncertainty is not None
    assert values["penetration_left"].expanded_uncertainty < 0.1
    assert "fusion line" in {part.source for part in values["penetration_left"].budget}


def test_where_the_etch_does_not_show_the_line_no_value_is_given() -> None:
    section = square_fillet(bowl(1.0))
    line = section.inside.lines[0]
    near = np.hypot(*line.points_mm.T) < 2.2
    faint = replace(line, confidence=np.where(near, 0.5, 20.0))
    values = measure(replace(section, inside=replace(section.inside, lines=(faint,))))
    assert isinstance(values["root_penetration"], NotMeasurable)
    assert "mark the line" in values["root_penetration"].reason
    assert isinstance(values["penetration_left"], Quantity)


def test_a_hollow_at_the_root_leaves_the_root_to_a_person() -> None:
    values = measure(square_fillet(bowl(1.0), hollow_root=True))
    for name in ("root_penetration", "lack_of_root_fusion", "fused_area", "dilution"):
        assert isinstance(values[name], NotMeasurable)
    assert isinstance(values["penetration_right"], Quantity)


def test_without_a_line_every_value_says_why() -> None:
    section = square_fillet(bowl(1.0))
    values = measure(replace(section, inside=Inside((), "the etch shows no fusion line", "no", "no", "no")))
    for name in inside_names_for("tee"):
        assert isinstance(values[name.name], NotMeasurable)
    assert values["penetration_left"].reason == "the etch shows no fusion line"


def test_names_are_those_of_before_when_nobody_looked_inside() -> None:
    section = replace(square_fillet(bowl(1.0)), inside=None)
    assert not {name.name for name in inside_names_for("tee")} & set(measure(section))


def test_pores_amount_to_a_share_of_the_weld_metal() -> None:
    pores = [
        Indication("pore_or_inclusion", "dark", (0, 0), (1, 1), area, 0.01, 2 * np.sqrt(area / np.pi), 1, 1, 1)
        for area in (0.5, 0.2)
    ]
    crack = Indication("linear_indication", "dark", (0, 0), (1, 1), 0.1, 0.01, 0.36, 1.3, 0.1, 1)
    spots = (*pores, crack)
    section = square_fillet(bowl(1.0))
    values = measure(replace(section, inside=replace(section.inside, indications=spots)))
    total = values["weld_metal_area"].value
    assert values["pore_area_share"].value == pytest.approx(100 * 0.7 / total)
    assert values["largest_pore"].value == pytest.approx(2 * np.sqrt(0.5 / np.pi))
    assert values["longest_linear_indication"].value == 1.3
    none = measure(replace(section, inside=replace(section.inside, indications=())))
    assert none["largest_pore"].value == 0
    assert none["largest_pore"].expanded_uncertainty == pytest.approx(0.2)


THICKNESS = 10.0


def butt_through(walls: dict, *, confidence: float = 20.0) -> Section:
    """Return a butt weld 10 mm thick whose fusion lines lead from (-6, 0) to (-2, -10) and from (6, 0) to (2, -10)."""

    def level(direction: float, y: float) -> PlateSurface:
        line = Line(direction * 6.0, y, direction, 0.0)
        points = np.array([line.at(float(at)) for at in np.linspace(1, 12, 60)])
        return PlateSurface(LineFit(line, 0.005, 0.002, 0.0005, np.ones(60, bool)), points)

    share = np.linspace(0, 1, 101)[:, None]

    def surface(half: float, y: float, rise: float) -> WeldSurface:
        left, right = np.array([-half, y]), np.array([half, y])
        face = left + share * (right - left) + np.column_stack([np.zeros(101), rise * np.sin(np.pi * share[:, 0])])
        return WeldSurface(level(-1.0, y), level(1.0, y), left, right, face, 0.02, 0.02)

    lines = []
    for side, sign in (("left", -1.0), ("right", 1.0)):
        points = np.array([sign * 6.0, 0.0]) + share * np.array([-sign * 4.0, -THICKNESS])
        lines.append(FusionLine(side, points, 40 * points, np.full(101, 0.01), np.full(101, confidence)))
    inside = Inside(tuple(lines), None, indications=(), walls_mm=walls, wall_std_mm=0.1)
    return Section(
        "butt", 0.005, 0.025, face=surface(6.0, 0.0, 1.5), root_side=surface(2.0, -THICKNESS, -1.0), inside=inside
    )


def test_a_side_wall_is_fused_where_it_lies_in_weld_metal() -> None:
    # The left wall crosses the fusion line at 60 % of its length, the right one lies a millimetre inside of it.
    cross = np.array([-6.0, 0.0]) + 0.6 * np.array([4.0, -THICKNESS])
    start = np.array([-4.0, 0.0])
    walls = {
        "left": np.array([start, start + (cross - start) / 0.6]),
        "right": np.array([[5.0, 0.0], [3.0, -5.0], [1.0, -THICKNESS]]),
    }
    values = measure(butt_through(walls))
    left, right = values["sidewall_fusion_left"], values["sidewall_fusion_right"]
    ring = Polygon([(-6, 0), (6, 0), (2, -THICKNESS), (-2, -THICKNESS)])
    wall = LineString(walls["left"])
    true = 100 * wall.intersection(ring).length / wall.length
    assert true == pytest.approx(60.0, abs=0.1)
    assert abs(left.value - true) < left.expanded_uncertainty < 15
    assert left.unit == "percent"
    assert {part.source for part in left.budget} >= {"operator's mark", "fusion line"}
    assert right.value == pytest.approx(100.0, abs=0.1)


def test_a_groove_that_is_gone_is_not_guessed_at() -> None:
    values = measure(butt_through({}))
    for side in ("left", "right"):
        absent = values[f"sidewall_fusion_{side}"]
        assert isinstance(absent, NotMeasurable)
        assert f"wall_{side}" in absent.reason
    walls = {"left": np.array([[-4.0, 0.0], [-1.0, -THICKNESS]])}
    faint = measure(butt_through(walls, confidence=0.5))["sidewall_fusion_left"]
    assert isinstance(faint, NotMeasurable)
    assert "etch shows only" in faint.reason


def test_a_root_side_without_a_line_leaves_open_what_lies_between() -> None:
    """A face was recognised on the root side, and only the line of the face side shows."""
    x = np.linspace(-6, 6, 201)
    depth = np.column_stack([x, -4 * np.sqrt(np.maximum(0, 1 - (x / 6) ** 2))])
    section = butt_through({})
    line = FusionLine("whole", depth, 40 * depth, np.full(len(x), 0.01), np.full(len(x), 20.0))
    section = replace(section, inside=replace(section.inside, lines=(line,)))
    both, alone = measure(section), measure(replace(section, root_side=None))
    assert both["penetration_depth"].value == pytest.approx(4.0, abs=1e-3)
    for name in ("lack_of_penetration", "weld_metal_area"):
        assert isinstance(both[name], NotMeasurable)
        assert "root side" in both[name].reason
    assert isinstance(alone["weld_metal_area"], Quantity)
