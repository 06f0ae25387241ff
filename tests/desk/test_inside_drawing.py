"""The inside of a weld on the canvas: line styles by confidence, hatching inside its zone, indications."""

import itertools

import numpy as np
from shapely.geometry import Point, Polygon

from core.fitting import LineFit
from core.geometry import Line
from core.quantity import Component, Quantity
from desk.dimension import Layout
from desk.drawing import Drawing, Polyline, Text
from desk.inside_drawing import DOUBTFUL, FUSED, HEATED, SHOWN, SPOT, UNSEEN, draw_zones, inside_lines
from desk.overlay import draw_overlay
from measurement import measure
from measurement.gauges import readings
from vision.found import FoundWeld, FoundWelds
from vision.fusion_line import FusionLine, Indication, Inside
from vision.section import PlateSurface, Section, WeldSurface

TOE_LEFT, TOE_RIGHT = np.array([0.0, 6.0]), np.array([6.0, 0.0])
FUSION = np.array([[0, 6], [-1, 4], [-1, 1], [-1, -1], [1, -1], [4, -1], [6, 0]], float)


def plate(direction: tuple[float, float]) -> PlateSurface:
    line = Line(0.0, 0.0, *direction)
    points = np.array([line.at(float(at)) for at in np.linspace(6, 16, 30)])
    return PlateSurface(LineFit(line, 0.005, 0.002, 0.0005, np.ones(30, bool)), points)


def etched(confidence: list[float]) -> Section:
    """Return a square fillet whose fusion line has that confidence at its seven points."""
    face = WeldSurface(
        plate((0, 1)), plate((1, 0)), TOE_LEFT, TOE_RIGHT, np.linspace(TOE_LEFT, TOE_RIGHT, 50), 0.01, 0.01
    )
    line = FusionLine("whole", FUSION, 40 * FUSION, np.full(7, 0.01), np.array(confidence))
    spot = Indication("pore_or_inclusion", "dark", (0, 0), (1.5, 1.5), 0.2, 0.01, 0.5, 0.5, 0.5, 1)
    limit = np.array([[-2.0, 4.0], [-2.0, 1.0], [-2.0, -1.0]])
    return Section(
        "tee", 0.005, 0.025, face=face, root=np.zeros(2),
        inside=Inside((line,), indications=(spot,), haz_mm=(limit,)),
    )  # fmt: skip


def drawn(confidence: list[float]) -> list[Polyline]:
    """Return the polylines of that fillet."""
    drawing = Drawing(np.zeros((600, 600, 3), np.uint8), stroke_px=2, text_px=16, picture_height_px=600)
    draw_zones(drawing, Layout(), etched(confidence), to_canvas)
    return [primitive for primitive in drawing.primitives if isinstance(primitive, Polyline)]


def to_canvas(points: np.ndarray) -> np.ndarray:
    return np.column_stack([200 + 40 * points[:, 0], 300 - 40 * points[:, 1]])


def test_a_clear_line_is_solid_a_doubtful_one_dashed_an_unseen_one_dotted() -> None:
    assert sum(line.style is SHOWN for line in drawn([9.0] * 7)) == 1
    mixed = [line.style for line in drawn([9, 9, 3, 3, 0.5, 0.5, 9]) if line.style in (SHOWN, DOUBTFUL, UNSEEN)]
    assert mixed == [SHOWN, DOUBTFUL, UNSEEN, SHOWN]


def test_pieces_join_into_the_whole_line() -> None:
    pieces = [line.points for line in drawn([9, 9, 3, 3, 0.5, 0.5, 9]) if line.style in (SHOWN, DOUBTFUL, UNSEEN)]
    for first, second in itertools.pairwise(pieces):
        assert np.allclose(first[-1], second[0])
    assert np.allclose(pieces[0][0], to_canvas(TOE_LEFT[None])[0])
    assert np.allclose(pieces[-1][-1], to_canvas(TOE_RIGHT[None])[0])


def test_hatching_stays_inside_its_zone() -> None:
    lines = drawn([9.0] * 7)
    fused = Polygon(to_canvas(np.vstack([[0, 0], FUSION]))).buffer(2)
    heated = Polygon(to_canvas(np.array([[-1, 4], [-1, -1], [-2, -1], [-2, 4]], float))).buffer(2)
    for style, zone in ((FUSED, fused), (HEATED, heated)):
        ends = [end for line in lines if line.style is style for end in line.points]
        assert len(ends) >= 4
        assert all(zone.contains(Point(*end)) for end in ends)


def test_a_spot_is_ringed() -> None:
    (ring,) = [line.points for line in drawn([9.0] * 7) if line.style is SPOT]
    assert np.allclose(ring.mean(axis=0), to_canvas(np.array([[1.5, 1.5]]))[0], atol=1.0)


def test_the_legend_says_how_a_fusion_line_is_drawn_with_and_without_values() -> None:
    found = FoundWelds((FoundWeld(etched([9.0] * 7), {}, ()),), (), ())
    value = Quantity(41.5, "percent", (Component("fusion line", 0.8),))
    bare, stated = (inside_lines(found, (values,), "metric", 200) for values in ({}, {"dilution": value}))
    assert len(bare) == 1
    assert bare[0].startswith("Fusion line: solid clear")
    assert stated == ["Weld 1, inside: dilution 41.5 %", *bare]


def test_zones_beside_gauges_are_explained_as_well() -> None:
    """Gauges take the place of the dimensions, not that of fusion line and hatching."""
    section = etched([1.0] * 7)
    found = FoundWelds((FoundWeld(section, {}, ()),), (), (FUSION,))
    measured = measure(section)
    drawing = draw_overlay(
        None, found, (measured,), units="metric", calibration=None, gauges=(readings(section, measured),)
    )
    assert any(isinstance(item, Polyline) and item.style == HEATED for item in drawing.primitives)
    strip = " ".join(item.content for item in drawing.paper if isinstance(item, Text))
    assert "steady hand" in strip
    assert "Hatched: fused metal; broken: heated zone" in " ".join(strip.split())
