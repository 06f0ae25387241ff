"""Values inside an etched section: penetration, fused area, heat-affected zone, what lies in the weld metal."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from core.geometry import Line, Points, arc_length, signed_area
from core.medians import median
from core.quantity import Measured, NotMeasurable
from measurement.interior import Interior, Values, butt_values, deciding_point, fillet_values, leg_of
from measurement.names import Name, inside_names_for
from measurement.sidewall import sidewall_fusion
from measurement.spots import spot_values
from measurement.uncertainty import Noise, combined, offset_line, quantity, turned_line
from vision.fusion_line import SEEN, Found, FusionLine, stretches
from vision.section import Section, WeldSurface
from vision.weld_metal import outlines

LINE_BIAS_PX, LINE_BIAS_SHARE = 0.25, 0.35
"""Standard uncertainty of where a fusion line lies as a whole (which tone of a blurred step is its middle): in pixels,
and as a share of that of its points, with which it grows where the etch is faint."""
CORRELATION_MM = 0.6
"""Length of a fusion line whose error is one piece of information."""
NEAR_MM = 0.5
BESIDE_STAIN_MM = 1.0
"""A deepest place nearer than this to a stain may be that of its rim, or lie within it."""
FLAT_SHARE, MIDDLES_SHARE = 0.6, 1.6
"""How much of the uncertainty of a line's points a plate's penetration has (the line's lowest stretch is flat there and
counts as a whole), and the distance between two lines' middles."""
LEAST_SHOWN = 0.8


def inside_values(section: Section, noise: Noise) -> dict[str, Measured]:
    """Return every value inside a weld by name; without a fusion line each says why there is none."""
    inside, names = section.inside, inside_names_for(section.joint)
    if inside is None or section.face is None:
        reason = "the inside of the section was not looked at"
        return {name.name: NotMeasurable(reason, name.unit) for name in names}
    found: dict[str, Measured] = {}
    if inside.lines:
        nominal = Interior(section, section.face.left.fit.line, section.face.right.fit.line, inside.lines)
        compute = fillet_values if section.root is not None else butt_values
        found = _measured(compute, nominal, noise, names)
        found |= spot_values(section, inside, noise)
    for side, width in (("left", inside.haz_left), ("right", inside.haz_right)):
        found[f"haz_width_{side}"] = _length(width, noise)
    if section.root is not None:
        found["root_gap"] = _length(inside.root_gap, noise)
    elif inside.lines:
        bias = max(_bias(line, noise) for line in inside.lines)
        unseen = _unseen(nominal, "sidewall_fusion")
        for side in ("left", "right"):
            value = sidewall_fusion(section, inside, side, bias, noise)
            if unseen is not None and side in inside.walls_mm:
                value = NotMeasurable(unseen, "percent")
            found[f"sidewall_fusion_{side}"] = value
    absent = inside.reason or "the fusion line that was found does not give this value"
    return {name.name: found.get(name.name, NotMeasurable(absent, name.unit)) for name in names}


def _length(found: Found | str, noise: Noise) -> Measured:
    if isinstance(found, str):
        return NotMeasurable(found)
    return quantity(found.value_mm, "mm", {"fusion line": found.std_mm}, noise)


def _measured(
    compute: Callable[[Interior], Values], nominal: Interior, noise: Noise, names: tuple[Name, ...]
) -> dict[str, Measured]:
    """Return the values with their budget: every input off by one standard uncertainty, the values computed again."""
    base = compute(nominal)
    parts: dict[str, dict[str, float]] = {name: {} for name in base}
    for source, moved in _shifts(nominal, noise):
        for name, value in compute(moved).items():
            if name in base:
                part = parts[name]
                part[source] = math.hypot(part.get(source, 0.0), value - base[name])
    local = _local(nominal)
    measured: dict[str, Measured] = {}
    for known in names:
        if known.name not in base:
            continue
        reason = _unseen(nominal, known.name)
        if reason is not None:
            measured[known.name] = NotMeasurable(reason, known.unit)
            continue
        budget = combined(parts[known.name], local.get(known.name, {}))
        value = base[known.name]
        value = max(0.0, value) if known.name in NOT_BELOW_ZERO else value
        measured[known.name] = quantity(value, known.unit, budget, noise)
    return measured


NOT_BELOW_ZERO = ("penetration_left", "penetration_right", "lack_of_root_fusion", "lack_of_penetration", "dilution")


def _shifts(nominal: Interior, noise: Noise) -> Iterator[tuple[str, Interior]]:
    """Yield each input off by one standard uncertainty."""
    face = nominal.face
    lines = tuple(_moved(line, _bias(line, noise)) for line in nominal.lines)
    yield "fusion line", replace(nominal, lines=lines)
    for side, fit in (("left", face.left.fit), ("right", face.right.fit)):
        line = fit.line
        for moved in (offset_line(line, fit.offset_std), turned_line(line, fit.angle_std_rad)):
            yield "plate fit", replace(nominal, left=moved) if side == "left" else replace(nominal, right=moved)
    grown = replace(face, face=face.face + math.hypot(*noise.all_edges.values()) * _outwards(face))
    yield "edge", replace(nominal, section=replace(nominal.section, face=grown))


def _bias(line: FusionLine, noise: Noise) -> float:
    """Return the standard uncertainty of a line as a whole, mm."""
    return math.hypot(LINE_BIAS_PX * noise.resolution_mm, LINE_BIAS_SHARE * median(line.std_mm[line.own]))


def _moved(line: FusionLine, by: float) -> FusionLine:
    """Return a line moved out of the weld metal by a length, its ends staying on the surface."""
    # Weld metal lies to the left of a line from left to right or down on the left side, else to the right.
    sign = 1.0 if line.side in ("right", "root side") else -1.0
    tangent = np.gradient(line.points_mm, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    return replace(line, points_mm=line.points_mm + sign * by * normal)


def _outwards(surface: WeldSurface) -> Points:
    chord = surface.toe_right - surface.toe_left
    return np.asarray(np.array([-chord[1], chord[0]]) / np.hypot(*chord))


def _local(nominal: Interior) -> dict[str, dict[str, float]]:
    """Return what the line's own unevenness adds: its standard uncertainty at a point, or along an area's rim."""
    by_side = {line.side: line for line in nominal.lines}
    first = next(iter(by_side.values()))
    length = sum(float(arc_length(line.points_mm)[-1]) for line in nominal.lines)
    typical = float(np.median(np.concatenate([line.std_mm[line.own] for line in nominal.lines])))
    area = math.hypot(
        typical * math.sqrt(CORRELATION_MM * length),
        *(std(line) for line in nominal.lines for std in (_divided_std, _led_across_std)),
    )
    parts = {"weld_metal_area": area, "fused_area": area}
    total = sum(abs(signed_area(ring)) for ring in outlines(nominal.section, nominal.lines))
    parts["dilution"] = 100 * area / max(total, 1e-9)
    for name in ("root_penetration", "lack_of_root_fusion", "throat_with_penetration"):
        parts[name] = _std_near(first, deciding_point(nominal, name))
    for name in ("penetration_depth", "lack_of_penetration"):
        parts[name] = _std_near(first, deciding_point(nominal, name))
    for name in ("penetration_left", "penetration_right"):
        parts[name] = FLAT_SHARE * _std_near(first, deciding_point(nominal, name))
    if "root side" in by_side:
        parts["root_side_penetration_depth"] = _root_side_std(nominal, by_side["root side"])
        parts["lack_of_penetration"] = math.hypot(parts["lack_of_penetration"], parts["root_side_penetration_depth"])
    parts["root_centreline_mismatch"] = typical * MIDDLES_SHARE
    root = nominal.section.root
    if root is not None:
        for side in ("left", "right"):
            # a shorter stretch without fusion would not show in the line
            leg = max(leg_of(nominal.face, side, root), CORRELATION_MM)
            parts[f"sidewall_fusion_{side}"] = 100 * 0.5 * CORRELATION_MM / leg
    return {name: {"fusion line": std} for name, std in parts.items()}


def _root_side_std(nominal: Interior, line: FusionLine) -> float:
    """Return the standard uncertainty of the root side's line where it is deepest, mm."""
    surface = nominal.section.root_side
    if surface is None:
        return median(line.std_mm)
    chord = Line.through(surface.toe_left, surface.toe_right)
    return _std_near(line, line.points_mm[int(np.argmax(chord.offset(line.points_mm)))])


def _divided_std(line: FusionLine) -> float:
    """Return the standard uncertainty of the area up to where a line meets another weld's, mm2; 0 where it does not.

    Both ends of the straight line between are uncertain along the line, each moves half of its length.
    """
    if line.meets is None or not line.meets.any():
        return 0.0
    ends = np.flatnonzero(line.meets)[[0, -1]]
    length = float(np.hypot(*(line.points_mm[ends[1]] - line.points_mm[ends[0]])))
    return 0.5 * length * float(np.hypot(*line.std_mm[ends]))


def _led_across_std(line: FusionLine) -> float:
    """Return the standard uncertainty of the area beside the stretches that were led across a stain, mm2.

    Each of them is off to one side as a whole.
    """
    steps = np.gradient(arc_length(line.points_mm))
    return math.hypot(*(line.std_mm[across] @ steps[across] for across in stretches(line.led_across)))


def _std_near(line: FusionLine, place: Points) -> float:
    near = np.hypot(*(line.points_mm - place).T) < NEAR_MM
    return float(np.mean(line.std_mm[near])) if near.any() else float(np.median(line.std_mm))


POINT_VALUES = (
    "root_penetration", "lack_of_root_fusion", "throat_with_penetration", "penetration_left", "penetration_right",
    "penetration_depth", "lack_of_penetration",
)  # fmt: skip


ROOT_VALUES = (
    "root_penetration", "lack_of_root_fusion", "throat_with_penetration", "fused_area", "weld_metal_area", "dilution",
)  # fmt: skip


MEETS = "the weld metal of both sides has run together there: the plate between is fused through"


AREAS = ("fused_area", "weld_metal_area", "dilution")


def _without_root_side(nominal: Interior) -> bool:
    """Tell whether a face was recognised on the root side and only the line of the face side was found."""
    sides = {line.side for line in nominal.lines}
    return nominal.section.root_side is not None and sides == {"whole"}


def _unseen(nominal: Interior, name: str) -> str | None:
    """Return why a value rests on a piece of line that the etch does not show, None when it does show."""
    lines, inside = nominal.lines, nominal.section.inside
    if inside is not None and inside.hollow_root and name in ROOT_VALUES:
        return "a dark hollow lies at the root: fusion may lack there; mark the line past it"
    if inside is not None and inside.between is not None:
        between = f"penetration_{inside.between}"
        if inside.near_neighbour and name in (*AREAS, between):
            return "the etch does not tell whether the welds of both sides have run together; mark the line"
        if name == between and not inside.near_neighbour:
            return MEETS
    if name in ("weld_metal_area", "lack_of_penetration") and _without_root_side(nominal):
        return "the etch shows no fusion line on the root side; mark it if that is welded"
    if name == "weld_metal_area" and inside is not None and inside.through and nominal.section.root_side is None:
        return "the weld goes through, but no face was recognised on its root side"
    if any(line.marked and not line.confidence.any() for line in lines):
        # A person's line, taken as given, with a person's uncertainty.
        return None
    if name in POINT_VALUES:
        line = lines[0]
        off = np.hypot(*(line.points_mm - deciding_point(nominal, name)).T)
        if line.meets is not None and line.meets[int(np.argmin(off))]:
            # Whatever lies behind the root is weld metal.
            return None if name == "lack_of_root_fusion" else MEETS
        if bool((line.led_across & (off < BESIDE_STAIN_MM)).any()):
            return (
                "a stain hides the fusion line where this value is taken; clean and etch again, or mark the line there"
            )
        near = off < NEAR_MM
        if near.any() and float(np.mean(line.confidence[near])) < SEEN:
            return "the etch does not show the fusion line where this value is taken; mark the line there"
        return None
    shown = float(np.mean(np.concatenate([line.confidence[line.own] for line in lines]) >= SEEN))
    if shown < LEAST_SHOWN:
        return f"the etch shows only {100 * shown:.0f} % of the fusion line; mark the rest"
    return None
