"""Boards in front of a laser rig: the board in ordinary light, and the laser line on the same board in the dark."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.render.laser import Light, Rig, finished, ridge, speckle_field

POSES = ((0, 0, 0, 0), (24, 8, 5, -6), (-20, 15, -8, 5), (10, -24, 10, -12), (-14, -18, -4, 10),
         (28, -6, 14, 3), (6, 26, -12, -3), (-26, 2, 7, 14), (16, 18, 20, -9), (-8, 9, -18, 8))  # fmt: skip
"""Tilt about x, tilt about y, turn in the plane (degrees), shift along the optical axis (mm)."""


@dataclass(frozen=True, slots=True)
class ChessBoard:
    """``columns`` x ``rows`` inner corners, squares of ``square_mm``, a light border of one square."""

    columns: int = 11
    rows: int = 7
    square_mm: float = 5.0
    paper: float = 0.9
    ink: float = 0.12


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Turn (3, 3) and place (3,) that take board points (x, y, 0), first inner corner at 0, to the camera."""

    turn: NDArray[np.float64]
    place: NDArray[np.float64]


def poses(rig: Rig, board: ChessBoard, count: int = 8, seed: int = 1) -> list[Pose]:
    """Return board poses about the place where the optical axis meets the laser plane."""
    rng = np.random.default_rng(seed)
    result = []
    middle = board.square_mm * np.array([(board.columns - 1) / 2, (board.rows - 1) / 2, 0.0])
    for tilt_x, tilt_y, roll, ahead in [POSES[i % len(POSES)] for i in range(count)]:
        # The board stands across the laser plane: it faces half way between laser and camera.
        angles = np.radians([tilt_x, tilt_y, roll])
        turn = cv2.Rodrigues(np.array([angles[0], 0, 0]))[0] @ cv2.Rodrigues(np.array([0, angles[1], 0]))[0]
        turn = turn @ cv2.Rodrigues(np.array([0, 0, angles[2]]))[0]
        shift = rng.normal(0, 0.02, 2) * rig.width_px * rig.mm_per_px
        centre = np.array([shift[0], shift[1], rig.focal_px * rig.mm_per_px + 0.6 * ahead])
        result.append(Pose(turn, centre - turn @ middle))
    return result


def _board_mm(rays: NDArray[np.float64], pose: Pose) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return board coordinates seen along rays, (H, W) each."""
    directions = np.dstack([rays, np.ones(rays.shape[:2])])
    normal = pose.turn[:, 2]
    depth = (normal @ pose.place) / (directions @ normal)
    local = (directions * depth[..., None] - pose.place) @ pose.turn
    return local[..., 0], local[..., 1]


def reflectance(rays: NDArray[np.float64], board: ChessBoard, pose: Pose) -> NDArray[np.float32]:
    """Return how much light the board sends back, 0 to 1, edges drawn to the share of the pixel."""
    x, y = _board_mm(rays, pose)
    waves = []
    for value in (x / board.square_mm, y / board.square_mm):
        size = np.hypot(*np.gradient(value))
        nearest = np.rint(value)
        side = np.where(np.mod(nearest, 2) == 0, 1.0, -1.0)
        waves.append(side * np.clip((value - nearest) / np.maximum(size, 1e-9), -0.5, 0.5) * 2)
    tone = board.paper + (board.ink - board.paper) * 0.5 * (1 + waves[0] * waves[1])
    c, r = x / board.square_mm, y / board.square_mm
    squares = (c >= -1) & (c <= board.columns) & (r >= -1) & (r <= board.rows)
    sheet = (c >= -2) & (c <= board.columns + 1) & (r >= -2) & (r <= board.rows + 1)
    tone = np.where(squares, tone, board.paper)
    return np.where(sheet, tone, 0.25).astype(np.float32)


def board_picture(
    rig: Rig, board: ChessBoard, pose: Pose, rng: np.random.Generator, *, rays: NDArray[np.float64] | None = None
) -> NDArray[np.uint8]:
    """Return the board in ordinary light."""
    seen = reflectance(rig.rays() if rays is None else rays, board, pose)
    picture = cv2.GaussianBlur(20 + 215 * seen, (0, 0), 0.8)
    return np.clip(np.rint(picture + rng.normal(0, 2.0, picture.shape)), 0, 255).astype(np.uint8)


def line_on_board(rig: Rig, pose: Pose) -> NDArray[np.float64]:
    """Return the exact line of laser light on the plane of the board, in pixels."""
    normal, distance = rig.plane
    board_normal = pose.turn[:, 2]
    direction = np.cross(normal, board_normal)
    direction /= np.linalg.norm(direction)
    system = np.array([normal, board_normal, direction])
    start = np.linalg.solve(system, [distance, board_normal @ pose.place, direction @ pose.place])
    reach = 0.75 * rig.width_px * rig.mm_per_px
    line = start + np.linspace(-reach, reach, 400)[:, None] * direction
    seen = rig.project(line)
    return seen if seen[0, 0] < seen[-1, 0] else seen[::-1]


def stripe_on_board(
    rig: Rig,
    board: ChessBoard,
    pose: Pose,
    light: Light,
    rng: np.random.Generator,
    *,
    rays: NDArray[np.float64] | None = None,
) -> NDArray[Any]:
    """Return the laser line on the board in the dark: dark squares send back less."""
    seen = reflectance(rig.rays() if rays is None else rays, board, pose)
    shape = (rig.height_px, rig.width_px)
    picture = light.amplitude * ridge(shape, line_on_board(rig, pose), light.sigma_px) * seen
    if light.speckle > 0:
        picture = picture * speckle_field(shape, light.speckle, rng)
    return finished(picture.astype(np.float32), light, rng)


def calibration_set(
    rig: Rig, board: ChessBoard, light: Light, *, count: int = 8, seed: int = 1
) -> tuple[list[Pose], list[NDArray[np.uint8]], list[NDArray[np.uint8]]]:
    """Return poses, board pictures and stripe pictures of one calibration."""
    rng = np.random.default_rng(seed)
    rays = rig.rays()
    taken = poses(rig, board, count, seed)
    boards = [board_picture(rig, board, pose, rng, rays=rays) for pose in taken]
    stripes = [stripe_on_board(rig, board, pose, light, rng, rays=rays) for pose in taken]
    return taken, boards, stripes


def steps_profile(height_mm: float, width_mm: float, reach_mm: float) -> NDArray[np.float64]:
    """Return the profile of a step block on a flat: plate, block of stated height, plate."""
    half = width_mm / 2
    return np.array([[-reach_mm, 0.0], [-half, 0.0], [-half, height_mm], [half, height_mm], [half, 0.0],
                     [reach_mm, 0.0]])  # fmt: skip


def standing(points: Sequence[Sequence[float]], turn_deg: float = 0.0) -> NDArray[np.float64]:
    """Return a profile turned counter-clockwise in the laser plane."""
    a = math.radians(turn_deg)
    return np.asarray(points, float) @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
