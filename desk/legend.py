"""The strip of paper below the picture: line styles, markers, scale bar, and values without a dimension line."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from core.quantity import Measured
from core.units import MM_PER_INCH, UnitSystem
from desk.dimension import Layout, samples
from desk.drawing import (
    CHORD,
    DIMENSION,
    OUTLINE,
    PLATE,
    Arrowhead,
    Drawing,
    LineStyle,
    Marker,
    MarkerShape,
    Polyline,
    Text,
)
from desk.inside_drawing import KEY
from desk.joint_drawing import format_value
from desk.legend_text import shortened, wrapped
from vision.found import FoundWelds

ROW = 1.75
STRIP_ROWS = 3.6
_SCALE_STEPS = (1.0, 2.0, 5.0)

_LISTED = {
    "fillet": (
        ("size", "size"),
        ("joint_angle", "joint angle"),
        ("convexity", "convexity"),
        ("concavity", "concavity"),
        ("toe_angle_left", "toe angle L"),
        ("toe_angle_right", "toe angle R"),
        ("undercut_left", "undercut L"),
        ("undercut_right", "undercut R"),
    ),
    "butt": (
        ("misalignment", "misalignment"),
        ("angular_misalignment", "peaking"),
        ("underfill", "underfill"),
        ("toe_angle_left", "toe angle L"),
        ("toe_angle_right", "toe angle R"),
        ("undercut_left", "undercut L"),
        ("undercut_right", "undercut R"),
    ),
    "groove": (
        ("groove_angle", "groove angle"),
        ("root_gap", "root gap"),
        ("misalignment", "misalignment outside"),
        ("root_misalignment", "inside"),
    ),
}


def legend_height(text_px: float, lines: int) -> int:
    """Return the height of the strip for some lines of values, px."""
    return math.ceil((STRIP_ROWS + lines) * ROW * text_px)


def value_lines(
    found: FoundWelds, measured: tuple[Mapping[str, Measured], ...], units: UnitSystem, characters: int
) -> list[str]:
    """Return the values that have no dimension line, weld by weld, in lines of limited length."""
    lines: list[str] = []
    for number, (weld, values) in enumerate(zip(found.welds, measured, strict=True), start=1):
        joint = weld.section.joint
        listed = _LISTED.get(joint, _LISTED["fillet"])
        texts = ((label, format_value(values.get(name), units)) for name, label in listed)
        words = shortened((label, text) for label, text in texts if text is not None)
        lines += wrapped(f"Weld {number}, {joint}", words, characters)
    return lines


def draw_legend(
    drawing: Drawing,
    found: FoundWelds,
    lines: list[str],
    units: UnitSystem,
    gauges: tuple[tuple[LineStyle, str], ...] = (),
) -> None:
    """Draw line styles, markers and lines of values; ``gauges`` are drawn instead of dimensions."""
    text = drawing.text_px
    groove = any(weld.section.joint == "groove" for weld in found.welds)
    top = drawing.picture_height_px + 1.2 * text
    x = 0.8 * text
    styles: tuple[tuple[LineStyle, str], ...] = (
        (OUTLINE, "outline"),
        (PLATE, "plate surface"),
        (CHORD, "prepared face" if groove else "chord"),
        *(gauges or ((DIMENSION, "dimension"),)),
    )
    wide = sum(5.1 * text + drawing.text_width(words) for _, words in styles)
    fit = min(1.0, (drawing.width_px - 1.2 * text) / wide)
    for style, words in styles:
        ends = np.array([[x, top], [x + 3.2 * fit * text, top]])
        drawing.paper.append(Polyline(ends, style))
        if style is DIMENSION:
            drawing.paper.extend([Arrowhead(ends[0], np.array([-1.0, 0.0])), Arrowhead(ends[1], np.array([1.0, 0.0]))])
        drawing.paper.append(Text(np.array([x + 3.7 * fit * text, top]), words, anchor="start", size=fit))
        x += fit * (5.1 * text + drawing.text_width(words))
    x, top = 0.8 * text, top + ROW * text
    drawn = {item.shape for item in drawing.primitives if isinstance(item, Marker)}
    markers: tuple[tuple[MarkerShape, str], ...] = (
        ("triangle", "outer corner, left" if groove else "toe, left"),
        ("circle", "outer corner, right" if groove else "toe, right"),
        ("square", "root edge" if groove else "root"),
    )
    for shape, words in markers:
        if shape not in drawn:
            continue
        drawing.paper.append(Marker(np.array([x + 0.5 * text, top]), shape))
        x = _words(drawing, x + 1.4 * text, top, words)
    unit = "mm" if units == "metric" else "inches, nearest 1/64 in brackets"
    top += ROW * text
    _words(drawing, 0.8 * text, top, f"Dimensions in {unit}. Proposed by the program, not confirmed.")
    for line in lines:
        top += ROW * text
        _words(drawing, 0.8 * text, top, line)


def caption(drawing: Drawing) -> str:
    """Return what the strip says of lines and marks, in words, for a page on which it has no room."""
    words = [item.content for item in drawing.paper if isinstance(item, Text)]
    signs = {"triangle": "△", "circle": "○", "square": "□"}
    marks = [item.shape for item in drawing.paper if isinstance(item, Marker)]
    places = words[words.index("dimension") + 1 :][: len(marks)] if "dimension" in words else []
    told = [f"{signs[shape]}\u00a0{place}" for shape, place in zip(marks, places, strict=False)]
    face = "prepared face" if "prepared face" in words else "chord"
    unit = next((item.partition(".")[0] for item in words if item.startswith("Dimensions in ")), "")
    unit = unit.partition(",")[0] if drawing.brief else unit
    lines = f"Coloured: outline; dash-dotted: plate surface; dashed: {face}. {', '.join(told)}. {unit}."
    return f"{lines} {KEY}" if any(item.startswith(KEY[:11]) for item in words) else lines


def draw_scale_bar(drawing: Drawing, layout: Layout, canvas_px_per_mm: float, units: UnitSystem) -> None:
    """Draw a bar of a round length into the lower left corner of the picture."""
    text = drawing.text_px
    unit_px = canvas_px_per_mm * (1.0 if units == "metric" else MM_PER_INCH)
    length, words = round_length(0.2 * drawing.width_px / unit_px, "mm" if units == "metric" else "in")
    left, base = 1.2 * text, drawing.picture_height_px - 1.2 * text
    right = left + length * unit_px
    tick = 0.45 * text
    bar = np.array([[left, base - tick], [left, base], [right, base], [right, base - tick]])
    drawing.primitives.append(Polyline(bar, LineStyle(2.0)))
    drawing.primitives.append(Text(np.array([(left + right) / 2, base - 0.8 * text]), words))
    for height in (base, base - 0.8 * text):
        layout.texts.append(samples(np.array([left, height]), np.array([right, height]), 0.5 * text))


def round_length(longest: float, unit: str) -> tuple[float, str]:
    """Return the largest 1, 2 or 5 times a power of ten that is not longer, and its words."""
    power = 10.0 ** math.floor(math.log10(longest))
    length = max(step * power for step in _SCALE_STEPS if step * power <= longest * (1 + 1e-9))
    return length, f"{length:g} {unit}"


def _words(drawing: Drawing, x: float, y: float, words: str) -> float:
    """Write words from x on, smaller where they would leave the strip, and return where the next may begin."""
    room = drawing.width_px - x - 0.5 * drawing.text_px
    size = max(0.5, min(1.0, room / drawing.text_width(words)))
    drawing.paper.append(Text(np.array([x, y]), words, anchor="start", size=size))
    return x + drawing.text_width(words, size) + 1.4 * drawing.text_px
