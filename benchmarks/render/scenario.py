"""Random scenarios: one seed, one picture, one truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchmarks.render import random_joints, random_looks
from benchmarks.render.camera import Camera
from benchmarks.render.geometry import Drawing, Joint
from benchmarks.render.scene import Exposure, Look, paint
from benchmarks.render.targets import Target
from core.geometry import Points

Difficulty = Literal["clean", "normal", "hard"]
JOINTS: tuple[Joint, ...] = ("tee", "lap", "butt", "groove")


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything that decides a picture; ``seed`` feeds its noise and texture."""

    joint: Joint
    difficulty: Difficulty
    seed: int
    drawing: Drawing
    camera: Camera
    look: Look
    exposure: Exposure
    roughness_mm: float
    targets: tuple[Target, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Weld:
    """The truth of one weld: joint, values by name (mm, degrees, mm²), points in the picture (px)."""

    joint: Joint
    values: Mapping[str, float]
    points_px: Mapping[str, Points]


@dataclass(frozen=True, slots=True, eq=False)
class Rendering:
    """A picture and its truth.

    ``truth`` maps "1", "2", ... to true values, ``points_px`` the same keys to true points, ``welds`` holds
    both, left to right in the picture. ``homography`` maps px to mm (x right, y up), lens aside.
    """

    picture: NDArray[np.uint8] | NDArray[np.uint16]
    welds: tuple[Weld, ...]
    mm_per_px: float
    homography: NDArray[np.float64]
    scenario: Scenario

    @property
    def truth(self) -> dict[str, dict[str, float]]:
        return {str(i): dict(weld.values) for i, weld in enumerate(self.welds, 1)}

    @property
    def points_px(self) -> dict[str, dict[str, Points]]:
        return {str(i): dict(weld.points_px) for i, weld in enumerate(self.welds, 1)}


def random_scenario(
    rng: np.random.Generator,
    *,
    joint: Joint | None = None,
    difficulty: Difficulty = "normal",
    width_px: int = 3000,
    height_px: int = 2250,
    mm_per_px: float | None = None,
    rotation_deg: float | None = None,
    with_target: bool = False,
    tilt_deg: float = 0.0,
    k1: float = 0.0,
) -> Scenario:
    """Return a scenario drawn from rng; a picture much smaller than 3000 px gets coarser pixels to hold the joint."""
    kind: Joint = joint if joint is not None else JOINTS[int(rng.integers(len(JOINTS)))]
    scale = float(rng.uniform(0.025, 0.04)) * max(1.0, 2250 / width_px) if mm_per_px is None else mm_per_px
    turn = rotation_deg if rotation_deg is not None else _rotation(rng, difficulty)
    field_mm = scale * min(width_px, height_px)
    inside = with_target or rng.random() < 0.5
    drawing = random_joints.BUILDERS[kind](rng, field_mm=field_mm, ends_inside=inside, difficulty=difficulty)
    if kind == "groove" and rotation_deg is None and _alike_on_both_sides(drawing):
        turn = float(rng.uniform(-40, 40))
    camera = Camera(
        width_px, height_px, scale, turn, tilt_deg=tilt_deg, tilt_axis_deg=float(rng.uniform(0, 360)), k1=k1
    )
    camera = _centred(camera, drawing, rng, spread=0.03 * min(width_px, height_px))
    look, exposure = random_looks.random_look(rng, difficulty, joint=kind)
    if inside and difficulty != "clean" and look.background < 0.3 and rng.random() < 0.35:
        look = random_looks.in_mount(look, drawing, rng)
    roughness = 0.0 if difficulty == "clean" else float(rng.uniform(0.003, 0.008 if difficulty == "normal" else 0.012))
    seed = int(rng.integers(2**31))
    scenario = Scenario(kind, difficulty, seed, drawing, camera, look, exposure, roughness)
    return replace(scenario, targets=random_joints.place_target(rng, scenario)) if with_target else scenario


def render(scenario: Scenario) -> Rendering:
    """Return the picture of a scenario with its truth; the same scenario gives the same picture."""
    rng = np.random.default_rng(scenario.seed)
    picture = paint(
        scenario.drawing,
        scenario.camera,
        scenario.look,
        scenario.exposure,
        rng,
        roughness_mm=scenario.roughness_mm,
        targets=scenario.targets,
    )
    welds = [
        Weld(weld.joint, dict(weld.values), {k: scenario.camera.to_px(p)[0] for k, p in weld.points_mm.items()})
        for weld in scenario.drawing.welds
    ]
    welds.sort(key=lambda weld: float(np.mean([point[0] for point in weld.points_px.values()])))
    homography = np.linalg.inv(scenario.camera.mm_to_px)
    return Rendering(picture, tuple(welds), scenario.camera.mm_per_px, homography / homography[2, 2], scenario)


def _rotation(rng: np.random.Generator, difficulty: Difficulty) -> float:
    if difficulty == "clean" or rng.random() < 0.5:
        return float(rng.uniform(-5, 5))
    return float(rng.uniform(-180, 180))


def _alike_on_both_sides(drawing: Drawing) -> bool:
    """Whether only the picture's own up tells which side of a groove is its outside (square edges, double V)."""
    values = drawing.welds[0].values
    depth, thick = values.get("preparation_depth_left", 0.0), values["thickness_left"]
    doubled = depth + values.get("root_face_left", 0.0) < thick - 1e-6
    return "groove_angle" not in values or ("bevel_angle_left" in values and doubled)


def _centred(camera: Camera, drawing: Drawing, rng: np.random.Generator, *, spread: float) -> Camera:
    at = camera.to_px(np.array([drawing.focus_mm]))[0]
    shift = camera.centre_px - at + rng.uniform(-spread, spread, 2)
    return replace(camera, shift_px=(float(shift[0]), float(shift[1])))
