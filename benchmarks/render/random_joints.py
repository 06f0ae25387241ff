"""Random dimensions of each joint, chosen so that it fits the field of view and is sound to measure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from shapely.geometry import Polygon

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import Bumps, Drawing, PlateEnd, Toe
from benchmarks.render.grooves import Edge, groove
from benchmarks.render.targets import Target, TargetKind

if TYPE_CHECKING:
    from benchmarks.render.scenario import Scenario


def random_tee(rng: np.random.Generator, *, field_mm: float, ends_inside: bool, difficulty: str) -> Drawing:
    """Return a tee welded on one or both sides."""
    hard = difficulty == "hard"
    angle = 90.0 + float(rng.normal(0, 0.8)) if rng.random() < 0.6 else float(rng.uniform(62, 118))
    standing, through = rng.uniform(5, 0.2 * field_mm, 2)
    largest = 0.14 * field_mm
    shapes: list[FilletShape | None] = [_fillet(rng, largest, angle, hard), _fillet(rng, largest, 180 - angle, hard)]
    sides = rng.random()
    if sides < 0.3:
        shapes[0] = None
    elif sides < 0.6:
        shapes[1] = None
    reach = 0.40 * field_mm
    return tee(
        through_thickness_mm=float(through),
        standing_thickness_mm=float(standing),
        angle_deg=angle,
        right=shapes[0],
        left=shapes[1],
        gap_mm=float(rng.uniform(0.1, 1.0)) if rng.random() < 0.3 else 0.0,
        gap_filled=bool(rng.random() < 0.5),
        through_left=_end(rng, reach, ends_inside, hard),
        through_right=_end(rng, reach, ends_inside, hard),
        standing=_end(rng, 0.85 * reach, ends_inside, hard),
    )


def random_lap(rng: np.random.Generator, *, field_mm: float, ends_inside: bool, difficulty: str) -> Drawing:
    """Return a lap joint."""
    hard = difficulty == "hard"
    upper = float(rng.uniform(6, 0.22 * field_mm))
    leg_edge = float(rng.uniform(0.5, 0.75)) * upper
    leg_plate = leg_edge * float(rng.uniform(0.9, 1.4))
    weld = FilletShape(
        leg_edge,
        leg_plate,
        _bulge(rng, leg_edge, 90.0),
        Toe(),
        _toe(rng, hard),
        penetration_mm=float(rng.uniform(0.5, 1.5)),
    )
    return lap(
        lower_thickness_mm=float(rng.uniform(5, 0.2 * field_mm)),
        upper_thickness_mm=upper,
        weld=weld,
        edge_deg=90.0 + float(rng.normal(0, 1.0)),
        overlap_mm=float(rng.uniform(0.25, 0.38)) * field_mm,
        lower_end=_end(rng, 0.4 * field_mm, ends_inside, hard),
        upper_end=_end(rng, 0.42 * field_mm, ends_inside, hard),
        mirror=bool(rng.random() < 0.5),
    )


def random_butt(rng: np.random.Generator, *, field_mm: float, ends_inside: bool, difficulty: str) -> Drawing:
    """Return a butt weld with a cap and mostly with a root bead."""
    hard = difficulty == "hard"
    thick = float(rng.uniform(5, 0.22 * field_mm))
    other = thick if rng.random() < 0.6 else thick * float(rng.uniform(0.8, 1.2))
    half = float(rng.uniform(0.35, 0.6)) * thick + 1.5
    bulge = float(rng.uniform(0.4, 0.22 * half + 0.6)) if rng.random() < 0.85 else -float(rng.uniform(0.2, 0.8))
    root: tuple[float, float] | None = None
    root_bulge = 0.0
    if rng.random() < 0.75:
        most = min(0.35 * half + 1.4, 0.6 * half)  # narrower than the cap: that tells which side is the face
        root = (float(rng.uniform(1.2, most)), float(rng.uniform(1.2, most)))
        root_bulge = float(rng.uniform(0.3, 1.2)) if rng.random() < 0.8 else -float(rng.uniform(0.2, 0.6))
    # beside a face that lies below the plates there is no undercut to speak of
    toes = [_toe(rng, hard, overlap=False) if bulge > 0 else Toe() for _ in "lr"]
    weld = ButtShape(
        half * float(rng.uniform(0.85, 1.15)),
        half * float(rng.uniform(0.85, 1.15)),
        bulge,
        root,
        root_bulge,
        toes[0],
        toes[1],
        _bumps(rng, hard),
        int(rng.integers(1, 5)),
    )
    return butt(
        thickness_left_mm=thick,
        thickness_right_mm=other,
        weld=weld,
        offset_mm=float(rng.uniform(-0.12, 0.12)) * thick if rng.random() < 0.6 else 0.0,
        peaking_deg=float(rng.uniform(-4, 4)) if rng.random() < 0.5 else 0.0,
        end_left=_end(rng, 0.45 * field_mm, ends_inside, hard),
        end_right=_end(rng, 0.45 * field_mm, ends_inside, hard),
    )


def random_groove(rng: np.random.Generator, *, field_mm: float, ends_inside: bool, difficulty: str) -> Drawing:
    """Return a joint prepared for welding."""
    hard = difficulty == "hard"
    thick = float(rng.uniform(6, 0.25 * field_mm))
    other = thick if rng.random() < 0.6 else thick * float(rng.uniform(0.8, 1.2))
    left, right = _edges(rng, min(thick, other))
    return groove(
        thickness_left_mm=thick,
        thickness_right_mm=other,
        left=left,
        right=right,
        root_gap_mm=float(rng.uniform(0.8, 4.0)),
        offset_mm=float(rng.uniform(-1.2, 1.2)) if rng.random() < 0.6 else 0.0,
        end_left=_end(rng, 0.3 * field_mm, ends_inside, hard),
        end_right=_end(rng, 0.3 * field_mm, ends_inside, hard),
    )


BUILDERS: dict[str, Callable[..., Drawing]] = {
    "tee": random_tee,
    "lap": random_lap,
    "butt": random_butt,
    "groove": random_groove,
}


def place_target(rng: np.random.Generator, scenario: Scenario) -> tuple[Target, ...]:
    """Return a scale along the picture's lower or upper border, none where it would lie on the section."""
    camera, metal = scenario.camera, scenario.drawing.metal
    x0, y0, x1, y1 = metal.bounds
    corners = camera.to_px(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    below = camera.height_px - float(corners[:, 1].max())
    above = float(corners[:, 1].min())
    room_mm = max(below, above) * camera.mm_per_px
    width_mm = camera.width_px * camera.mm_per_px
    target = _target(rng, room_mm, width_mm)
    size = target.size_mm
    middle = camera.height_px - max(below, size[1] / camera.mm_per_px) / 2 if below >= above else above / 2
    inverse = np.linalg.inv(camera.mm_to_px)
    left = (camera.width_px - size[0] / camera.mm_per_px) / 2
    corner = inverse @ np.array([left, middle + size[1] / 2 / camera.mm_per_px, 1])
    at = corner[:2] / corner[2]
    placed = replace(target, at_mm=(float(at[0]), float(at[1])), angle_deg=-camera.rotation_deg)
    box = Polygon(placed.to_section(np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]])))
    return () if box.buffer(0.8).intersects(metal) else (placed,)


def _target(rng: np.random.Generator, room_mm: float, width_mm: float) -> Target:
    paper = float(rng.uniform(0.7, 0.92))
    if rng.random() < 0.6:
        tall = float(np.clip(room_mm - 2, 6, 13))
        length = 10.0 * int(0.08 * width_mm)
        spacing = 1.0 if rng.random() < 0.75 else 0.5
        return Target("ruler", (0, 0), square_mm=spacing, length_mm=length, width_mm=tall, paper=paper)
    kind: TargetKind = "charuco" if rng.random() < 0.5 else "chessboard"
    square = float(np.clip((room_mm - 2) / 6, 1.5, 3.0))
    return Target(kind, (0, 0), corners=(8, 3), square_mm=round(square * 2) / 2, paper=paper)


def _fillet(rng: np.random.Generator, largest: float, angle: float, hard: bool) -> FilletShape:
    leg = float(rng.uniform(3.0, largest))
    other = leg if rng.random() < 0.3 else leg * float(rng.uniform(0.75, 1.3))
    return FilletShape(
        leg,
        other,
        _bulge(rng, min(leg, other), angle),
        _toe(rng, hard),
        _toe(rng, hard),
        _bumps(rng, hard),
        float(rng.uniform(0.4, 1.6)),
    )


def _bulge(rng: np.random.Generator, leg: float, angle: float) -> float:
    kind = rng.random()
    if kind < 0.3:
        return 0.0
    if kind < 0.7:
        return leg * float(rng.uniform(0.03, 0.14))
    return -leg * float(rng.uniform(0.03, 0.10)) * min(1.0, 90 / angle)


def _toe(rng: np.random.Generator, hard: bool, *, overlap: bool = True) -> Toe:
    kind = rng.random()
    if kind < 0.3:
        depth = float(rng.uniform(0.15, 0.9))
        peak = None if rng.random() < 0.4 else float(rng.uniform(0.3, 0.5))
        return Toe(depth, depth * float(rng.uniform(2.0, 4.0)), peak)
    if kind < 0.5:
        return Toe(radius_mm=float(rng.uniform(0.2, 0.5)))
    if hard and overlap and kind < 0.58:
        return Toe(overlap_mm=float(rng.uniform(0.2, 0.6)))
    return Toe()


def _bumps(rng: np.random.Generator, hard: bool) -> Bumps:
    if not hard or rng.random() < 0.5:
        return Bumps()
    sides = [((float(rng.uniform(3, 6)), float(rng.uniform(0.15, 0.5))),) if rng.random() < 0.5 else () for _ in "lr"]
    return Bumps(sides[0], sides[1])


def _end(rng: np.random.Generator, reach: float, inside: bool, hard: bool) -> PlateEnd:
    if not inside:
        return PlateEnd()
    return PlateEnd(
        reach * float(rng.uniform(0.85, 1.0)),
        float(rng.uniform(-8, 8)) if rng.random() < 0.4 else 0.0,
        float(rng.uniform(0.1, 0.8)) if rng.random() < 0.6 else 0.0,
        float(rng.uniform(0.1, 0.4)) if hard and rng.random() < 0.4 else 0.0,
    )


def _edges(rng: np.random.Generator, thick: float) -> tuple[Edge, Edge]:
    def bevel() -> Edge:
        return Edge("bevel", float(rng.uniform(20, 40)), float(rng.uniform(0.8, 0.25 * thick)))

    kind = rng.random()
    if kind < 0.5:
        return bevel(), bevel()
    if kind < 0.65:
        return bevel(), Edge("square")
    if kind < 0.75:
        return Edge("square"), bevel()
    if kind < 0.85:
        return Edge("square"), Edge("square")
    if kind < 0.95:
        land = float(rng.uniform(1.0, 0.2 * thick))
        turn = float(rng.uniform(25, 35))
        return Edge("double_bevel", turn, land, 0, turn), Edge("double_bevel", turn, land, 0, turn)
    radius = float(rng.uniform(0.2, 0.3) * thick)
    land = float(rng.uniform(1.0, 0.2 * thick))
    return Edge("j", float(rng.uniform(10, 20)), land, radius), Edge("j", float(rng.uniform(10, 20)), land, radius)
