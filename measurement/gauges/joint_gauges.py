"""Gauges for a joint prepared for welding: inside hook, bevel blade and stepped gap feeler."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from core.geometry import Points, distance_to_segments
from core.units import MM_PER_INCH
from measurement.gauges.contact import Frame, resting_line, touching, window
from measurement.gauges.metal import member_points
from measurement.gauges.reading import GaugeReading, NoReading, Read, parts_of, step_text, to_step
from vision.section import PreparedEdge, Section

NO_MEMBER = "this member of the joint was not found; show both edges of the groove"
SAME_MM = 1e-6
NO_INSIDE = "the inside surface is not visible, and a hook is set against it"


@dataclass(frozen=True, slots=True)
class HookGauge:
    """A stem that passes through the root gap, with a hook to each side that is drawn up against the inside.

    Attributes
    ----------
    reach_mm
        From the middle of the stem to the end of each hook.
    stem_mm
        Thickness of the stem: a narrower gap does not let it through.
    shoulder_mm
        Length of the shoulder that lies on the outside of the left member and keeps the stem square to it.
    step_mm
        Graduation.
    """

    reach_mm: float = 5.0
    stem_mm: float = 1.5
    shoulder_mm: float = 25.0
    step_mm: float = 0.1


@dataclass(frozen=True, slots=True)
class BevelBlade:
    """A base that lies on the outside surface and a blade that turns against the prepared face."""

    base_mm: float = 25.0
    step_deg: float = 1.0


@dataclass(frozen=True, slots=True)
class GapFeeler:
    """A stepped feeler: the limits tell three bands apart (common practice, no source)."""

    limits_sixteenths: tuple[Fraction, ...] = (Fraction(1), Fraction(3, 2))

    @property
    def limits_mm(self) -> tuple[float, ...]:
        return tuple(float(limit) * MM_PER_INCH / 16 for limit in self.limits_sixteenths)

    @property
    def words(self) -> tuple[str, ...]:
        """What is read in each band."""
        names = [f"{limit / 16} in" for limit in self.limits_sixteenths]
        middle = [f"{low} to {high}" for low, high in itertools.pairwise(names)]
        return (f"under {names[0]}", *middle, f"over {names[-1]}")


def read_hook(gauge: HookGauge, section: Section, quantity: str, true: float | None) -> Read:
    """Return what an inside hook reads: offset of the inside surfaces, or the thickness of a member."""
    left, right = section.edge_left, section.edge_right
    if left is None or right is None:
        return NoReading("hook", quantity, NO_MEMBER)
    first, second = member_points(left), member_points(right)
    if first is None or second is None:
        return NoReading("hook", quantity, NO_INSIDE)
    shoulder = left if quantity != "thickness_right" else right
    stand = _on_outside(shoulder, gauge.shoulder_mm, left=shoulder is left)
    near = [stand.local(np.array([edge.land_top, edge.land_bottom, edge.outer_corner])) for edge in (left, right)]
    low, high = float(near[0][:, 0].max()), float(near[1][:, 0].min())
    if high - low < gauge.stem_mm:
        return NoReading(
            "hook",
            quantity,
            f"the stem, {gauge.stem_mm:g} mm thick, does not pass through the gap of {high - low:.1f} mm",
        )
    middle = (low + high) / 2
    contacts = [
        _hooked(stand.local(points), middle, gauge.reach_mm, side) for points, side in ((first, -1.0), (second, 1.0))
    ]
    if any(contact is None for contact in contacts):
        return NoReading("hook", quantity, f"a hook of {gauge.reach_mm:g} mm does not reach under both members")
    at_left, at_right = (contact for contact in contacts if contact is not None)
    outline: list[Points] = []
    if quantity == "root_misalignment":
        reading, touched = at_right[1] - at_left[1], [at_left, at_right]
        why = "the insides are not parallel: the hooks touch away from the middle of the gap"
    elif quantity in ("thickness_left", "thickness_right"):
        own = at_left if quantity == "thickness_left" else at_right
        reading, touched = -own[1], [own]
        why = "outside and inside are not parallel: the hook touches away from where the thickness is taken"
    else:
        return NoReading("hook", quantity, "an inside hook does not read this")
    for own in touched:
        side = math.copysign(1.0, own[0] - middle)
        outline.append(stand.world(_hook(gauge, middle, float(own[1]), side)))
    outline.append(stand.world(_shoulder(gauge, middle, near[0 if shoulder is left else 1], shoulder is left)))
    step = to_step(reading, gauge.step_mm)
    parts = parts_of((why, 0.0 if true is None else reading - true))
    rest = _shoulder_contacts(shoulder, gauge.shoulder_mm, stand, left=shoulder is left)
    return GaugeReading(
        "hook",
        quantity,
        float(reading),
        "mm",
        step,
        step_text(step, gauge.step_mm, "mm"),
        true,
        np.vstack([rest, stand.world(np.array(touched))]),
        tuple(outline),
        parts,
    )


def read_bevel(gauge: BevelBlade, section: Section, quantity: str, true: float | None) -> Read:
    """Return the angle between the blade, laid along the prepared face, and the square to its base."""
    left = quantity.endswith("left")
    edge = section.edge_left if left else section.edge_right
    if edge is None:
        return NoReading("bevel blade", quantity, NO_MEMBER, "deg")
    if edge.bevel is None:
        return NoReading(
            "bevel blade", quantity, "the edge is square: there is no prepared face to lay it along", "deg"
        )
    stand = _on_outside(edge, gauge.base_mm, left=left)
    ends = stand.local(np.array([edge.outer_corner, edge.land_top]))
    across, down = ends[1] - ends[0]
    # towards the joint is +x seen from the left member and -x from the right one
    reading = math.degrees(math.atan2(across if left else -across, -down))
    step = to_step(reading, gauge.step_deg)
    vector = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    away = -1.0 if left else 1.0
    base = np.array([ends[0], ends[0] + [away * gauge.base_mm, 0.0]])
    bar = np.array([[0.0, 4.0], [0.0, 0.0]])
    outline = (
        stand.world(np.vstack([base, base[::-1] + bar[:1], base[:1]])),
        stand.world(np.array([ends[0] - 8.0 * vector, ends[1]])),
    )
    parts = parts_of(
        ("the blade lies on the ends of the prepared face", 0.0 if true is None else reading - true), least=0.2
    )
    return GaugeReading(
        "bevel blade",
        quantity,
        reading,
        "deg",
        step,
        step_text(step, gauge.step_deg, "°"),
        true,
        np.vstack([_shoulder_contacts(edge, gauge.base_mm, stand, left=left), stand.world(ends)]),
        outline,
        parts,
    )


def read_gap(gauge: GapFeeler, section: Section, quantity: str, true: float | None) -> Read:
    """Return in which band of a stepped feeler the root gap lies: the thickest step that passes between the lands."""
    left, right = section.edge_left, section.edge_right
    if left is None or right is None:
        return NoReading("gap feeler", quantity, NO_MEMBER)
    clear, ends = _narrowest(left, right)
    # a gap of exactly a step lies in the band that the step's name begins or ends, not under or over it
    *lower, last = gauge.limits_mm
    band = sum(clear >= limit - SAME_MM for limit in lower) + (clear > last + SAME_MM)
    passed = gauge.limits_mm[band - 1] if band else None
    parts = parts_of(
        (
            "the feeler passes the narrowest place; the gap is taken along the left plate",
            0.0 if true is None else clear - true,
        )
    )
    return GaugeReading(
        "gap feeler",
        quantity,
        clear,
        "mm",
        passed,
        gauge.words[band],
        true,
        ends,
        (ends,),
        parts,
        ("a feeler gives a band, not a size",),
    )


def _side_points(edge: PreparedEdge) -> Points:
    """The faces of a member that look into the joint."""
    points = np.array([edge.outer_corner, edge.land_top, edge.land_bottom])
    keep = np.append(True, np.hypot(*np.diff(points, axis=0).T) > 1e-9)
    return np.asarray(points[keep])


def _narrowest(left: PreparedEdge, right: PreparedEdge) -> tuple[float, Points]:
    first, second = _side_points(left), _side_points(right)
    found = []
    for points, other in ((first, second), (second, first)):
        for point in points:
            distance, nearest = distance_to_segments(point, other)
            found.append((distance, np.array([point, nearest])))
    return min(found, key=lambda entry: entry[0])


def _on_outside(edge: PreparedEdge, length: float, *, left: bool) -> Frame:
    """Return the line of a shoulder on the outside of a member, +x to the right, origin at the outer corner."""
    line = edge.outside.line
    along, out = (-line.direction, -line.normal) if left else (line.direction, line.normal)
    plain = Frame(edge.outer_corner, along, out)
    ends = np.array([edge.outer_corner, line.at(float(line.along(edge.outer_corner)) + length)])
    slope, height, _ = resting_line(plain.local(ends), (-0.5 if left else 0.5) * length)
    return plain.tilted(slope, height)


def _shoulder_contacts(edge: PreparedEdge, length: float, stand: Frame, *, left: bool) -> Points:
    line = edge.outside.line
    ends = np.array([edge.outer_corner, line.at(float(line.along(edge.outer_corner)) + length)])
    return stand.world(touching(stand.local(ends), 0.0))


def _hooked(local: Points, middle: float, reach: float, side: float) -> Points | None:
    """Return where a hook drawn up along the stem meets the inside of a member: its lowest point above the hook."""
    inside = local[-2:]
    ends = sorted((middle, middle + side * reach))
    over = window(inside, ends[0], ends[1])
    return None if len(over) == 0 else np.asarray(over[int(np.argmin(over[:, 1]))])


def _hook(gauge: HookGauge, middle: float, height: float, side: float) -> Points:
    half, end, thick = side * gauge.stem_mm / 2, middle + side * gauge.reach_mm, 1.2
    return np.array(
        [
            [middle, 8.0],
            [middle, height - thick],
            [end, height - thick],
            [end, height],
            [middle + half, height],
            [middle + half, 8.0],
            [middle, 8.0],
        ]
    )


def _shoulder(gauge: HookGauge, middle: float, near: Points, left: bool) -> Points:
    corner = float(near[2, 0])
    far = corner + (-1.0 if left else 1.0) * gauge.shoulder_mm
    stem = middle + (-0.5 if left else 0.5) * gauge.stem_mm
    return np.array([[far, 0.0], [far, 5.0], [stem, 5.0], [stem, 0.0], [far, 0.0]])
