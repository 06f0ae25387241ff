"""A set of leg blades: each says whether a leg of a fillet weld reaches its size.

A blade's foot is laid on one plate clear of the weld and pushed along it until its nose, which stands at the blade's
size above the foot, meets the other plate or the weld on it. It fits when the nose comes to the plate; the size read is
the largest one to which the weld still reaches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from core.geometry import Points
from core.units import MM_PER_INCH, nearest_fraction
from measurement.gauges.contact import Frame, resting_line, touching, window
from measurement.gauges.metal import Metal, metal_of
from measurement.gauges.reading import BEYOND_SIGHT, GaugeReading, NoReading, Read, parts_of
from vision.section import WeldSurface

METRIC_MM = tuple(float(size) for size in range(3, 26))
SIXTEENTHS = (2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 16)
"""1/8 to 1/2 in by 1/16, on to 1 in by 1/8."""


@dataclass(frozen=True, slots=True)
class BladeSet:
    """Dimensions of a set of leg blades.

    Attributes
    ----------
    name
        What the set is called in results.
    sizes_mm, labels
        The blades, rising.
    foot_mm
        Length of the foot; it is laid down ``clear_mm`` beyond the toe.
    nose_mm
        Height of the nose above its lower corner.
    see_mm
        A gap that an eye sees between nose and plate: an assumption without a source.
    """

    name: str
    sizes_mm: tuple[float, ...]
    labels: tuple[str, ...]
    foot_mm: float = 10.0
    clear_mm: float = 1.0
    nose_mm: float = 1.0
    see_mm: float = 0.05

    def __post_init__(self) -> None:
        if len(self.sizes_mm) != len(self.labels) or not self.sizes_mm or list(self.sizes_mm) != sorted(self.sizes_mm):
            raise ValueError("each blade needs a size and a label, and sizes rise")


METRIC_BLADES = BladeSet("blades mm", METRIC_MM, tuple(f"{size:g} mm" for size in METRIC_MM))
INCH_BLADES = BladeSet(
    "blades in",
    tuple(count * MM_PER_INCH / 16 for count in SIXTEENTHS),
    tuple(f"{nearest_fraction(count / 16)} in" for count in SIXTEENTHS),
)


def read_blades(gauge: BladeSet, surface: WeldSurface, quantity: str, true: float | None, *, lap: bool = False) -> Read:
    """Return the size that a set of blades gives a leg (``leg_left`` or ``leg_right``) of a fillet weld."""
    if quantity not in ("leg_left", "leg_right"):
        return NoReading(gauge.name, quantity, "leg blades read the legs of a fillet weld only")
    metal = metal_of(surface, lap=lap)
    left = quantity == "leg_left"
    try:
        foot = _laid(gauge, metal, left)
        on_plate = _laid(gauge, metal.clean, left)
    except ValueError:
        why = ": the edge of the upper plate is too short" if lap else ""
        return NoReading(gauge.name, quantity, f"the foot of the blade finds no plate to lie on{why}")
    toe = metal.toe_left if left else metal.toe_right
    wall, wall_out = (metal.left, metal.out_left) if left else (metal.right, metal.out_right)
    reach = float(foot.local(toe)[0, 1])
    at_plate = float(on_plate.local(toe)[0, 1])
    local = foot.local(np.vstack([metal.plate_left[::-1], metal.face] if left else [metal.face, metal.plate_right]))
    stops, clearances = [], []
    for size in gauge.sizes_mm:
        nose = window(local[:, ::-1], size, size + gauge.nose_mm)[:, ::-1]  # heights first
        if len(nose) == 0:  # the nose passes over the rim of a lapped plate and meets nothing
            stops.append(foot.local(toe)[0])
            clearances.append(math.inf)
            continue
        stop = nose[int(np.argmax(nose[:, 0]))]
        stops.append(stop)
        clearances.append(float((foot.world(stop)[0] - wall.point) @ wall_out))
    fits = tuple((label, gap <= gauge.see_mm) for label, gap in zip(gauge.labels, clearances, strict=True))
    reached = [k for k, size in enumerate(gauge.sizes_mm) if size <= reach + gauge.see_mm]
    chosen = reached[-1] if reached else 0
    size = gauge.sizes_mm[chosen]
    parts = parts_of(
        (
            "the joint is not square: a blade reads square to the plate it lies on",
            0.0 if true is None else at_plate - true,
        ),
        ("what lies under the foot of the blade lifts it", reach - at_plate),
    )
    nose_at = stops[chosen]
    contacts = np.vstack([_foot_contacts(gauge, metal, foot, left), foot.world(nose_at)])
    remarks = (_words(gauge, len(reached)), *([BEYOND_SIGHT] if metal.beyond_sight(contacts) else []))
    return GaugeReading(
        gauge.name,
        quantity,
        reach,
        "mm",
        size if reached else None,
        gauge.labels[chosen] if reached else f"under {gauge.labels[0]}",
        true,
        contacts,
        (foot.world(_blade(gauge, size, float(nose_at[0]), _foot_start(gauge, metal, foot, left))),),
        parts,
        remarks,
        fits,
    )


def _words(gauge: BladeSet, reached: int) -> str:
    if reached == 0:
        return f"less than the smallest blade, {gauge.labels[0]}"
    if reached == len(gauge.labels):
        return f"no blade is larger than {gauge.labels[-1]}"
    return f"it reaches {gauge.labels[reached - 1]}, but not {gauge.labels[reached]}"


def _laid(gauge: BladeSet, metal: Metal, left: bool) -> Frame:
    """Return the line of the foot as it lies on the plate across the joint: along leads away from the weld."""
    base, out, toe = (
        (metal.right, metal.out_right, metal.toe_right) if left else (metal.left, metal.out_left, metal.toe_left)
    )
    start = float(base.along(toe)) + gauge.clear_mm
    plain = Frame(base.at(0.0), base.direction, out)
    under = window(plain.local(_base(metal, left)), start, start + gauge.foot_mm)
    slope, height, _ = resting_line(under, start + gauge.foot_mm / 2)
    return plain.tilted(slope, height)


def _base(metal: Metal, left: bool) -> Points:
    return metal.plate_right if left else metal.plate_left


def _foot_start(gauge: BladeSet, metal: Metal, foot: Frame, left: bool) -> float:
    toe = metal.toe_right if left else metal.toe_left
    return float(foot.local(toe)[0, 0]) + gauge.clear_mm


def _foot_contacts(gauge: BladeSet, metal: Metal, foot: Frame, left: bool) -> Points:
    start = _foot_start(gauge, metal, foot, left)
    return foot.world(touching(window(foot.local(_base(metal, left)), start, start + gauge.foot_mm), 0.0))


def _blade(gauge: BladeSet, size: float, nose: float, start: float) -> Points:
    """Return the outline of a blade: nose, foot, and what joins them well clear of the weld."""
    top, end = size + 0.5 * gauge.foot_mm, start + gauge.foot_mm
    shoulder = max(start, nose + 1.0)
    return np.array(
        [
            [nose, size],
            [nose, size + gauge.nose_mm],
            [nose + top - size, top],
            [end, top],
            [end, 0.0],
            [start, 0.0],
            [start, 0.4 * size],
            [shoulder, size],
            [nose, size],
        ]
    )
