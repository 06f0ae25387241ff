"""Welds and grooves under a laser rig: what the light reaches, the frame, and what is true of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from benchmarks.render.geometry import Drawing, DrawnWeld, rings_of
from benchmarks.render.laser import Light, Rig, stripe_picture
from benchmarks.render.random_joints import random_butt, random_groove, random_lap, random_tee

Points = NDArray[np.float64]
STEEPEST = 9.0
"""Slope of a surface beyond which light from above does not reach the camera."""

BESIDE_CORNER_MM, SHORTEST_LIT_MM = 1e-6, 0.12

ONE_SIDED = ("thickness", "root_width", "root_reinforcement", "root_concavity", "root_misalignment", "root_face")
"""Values that a line on one side of a joint does not show, or shows only as far as it sees."""


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One frame with its truth: lit pieces in the laser plane and in the picture, the weld's values and points (mm)."""

    frame: NDArray[Any]
    pieces_mm: tuple[Points, ...]
    pieces_px: tuple[Points, ...]
    weld: DrawnWeld


def lit_surface(metal: BaseGeometry, reach_mm: float, step_mm: float = 0.01) -> list[Points]:
    """Return the pieces of a section's surface that light from straight above reaches, left to right."""
    # Corners stand between two places of their own: a face ends where it ends, not at the last step before.
    corners = np.concatenate([ring[:, 0] for ring in rings_of(metal)])
    beside = np.concatenate([corners - BESIDE_CORNER_MM, corners + BESIDE_CORNER_MM])
    steps = np.arange(-reach_mm, reach_mm + step_mm / 2, step_mm)
    x = np.unique(np.concatenate([steps, beside[np.abs(beside) <= reach_mm]]))
    top = np.full(len(x), -np.inf)
    for ring in rings_of(metal):
        following = np.roll(ring, -1, axis=0)
        for (x0, y0), (x1, y1) in zip(ring.tolist(), following.tolist(), strict=True):
            low, high = min(x0, x1), max(x0, x1)
            first, last = np.searchsorted(x, low), np.searchsorted(x, high, side="right")
            if last <= first or high == low:
                continue
            here = x[first:last]
            top[first:last] = np.maximum(top[first:last], y0 + (here - x0) * (y1 - y0) / (x1 - x0))
    seen = np.isfinite(top)
    rise = np.abs(np.diff(np.where(seen, top, 0.0))) / np.diff(x)
    whole = seen[1:] & seen[:-1] & (rise < STEEPEST)
    pieces, start = [], None
    for index, joined in enumerate([*whole.tolist(), False]):
        if joined and start is None:
            start = index
        elif not joined and start is not None:
            if x[index] - x[start] > SHORTEST_LIT_MM:
                pieces.append(np.column_stack([x[start : index + 1], top[start : index + 1]]))
            start = None
    return pieces


def placed(drawing: Drawing, weld: DrawnWeld, *, turn_deg: float = 0.0, shift_mm: tuple[float, float] = (0.0, 0.0)):  # type: ignore[no-untyped-def]
    """Return the metal turned face up with the weld at the origin, and the weld with its points moved alike."""
    from shapely import affinity

    toes = np.array([weld.points_mm[name] for name in weld.points_mm if name.startswith(("toe", "outer"))])
    middle = toes.mean(axis=0)
    angle = turn_deg
    if "root" in weld.points_mm:
        up = toes - weld.points_mm["root"]
        up = (up / np.hypot(*up.T)[:, None]).sum(axis=0)
        angle += 90.0 - math.degrees(math.atan2(up[1], up[0]))
    metal = affinity.translate(drawing.metal, -middle[0], -middle[1])
    metal = affinity.translate(affinity.rotate(metal, angle, origin=(0, 0)), *shift_mm)
    a = math.radians(angle)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    points = {name: (point - middle) @ turn + np.array(shift_mm) for name, point in weld.points_mm.items()}
    return metal, replace(weld, points_mm=points)


def shot(
    rig: Rig,
    drawing: Drawing,
    light: Light,
    rng: np.random.Generator,
    *,
    weld: DrawnWeld | None = None,
    turn_deg: float = 0.0,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    depth: int = 8,
) -> Shot:
    """Return the frame of a section under the rig."""
    metal, moved = placed(drawing, weld or drawing.welds[0], turn_deg=turn_deg, shift_mm=shift_mm)
    pieces = lit_surface(metal, 0.48 * rig.width_px * rig.mm_per_px)
    pieces_px = [rig.to_px(piece) for piece in pieces]
    frame = stripe_picture((rig.height_px, rig.width_px), pieces_px, light, rng, depth=depth)
    return Shot(frame, tuple(pieces), tuple(pieces_px), moved)


def random_drawing(joint: str, rng: np.random.Generator, field_mm: float) -> Drawing:
    """Return a random joint that fits a field of view, its plates running out of it."""
    build = {"tee": random_tee, "lap": random_lap, "butt": random_butt, "groove": random_groove}[joint]
    return build(rng, field_mm=field_mm, ends_inside=False, difficulty="easy")


def seen_values(values: Mapping[str, float]) -> dict[str, float]:
    """Return the true values that one side of a joint shows."""
    return {name: value for name, value in values.items() if not name.startswith(ONE_SIDED)}


def spoiled(light: Light, rng: np.random.Generator, pieces_px: tuple[Points, ...], rig: Rig) -> Light:
    """Return the light with reflections, sparks, glow, dropouts or saturation, as a workshop has them."""
    changes: dict[str, Any] = {}
    ghosts = []
    for _ in range(int(rng.integers(0, 4))):
        piece = pieces_px[int(rng.integers(len(pieces_px)))]
        start = int(rng.integers(0, max(1, len(piece) - 300)))
        part = piece[start : start + int(rng.integers(150, 900))]
        # A reflection repeats a piece of the line elsewhere, turned.
        middle = part.mean(axis=0)
        a = float(rng.normal(0, 0.25))
        turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
        away = float(rng.choice([-1, 1]) * rng.uniform(40, 260))
        ghosts.append(((part - middle) @ turn + middle + [rng.normal(0, 30), away],
                       float(rng.uniform(0.15, 0.8)) * light.amplitude, float(rng.uniform(1.5, 5))))  # fmt: skip
    changes["ghosts"] = tuple(ghosts)
    if rng.random() < 0.6:
        changes["sparks"] = int(rng.integers(1, 14))
    if rng.random() < 0.3:
        changes["glow"] = (float(rng.uniform(0, rig.width_px)), float(rng.uniform(0, rig.height_px)),
                           float(rng.uniform(60, 300)), float(rng.uniform(30, 160)))  # fmt: skip
    if rng.random() < 0.5:
        start = float(rng.uniform(0, 0.9))
        changes["dark"] = ((start, start + float(rng.uniform(0.005, 0.03))),)
    if rng.random() < 0.35:
        changes["amplitude"] = float(rng.uniform(300, 1200))
    if rng.random() < 0.4:
        changes["speckle"] = float(rng.uniform(0.1, 0.35))
    return replace(light, **changes)
