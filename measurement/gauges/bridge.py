"""A bridge on two feet with a needle: it reads reinforcement, undercut and pits against the plate it stands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points
from measurement.gauges.contact import Frame, Tip, let_down, resting_line, touching, window
from measurement.gauges.metal import Metal, metal_of
from measurement.gauges.reading import BEYOND_SIGHT, GaugeReading, NoReading, Read, parts_of, step_text, to_step
from measurement.plate import TOE_REACH_MM
from vision.section import WeldSurface

UNDERCUT_REACH_MM = 6.0
POINT = Tip(half_angle_deg=1.0, shank_mm=0.0)
"""A needle without any width."""


@dataclass(frozen=True, slots=True)
class BridgeGauge:
    """Dimensions of a bridge gauge.

    Attributes
    ----------
    name
        What it is called in results.
    feet_mm
        Where the two feet stand along the bridge, measured from the needle: (-12, 12) astride of it, (3, 23) with
        the needle hanging over the end.
    foot_mm
        Length of each foot.
    arch_mm
        Clear height below the bridge between its feet and at the needle.
    tip
        End of the needle.
    step_mm
        Graduation.
    """

    name: str
    feet_mm: tuple[float, float]
    tip: Tip
    foot_mm: float = 3.0
    arch_mm: float = 8.0
    step_mm: float = 0.1

    def __post_init__(self) -> None:
        if self.feet_mm[1] - self.feet_mm[0] <= self.foot_mm or self.foot_mm <= 0:
            raise ValueError("the feet of a bridge stand apart")


def read_bridge(
    gauge: BridgeGauge, surface: WeldSurface, quantity: str, true: float | None, *, air: int = 1, lap: bool = False
) -> Read:
    """Return what a bridge gauge reads: reinforcement astride of the weld, undercut or pit beside it."""
    metal = metal_of(surface, air=air, lap=lap)
    if true is None or true <= 0:
        return NoReading(gauge.name, quantity, "nothing of this kind was found to set the needle on")
    if quantity in ("reinforcement", "root_reinforcement"):
        return _over_the_weld(gauge, metal, quantity, true)
    if quantity in ("undercut_left", "undercut_right"):
        return _in_undercut(gauge, metal, quantity, true)
    if quantity == "pit_depth":
        return _in_pit(gauge, metal, true)
    return NoReading(gauge.name, quantity, "a bridge gauge does not read this")


def _over_the_weld(gauge: BridgeGauge, metal: Metal, quantity: str, true: float) -> Read:
    chord = Line.through(metal.toe_left, metal.toe_right)
    top = metal.face[int(np.argmax(chord.offset(metal.face)))]
    level = Frame(top, chord.direction, chord.normal)
    toes = level.local(np.array([metal.toe_left, metal.toe_right]))[:, 0]
    inner = (gauge.feet_mm[0] + gauge.foot_mm / 2, gauge.feet_mm[1] - gauge.foot_mm / 2)
    if toes[0] < inner[0] or toes[1] > inner[1]:
        width = float(np.hypot(*(metal.toe_right - metal.toe_left)))
        return NoReading(
            gauge.name, quantity, f"the weld, {width:.1f} mm wide, reaches under the feet; take a wider bridge"
        )
    cause = "the feet stand on plates that are not in line, the true value lies above the line from toe to toe"
    return _read(gauge, metal, quantity, true, level, cause, sign=1.0)


def _in_undercut(gauge: BridgeGauge, metal: Metal, quantity: str, true: float) -> Read:
    left = quantity.endswith("left")
    line, out, toe = (
        (metal.left, metal.out_left, metal.toe_left) if left else (metal.right, metal.out_right, metal.toe_right)
    )
    plain = Frame(toe, line.direction, out)
    beside = window(plain.local(metal.points), 0.0, UNDERCUT_REACH_MM)
    near = beside[beside[:, 0] <= TOE_REACH_MM]
    deepest = near[int(np.argmin(near[:, 1]))]
    if deepest[1] >= 0:
        return NoReading(gauge.name, quantity, "nothing of this kind was found to set the needle on")
    level = _needle_over(gauge.tip, metal, plain, near, 0.0, TOE_REACH_MM)
    return _read(gauge, metal, quantity, true, level, "the deepest point and the needle's place differ", sign=-1.0)


def _needle_over(tip: Tip, metal: Metal, plain: Frame, near: Points, start: float, end: float) -> Frame:
    """Return the place of the needle: a person moves it about in the hollow until it reads most."""
    deepest = near[int(np.argmin(near[:, 1]))]
    level = near[near[:, 1] >= 0, 0]
    start = max([start, *level[level < deepest[0]]])
    end = min([end, *level[level > deepest[0]]])
    local, step = plain.local(metal.points), (end - start) / 40
    spot, _ = _lowest(local, tip, np.append(np.linspace(start, end, 41), deepest[0]))
    # in a narrow hollow a needle that stands a hundredth aside comes down on one wall
    spot, depth = _lowest(local, tip, spot + np.append(0.0, np.linspace(-step, step, 41)))
    return Frame(plain.world(np.array([spot, depth]))[0], plain.along, plain.out)


def _lowest(local: Points, tip: Tip, spots: NDArray[np.float64]) -> tuple[float, float]:
    """Return the first of the spots at which a tip comes down lowest, and its height there."""
    heights = [let_down(local, tip, float(spot))[0] for spot in spots]
    best = int(np.argmin(np.round(heights, 6)))
    return float(spots[best]), heights[best]


def _in_pit(gauge: BridgeGauge, metal: Metal, true: float) -> Read:
    found: list[tuple[float, Frame]] = []
    for line, out, toe, seen in (
        (metal.left, metal.out_left, metal.toe_left, metal.seen_left),
        (metal.right, metal.out_right, metal.toe_right, metal.seen_right),
    ):
        plain = Frame(toe, line.direction, out)
        local = window(plain.local(metal.points), TOE_REACH_MM, max(seen, TOE_REACH_MM))
        if len(local) and local[:, 1].min() < 0:
            place = _needle_over(gauge.tip, metal, plain, local, TOE_REACH_MM, float(local[:, 0].max()))
            found.append((float(local[:, 1].min()), place))
    if not found:
        return NoReading(gauge.name, "pit_depth", "nothing of this kind was found to set the needle on")
    level = min(found, key=lambda entry: entry[0])[1]
    return _read(gauge, metal, "pit_depth", true, level, "the deepest point and the needle's place differ", sign=-1.0)


def _read(
    gauge: BridgeGauge, metal: Metal, quantity: str, true: float, level: Frame, cause: str, *, sign: float
) -> Read:
    """Stand the bridge with its needle over a place and read; ``sign`` is -1 where depth counts."""
    try:
        stand = _stood(gauge, metal, level)
        on_plates = _stood(gauge, metal.clean, level)
        height, touched = let_down(stand.local(metal.points), gauge.tip, 0.0)
        sharp = sign * let_down(on_plates.local(metal.points), POINT, 0.0)[0]
        with_tip = sign * let_down(on_plates.local(metal.points), gauge.tip, 0.0)[0]
    except ValueError:
        return NoReading(gauge.name, quantity, "the feet of the bridge find no plate to stand on")
    between = window(
        stand.local(metal.points), min(gauge.feet_mm[0] + gauge.foot_mm, 0.0), gauge.feet_mm[1] - gauge.foot_mm
    )
    if float(between[:, 1].max()) > gauge.arch_mm:
        return NoReading(
            gauge.name, quantity, f"metal rises {between[:, 1].max():.1f} mm into the arch of {gauge.arch_mm:g} mm"
        )
    reading = sign * height
    parts = parts_of(
        (cause, sharp - true),
        (_why_tip(gauge.tip, sign), with_tip - sharp),
        ("a foot stands on something, or over an edge, and tilts the bridge", reading - with_tip),
    )
    step = to_step(reading, gauge.step_mm)
    feet = [stand.world(touching(under, 0.0)) for under in _under_feet(gauge, stand.local(metal.points)) if len(under)]
    resting = [foot for foot in feet if abs(float(stand.local(foot)[0, 1])) < 0.01]
    contacts = np.vstack([*resting, stand.world(touched)])
    return GaugeReading(
        gauge.name,
        quantity,
        reading,
        "mm",
        step,
        step_text(step, gauge.step_mm, "mm"),
        true,
        contacts,
        (stand.world(_body(gauge)), stand.world(gauge.tip.outline(height, gauge.arch_mm + 10.0 - height))),
        parts,
        (BEYOND_SIGHT,) if metal.beyond_sight(contacts) else (),
    )


def _stood(gauge: BridgeGauge, metal: Metal, level: Frame) -> Frame:
    """Return the line of the feet as the bridge stands, its origin below the needle.

    The bridge tilts little, so that the needle stays over its place.
    """
    press = (gauge.feet_mm[0] + gauge.feet_mm[1]) / 2
    frame = level
    for _ in range(8):
        under = np.concatenate(_under_feet(gauge, frame.local(metal.points)))
        slope, height, _ = resting_line(under, press)
        frame = frame.tilted(slope, height)
        # the needle's axis passes through the place again
        frame = Frame(
            frame.origin + float((level.origin - frame.origin) @ frame.along) * frame.along, frame.along, frame.out
        )
        if abs(slope) + abs(height) < 1e-10:
            break
    return frame


def _under_feet(gauge: BridgeGauge, local: Points) -> list[Points]:
    half = gauge.foot_mm / 2
    return [window(local, foot - half, foot + half) for foot in gauge.feet_mm]


def _body(gauge: BridgeGauge) -> Points:
    """Return the outline of the bridge, needle side included."""
    half, arch, top = gauge.foot_mm / 2, gauge.arch_mm, gauge.arch_mm + 7.0
    a, b = gauge.feet_mm
    start = min(a - half, -3.0)
    corners = [[a - half, 0.0], [a + half, 0.0], [a + half, arch], [b - half, arch], [b - half, 0.0], [b + half, 0.0]]
    corners += [[b + half, top], [start, top]]
    corners += [[start, arch], [a - half, arch]] if start < a - half else []
    return np.array([*corners, corners[0]])


def _why_tip(tip: Tip, sign: float) -> str:
    size = f"{tip.width_mm:g} mm wide" if tip.width_mm > 0 else f"rounded to {tip.radius_mm:g} mm"
    if sign < 0:
        return f"the needle, {size}, is too blunt to reach the bottom"
    return f"the needle, {size}, rests on the highest of what lies below it"
