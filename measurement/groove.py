"""Values of a joint prepared for welding: bevels, lands, gap and fit-up.

The root edge of a member is the lower end of its land (the tip where there is no land), and the root gap is
the distance between the two root edges, taken along the left plate's outside surface.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from core.fitting import LineFit
from core.geometry import Line, Points, intersection
from core.quantity import Measured, NotMeasurable
from measurement.model import Model, evaluated
from measurement.names import GROOVE
from measurement.outline import moved_line
from measurement.plate import offset_between, thickness_at
from measurement.uncertainty import Input, Noise, degrees_of_fit, line_shifts
from vision.section import PreparedEdge, Section

UNSEEN_LAND_PX, UNSEEN_LAND_STD_PX = 5.0, 1.2
"""A land of no more pixels than the first is not told from a sharp tip: it may have any height up to that, which has
the second as its standard uncertainty."""

NO_MEMBER = "this member of the joint was not found; show both edges of the groove"
NO_INSIDE = "the inside surface is not visible; photograph the joint end-on or from the other side"


@dataclass(frozen=True, slots=True, eq=False)
class _Member:
    """Lines and corners of one member; ``side`` is -1 for the left one and +1 for the right one."""

    side: int
    outside: Line
    inside: Line | None
    bevel: Line | None
    land: Line | None
    outer_corner: Points
    land_top: Points
    land_bottom: Points

    @property
    def out(self) -> Points:
        return np.asarray(self.side * self.outside.normal)


@dataclass(frozen=True, slots=True, eq=False)
class _Joint:
    left: _Member | None
    right: _Member | None
    bare_left: _Member | None = None
    bare_right: _Member | None = None


def groove_values(section: Section, noise: Noise) -> dict[str, Measured]:
    """Return the values of a prepared joint by name."""
    values = evaluated(groove_model(section, noise))
    return {
        name.name: values.get(name.name) or NotMeasurable(_reason(section, name.name), name.unit) for name in GROOVE
    }


def groove_model(section: Section, noise: Noise) -> Model[_Joint]:
    """Return the model of a prepared joint."""
    inputs = [
        Input(entry.source, partial(_moved, side, entry.move), entry.degrees)
        for side, edge in (
            ("left", section.edge_left),
            ("right", section.edge_right),
            ("bare_left", section.bare_left),
            ("bare_right", section.bare_right),
        )
        for entry in _inputs(edge, noise)
    ]
    notes = {name.name: note for name in GROOVE if (note := _note(section, name.name)) is not None}
    return Model(
        _values,
        _Joint(
            _member(section.edge_left, -1),
            _member(section.edge_right, 1),
            _member(section.bare_left, -1),
            _member(section.bare_right, 1),
        ),
        (*inputs, *(Input(source, partial(_joint_grown, std)) for source, std in noise.all_edges.items())),
        {name.name: name.unit for name in GROOVE},
        noise,
        notes=notes,
    )


def _moved(side: str, move: Callable[[_Member, float], _Member], joint: _Joint, share: float) -> _Joint:
    member: _Member | None = getattr(joint, side)
    return joint if member is None else replace(joint, **{side: move(member, share)})


def _joint_grown(by: float, joint: _Joint, share: float) -> _Joint:
    return _Joint(
        *(_grown(member, share * by) for member in (joint.left, joint.right, joint.bare_left, joint.bare_right))
    )


def _member(edge: PreparedEdge | None, side: int) -> _Member | None:
    if edge is None:
        return None
    inside, bevel, land = (None if fit is None else fit.line for fit in (edge.inside, edge.bevel, edge.land))
    return _Member(side, edge.outside.line, inside, bevel, land, edge.outer_corner, edge.land_top, edge.land_bottom)


def _values(joint: _Joint) -> dict[str, float]:
    values: dict[str, float] = {}
    for side, member in (("left", joint.left), ("right", joint.right)):
        if member is None:
            continue
        prepared = member.bevel or member.land
        if prepared is not None:
            values[f"bevel_angle_{side}"] = _bevel_angle(member, prepared)
        values[f"preparation_depth_{side}"] = _depth(member, member.land_top) if member.bevel else 0.0
        if member.inside is not None:
            values[f"root_face_{side}"] = _depth(member, member.land_bottom) - _depth(member, member.land_top)
            values[f"thickness_{side}"] = thickness_at(member.outside, member.inside, member.outer_corner)
    left, right = joint.left, joint.right
    on_left, on_right = left or joint.bare_left, right or joint.bare_right
    if on_left is not None and on_right is not None:
        # Two surfaces tell it, whatever is seen of the edges.
        middle = (on_left.outer_corner + on_right.outer_corner) / 2
        values["misalignment"] = offset_between(on_left.outside, on_right.outside, middle)
    if left is None or right is None:
        return values
    if "bevel_angle_left" in values and "bevel_angle_right" in values:
        values["groove_angle"] = values["bevel_angle_left"] + values["bevel_angle_right"]
    values["root_gap"] = float((right.land_bottom - left.land_bottom) @ -left.outside.direction)
    if left.inside is not None and right.inside is not None:
        middle = (left.land_bottom + right.land_bottom) / 2
        values["root_misalignment"] = offset_between(left.inside, right.inside, middle)
    return values


def _depth(member: _Member, point: Points) -> float:
    return -float((point - member.outside.point) @ member.out)


def _bevel_angle(member: _Member, prepared: Line) -> float:
    """Positive where the groove widens towards the outside."""
    down = prepared.direction if prepared.direction @ member.out < 0 else -prepared.direction
    return math.degrees(math.atan2(float(-member.outside.direction @ down), float(-member.out @ down)))


def _inputs(edge: PreparedEdge | None, noise: Noise) -> Iterator[Input[_Member]]:
    if edge is None:
        return
    for part in ("outside", "inside", "bevel", "land"):
        fit: LineFit | None = getattr(edge, part)
        if fit is not None:
            for shift in line_shifts(fit):
                yield Input("plate fit", partial(_line_moved, part, shift), degrees_of_fit(fit))
    if edge.land is None and edge.bevel is None:
        step = noise.point_std_mm * edge.outside.line.direction
        yield Input("edge", partial(_slipped, ("land_top", "land_bottom"), step))
    if edge.bevel is not None and edge.inside is not None and edge.land is None:
        yield Input("resolution", partial(_blunted, UNSEEN_LAND_STD_PX * noise.resolution_mm))
    if edge.inside is None:
        # the lower end of the land is where points end, not where two lines meet
        along = edge.land or edge.bevel or edge.outside
        ends = ("land_bottom",) if edge.land is not None else ("land_top", "land_bottom")
        shifts = edge.end_shifts_mm
        if shifts is None:
            shifts = math.hypot(noise.resolution_mm / math.sqrt(3), noise.blur_mm) * along.line.direction[None]
        for shift in shifts:
            yield Input("edge", partial(_slipped, ends, shift))
        if edge.end_doubt is not None:
            yield Input("edge", partial(_slipped, ends, edge.end_doubt))


def _blunted(by: float, member: _Member, share: float) -> _Member:
    """Return a member whose sharp tip is cut square to the surface, so high: both ends of that cut go along."""
    if member.bevel is None:
        return member
    rise = share * by
    away = rise * math.tan(math.radians(_bevel_angle(member, member.bevel))) * member.outside.direction
    return replace(member, land_top=member.land_top + away + rise * member.out, land_bottom=member.land_bottom + away)


def _line_moved(part: str, shift: Callable[[Line, float], Line], member: _Member, share: float) -> _Member:
    return _with_line(member, part, shift(getattr(member, part), share))


def _slipped(corners: tuple[str, ...], step: Points, member: _Member, share: float) -> _Member:
    return replace(member, **{corner: getattr(member, corner) + share * step for corner in corners})


def _with_line(member: _Member, part: str, line: Line) -> _Member:
    """Put another line in the place of one; the corners go along with where the lines meet."""
    changed = replace(member, **{part: line})  # type: ignore[arg-type]
    corners = ("outer_corner", "land_top", "land_bottom")
    return replace(changed, **{corner: _corner_moved(member, changed, corner) for corner in corners})  # type: ignore[arg-type]


def _corner_moved(old: _Member, new: _Member, corner: str) -> Points:
    at: Points = getattr(old, corner)
    before, after = _meeting(old, corner), _meeting(new, corner)
    if before is None or after is None:
        line = new.land or new.bevel or new.outside
        same = old.land or old.bevel or old.outside
        return np.asarray(line.at(float(same.along(at))) + float(same.offset(at)) * line.normal)
    return np.asarray(at + after - before)


def _meeting(member: _Member, corner: str) -> Points | None:
    upper, lower = member.bevel or member.land, member.land or member.bevel
    pair = {
        "outer_corner": (member.outside, upper),
        "land_top": (member.bevel or member.outside, member.land or member.inside),
        "land_bottom": (lower, member.inside),
    }[corner]
    first, second = pair
    return None if first is None or second is None else intersection(first, second)


def _grown(member: _Member | None, by: float) -> _Member | None:
    """Move every edge of a member by the same length out of the metal."""
    if member is None:
        return None
    grown = member
    for part in ("outside", "inside", "bevel", "land"):
        line: Line | None = getattr(member, part)
        if line is not None:
            grown = _with_line(grown, part, moved_line(line, by * _out_of_metal(member, part, line)))
    return grown


def _out_of_metal(member: _Member, part: str, line: Line) -> Points:
    """The normal of one edge of a member that points into the air."""
    into_joint = -member.outside.direction
    towards = {"outside": member.out, "inside": -member.out}.get(part, into_joint)
    return line.normal if line.normal @ towards > 0 else -line.normal


def _note(section: Section, name: str) -> str | None:
    side = name.rsplit("_", 1)[-1]
    edge = {"left": section.edge_left, "right": section.edge_right}.get(side)
    if name.startswith("bevel_angle") and edge is not None and edge.bevel is None:
        return "square edge: the angle of the edge itself"
    if name.startswith("root_face") and edge is not None and edge.land is None:
        return f"the bevel ends without a land; one below {UNSEEN_LAND_PX * section.resolution_mm:.1f} mm does not show"
    if name == "root_gap":
        edges = (section.edge_left, section.edge_right)
        if any(member is not None and member.inside is None for member in edges):
            return "between the lowest visible points, the inside surface is not visible"
        return "between the lower ends of the lands"
    return None


def _reason(section: Section, name: str) -> str:
    side = name.rsplit("_", 1)[-1]
    edges = {"left": (section.edge_left,), "right": (section.edge_right,)}.get(
        side, (section.edge_left, section.edge_right)
    )
    if any(edge is None for edge in edges):
        return NO_MEMBER
    if name.startswith("bevel") or name == "groove_angle":
        return "neither bevel nor land was found on this edge; show the groove down to its root"
    return NO_INSIDE
