"""A seat of 90 degrees with a slide along its bisector: it reads the throat of a fillet weld.

The two legs of the seat stand on the plates outside the weld, the slide comes down on the face, and the graduation
reads from the corner of the seat to the end of the slide. On a square joint the corner stands in the joint root. On
any other the seat rocks between lying along the left plate and lying along the right one; it is taken to be held half
way, and how far the reading goes while it rocks is told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from core.geometry import Line, Points, angle_between_deg, intersection
from measurement.gauges.contact import Frame, Tip, let_down, resting_line, touching, window
from measurement.gauges.metal import BEYOND_MM, Metal, metal_of
from measurement.gauges.reading import BEYOND_SIGHT, GaugeReading, NoReading, Read, parts_of, step_text, to_step
from vision.section import WeldSurface

SLIDE_END = Tip(width_mm=2.0)
ROUNDS = 40
SETTLED_MM = 1e-7


@dataclass(frozen=True, slots=True)
class SeatGauge:
    """Dimensions of a seat gauge.

    Attributes
    ----------
    leg_from_mm, leg_to_mm
        Where each leg of the seat begins and ends, from its corner; between the legs it is open for the weld.
    tip
        End of the slide.
    step_mm
        Graduation of the slide.
    """

    leg_from_mm: float = 15.0
    leg_to_mm: float = 35.0
    tip: Tip = SLIDE_END
    step_mm: float = 0.5

    def __post_init__(self) -> None:
        if not 0 < self.leg_from_mm < self.leg_to_mm or self.step_mm <= 0:
            raise ValueError("a seat's legs begin beyond its corner and end farther out")


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A seat at rest: its corner, and the angle of its bisector, which points out of the metal."""

    corner: Points
    angle_rad: float

    @property
    def bisector(self) -> Points:
        return np.array([math.cos(self.angle_rad), math.sin(self.angle_rad)])

    @property
    def left(self) -> Points:
        """Direction of the left leg, away from the corner."""
        return _direction(self.angle_rad + math.pi / 4)

    @property
    def right(self) -> Points:
        return _direction(self.angle_rad - math.pi / 4)

    @property
    def left_leg(self) -> Frame:
        return Frame(self.corner, self.left, self.right)

    @property
    def right_leg(self) -> Frame:
        return Frame(self.corner, self.right, self.left)

    @property
    def slide(self) -> Frame:
        return Frame(self.corner, _direction(self.angle_rad - math.pi / 2), self.bisector)


def read_seat(gauge: SeatGauge, surface: WeldSurface, quantity: str, true: float | None, *, lap: bool = False) -> Read:
    """Return what a seat gauge reads of the throat of a fillet weld."""
    metal = metal_of(surface, lap=lap)
    root = intersection(metal.left, metal.right)
    if quantity != "throat" or root is None:
        return NoReading("seat", quantity, "the plates form no corner for the seat to stand in")
    legs = {
        side: float(np.hypot(*(toe - root))) for side, toe in (("left", metal.toe_left), ("right", metal.toe_right))
    }
    if max(legs.values()) > gauge.leg_from_mm - 0.5:
        return NoReading(
            "seat",
            quantity,
            f"a leg of {max(legs.values()):.1f} mm reaches under the legs of the seat, which begin at "
            f"{gauge.leg_from_mm:g} mm; take a larger gauge",
        )
    try:
        pose, first, last = settled(gauge, metal, root)
        at_plates, _, _ = settled(gauge, metal.clean, root)
    except ValueError:
        edge = min(metal.reach_left, metal.reach_right)
        why = f": the edge of the upper plate ends {edge:.1f} mm beyond the toe" if edge < BEYOND_MM else ""
        return NoReading("seat", quantity, f"the seat finds no metal below both of its legs{why}")
    inside = [
        side for side, toe, leg in (("left", metal.toe_left, pose.left_leg), ("right", metal.toe_right, pose.right_leg))
        if float(leg.local(toe)[0, 0]) > gauge.leg_from_mm
    ]  # fmt: skip
    if inside:
        return NoReading(
            "seat",
            quantity,
            f"a leg of {max(legs[side] for side in inside):.1f} mm reaches under the legs of the seat, which stand "
            "nearer to the root of a wide joint; take a larger gauge",
        )
    reading, touched = _slide(gauge.tip, metal, pose)
    chord = Line.through(metal.toe_left, metal.toe_right)
    across = chord.along(touched)
    if across.max() < 0 or across.min() > float(chord.along(metal.toe_right)):
        return NoReading(
            "seat", quantity, "the slide comes down on a plate beside the weld: the joint is far from square"
        )
    angle = angle_between_deg(metal.left.direction, metal.right.direction)
    middle = metal.left.direction + metal.right.direction
    if reading <= 0:
        return NoReading(
            "seat", quantity, f"the joint is {angle:.1f}°: the seat stands so far off that its slide reads nothing"
        )
    ideal = Pose(root, math.atan2(middle[1], middle[0]))
    sharp, _ = _slide(Tip(half_angle_deg=1.0, shank_mm=0.0), metal, ideal)
    with_tip, wide = _slide(gauge.tip, metal, ideal)
    on_plates, _ = _slide(gauge.tip, metal, at_plates)
    shape = "" if true is None else _why_not_nearest(legs)
    parts = parts_of(
        (shape, 0.0 if true is None else sharp - true),
        (_why_tip(gauge.tip, ideal, wide), with_tip - sharp),
        (_why_not_square(angle), on_plates - with_tip),
        ("what lies under a leg of the seat lifts it", reading - on_plates),
    )
    rocked = sorted([reading, *(_slide(gauge.tip, metal, side)[0] for side in (first, last))])
    contacts = np.vstack([*_leg_contacts(gauge, metal, pose), touched])
    remarks: tuple[str, ...] = (BEYOND_SIGHT,) if metal.beyond_sight(contacts) else ()
    if rocked[-1] - rocked[0] > 0.05:
        remarks += (f"it rocks: held along the one plate or the other it reads {rocked[0]:.2f} to {rocked[-1]:.2f} mm",)
    step = to_step(reading, gauge.step_mm)
    return GaugeReading(
        "seat",
        quantity,
        reading,
        "mm",
        step,
        step_text(step, gauge.step_mm, "mm"),
        true,
        contacts,
        _outline(gauge, pose, reading),
        parts,
        remarks,
    )


def settled(gauge: SeatGauge, metal: Metal, root: Points) -> tuple[Pose, Pose, Pose]:
    """Return the seat at rest, and as it lies along the left plate and along the right one.

    Raises
    ------
    ValueError
        When a leg finds no metal.
    """
    middle = metal.left.direction + metal.right.direction
    half = math.radians(angle_between_deg(metal.left.direction, metal.right.direction) / 2)
    # where the ends of the legs stand on straight plates; what lies on them moves the seat on from there
    end = gauge.leg_from_mm if half > math.pi / 4 else gauge.leg_to_mm
    above = end * math.sqrt(0.5) * (1 / math.tan(half) - 1)
    pose = Pose(root + above * middle / np.hypot(*middle), math.atan2(middle[1], middle[0]))
    first = last = pose.angle_rad
    for _ in range(ROUNDS):
        new, first, last = _nearer(gauge, metal, pose)
        moved = float(np.hypot(*(new.corner - pose.corner))) + abs(new.angle_rad - pose.angle_rad)
        pose = new
        if moved < SETTLED_MM:
            break
    pose = _down(gauge, metal, pose)
    return pose, _down(gauge, metal, Pose(pose.corner, first)), _down(gauge, metal, Pose(pose.corner, last))


def _legs(pose: Pose, metal: Metal) -> tuple[tuple[Frame, Points], ...]:
    return (pose.left_leg, metal.plate_left), (pose.right_leg, metal.plate_right)


def _nearer(gauge: SeatGauge, metal: Metal, pose: Pose) -> tuple[Pose, float, float]:
    """Return a pose nearer to rest, and the angles at which the seat lies along the left, along the right plate."""
    press = (gauge.leg_from_mm + gauge.leg_to_mm) / 2
    slopes, below = [], []
    for leg, plate in _legs(pose, metal):
        under = window(leg.local(plate), gauge.leg_from_mm, gauge.leg_to_mm)
        slopes.append(resting_line(under, press)[0])
        below.append(leg.world(under))
    first, last = pose.angle_rad - math.atan(slopes[0]), pose.angle_rad + math.atan(slopes[1])
    turned = Pose(pose.corner, (first + last) / 2)
    heights = [
        float(((points - pose.corner) @ out).max())
        for points, out in zip(below, (turned.right, turned.left), strict=True)
    ]
    return Pose(pose.corner + heights[0] * turned.right + heights[1] * turned.left, turned.angle_rad), first, last


def _down(gauge: SeatGauge, metal: Metal, pose: Pose) -> Pose:
    """Let the seat down at its angle until both legs touch."""
    corner = pose.corner
    for _ in range(ROUNDS):
        at = Pose(corner, pose.angle_rad)
        heights = [
            float(window(leg.local(plate), gauge.leg_from_mm, gauge.leg_to_mm)[:, 1].max())
            for leg, plate in _legs(at, metal)
        ]
        corner = corner + heights[0] * at.right + heights[1] * at.left
        if abs(heights[0]) + abs(heights[1]) < SETTLED_MM:
            break
    return Pose(corner, pose.angle_rad)


def _slide(tip: Tip, metal: Metal, pose: Pose) -> tuple[float, Points]:
    height, touched = let_down(pose.slide.local(metal.points), tip, 0.0)
    return height, pose.slide.world(touched)


def _leg_contacts(gauge: SeatGauge, metal: Metal, pose: Pose) -> list[Points]:
    return [
        leg.world(touching(window(leg.local(plate), gauge.leg_from_mm, gauge.leg_to_mm), 0.0))
        for leg, plate in _legs(pose, metal)
    ]


def _outline(gauge: SeatGauge, pose: Pose, reading: float) -> tuple[Points, ...]:
    """Return the body and the slide; the body is open over the weld between the beginnings of its legs."""
    near, far = gauge.leg_from_mm, gauge.leg_to_mm
    back = 0.45 * far
    body = np.array(
        [
            near * pose.left,
            far * pose.left,
            far * pose.left + back * pose.right,
            far * pose.right + back * pose.left,
            far * pose.right,
            near * pose.right,
            near * pose.right + 0.9 * near * pose.left,
            near * pose.left + 0.9 * near * pose.right,
            near * pose.left,
        ]
    )
    slide = pose.slide.world(gauge.tip.outline(reading, 0.9 * far))
    return body + pose.corner, slide


def _why_not_nearest(legs: dict[str, float]) -> str:
    if abs(legs["left"] - legs["right"]) > 0.1:
        return "the legs differ: the slide runs along the bisector, the throat is the shortest way from the root"
    return "the place of the face nearest to the root does not lie on the bisector"


def _why_tip(tip: Tip, pose: Pose, touched: Points) -> str:
    across = float(np.abs(pose.slide.local(touched)[:, 0]).max())
    where = "on its corner" if across > 0.98 * tip.half_mm else "beside its middle"
    return f"the end of the slide is {2 * tip.half_mm:g} mm wide and rests {where}"


def _why_not_square(angle_deg: float) -> str:
    where = "at the inner ends of its legs" if angle_deg > 90 else "at the outer ends of its legs"
    return f"the joint is {angle_deg:.1f}°, not square: the seat touches {where}"


def _direction(angle_rad: float) -> Points:
    return np.array([math.cos(angle_rad), math.sin(angle_rad)])
