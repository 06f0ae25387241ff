"""Modelled hand gauges drawn over the picture: the body as it stands, where it touches, what it reads."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from core.geometry import Points
from core.units import MM_PER_INCH, UnitSystem, nearest_fraction
from desk.dimension import Layout, samples
from desk.drawing import Drawing, LineStyle, Marker, Polyline, Text
from desk.joint_drawing import ToCanvas

if TYPE_CHECKING:
    from measurement.gauges import GaugeReading, Read

BLUE = (0, 86, 120)
BODY = LineStyle(0.7, (), BLUE)
BLADE = LineStyle(0.7, (6, 4), BLUE)
BRIDGE = LineStyle(0.7, (2, 3), BLUE)
"""Kinds of gauges are told apart by their dashes, where they stand in each other's way."""
GAUGE_STYLES = ((BODY, "gauge"), (BLADE, "blade"), (BRIDGE, "bridge"))
OTHER_SET = {"metric": "blades in", "inch": "blades mm"}
"""Of two sets of blades the one of the other unit system is not drawn: they would lie over each other."""


def drawn_readings(taken: Sequence[Read], units: UnitSystem) -> list[GaugeReading]:
    """Return the readings that are drawn."""
    from measurement.gauges import GaugeReading

    return [item for item in taken if isinstance(item, GaugeReading) and item.gauge != OTHER_SET[units]]


def lettered(gauges: Sequence[Sequence[Read]], units: UnitSystem) -> list[list[tuple[str, GaugeReading]]]:
    """Return the readings that are drawn, weld by weld, each with the letter it is told by."""
    count = 0
    welds = []
    for taken in gauges:
        drawn = drawn_readings(taken, units)
        welds.append([(chr(ord("A") + (count + k) % 26), item) for k, item in enumerate(drawn)])
        count += len(drawn)
    return welds


def draw_gauges(
    drawing: Drawing, layout: Layout, taken: Sequence[tuple[str, GaugeReading]], to_canvas: ToCanvas
) -> None:
    """Draw the gauges of one weld; the letter stands beside the place where each measures."""
    for _, item in taken:
        for body in item.outline:
            points = to_canvas(body)
            drawing.primitives.append(Polyline(points, _style(item)))
            layout.lines.extend(samples(a, b, 0.5 * drawing.text_px) for a, b in itertools.pairwise(points))
        contacts = to_canvas(item.contacts)
        drawing.primitives.extend(Marker(contact, "cross") for contact in contacts)
        layout.texts.extend(contact[None] for contact in contacts)
    for letter, item in taken:
        contacts = to_canvas(item.contacts)
        _label(drawing, layout, f"{letter}: {item.step_text}", contacts[-1])


def gauge_lines(gauges: Sequence[Sequence[Read]], units: UnitSystem, characters: int) -> list[str]:
    """Return what each letter reads, and the caution, in lines of limited length."""
    lines = []
    for number, taken in enumerate(lettered(gauges, units), start=1):
        stated = [
            f"{letter} {item.gauge}: {item.quantity.replace('_', ' ')} {item.step_text}"
            f" (stands at {_value(item.reading, item.unit, units)}"
            + ("" if item.true is None else f", true {_value(item.true, item.unit, units)}")
            + ")"
            for letter, item in taken
        ]
        words = "; ".join(stated) or "no gauge can be read here"
        lines += textwrap.wrap(
            f"Weld {number}, modelled gauges: {words}", max(20, characters), subsequent_indent="    "
        )
    return [*lines, "Gauges are modelled: perfect, set with a steady hand. Crosses: contacts."]


def _style(item: GaugeReading) -> LineStyle:
    if "blades" in item.gauge:
        return BLADE
    return BRIDGE if "bridge" in item.gauge else BODY


def _value(value: float, unit: str, units: UnitSystem) -> str:
    if unit == "deg":
        return f"{value:z.1f}°"
    if units == "inch":
        return f"{value / MM_PER_INCH:z.3f} in, {nearest_fraction(value / MM_PER_INCH)}"
    return f"{value:z.2f}"


def _label(drawing: Drawing, layout: Layout, words: str, at: Points) -> None:
    """Write a label near a point where it collides least, with a leader to it."""
    text, width = drawing.text_px, drawing.text_width(words)
    best: tuple[float, Points, Points] | None = None
    for reach in (2.2, 3.5, 5.0, 7.0, 9.5):
        for turn in np.linspace(0.0, 2 * np.pi, 16, endpoint=False):
            way = np.array([np.cos(turn), np.sin(turn)])
            centre = at + reach * text * way + 0.5 * width * np.array([way[0], 0.0])
            half = np.array([0.5 * width, 0.0])
            rows = 0.4 * text * np.array([[0.0, -1.0], [0.0, 1.0]])
            box = np.concatenate([samples(centre - half + up, centre + half + up, 0.5 * text) for up in rows])
            cost = layout.cost(samples(at, centre - 0.5 * width * np.array([way[0], 0.0]), text), box, drawing)
            cost += 0.06 * reach
            if best is None or cost < best[0]:
                best = (cost, centre, box)
    assert best is not None
    _, centre, box = best
    near = box[int(np.argmin(np.sum((box - at) ** 2, axis=1)))]
    drawing.primitives.append(Polyline(np.array([at, near]), BODY))
    drawing.primitives.append(Text(centre, words))
    layout.texts.append(box)
