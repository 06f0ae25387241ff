"""Scales beside the section, drawn to exact coverage: rule, chessboard, ChArUco board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from benchmarks.render.camera import Camera, Plane, coverage
from core.geometry import Points

TargetKind = Literal["ruler", "chessboard", "charuco"]


@dataclass(frozen=True, slots=True)
class Target:
    """A scale lying in the section's plane.

    Attributes
    ----------
    kind
        "ruler", "chessboard" or "charuco".
    at_mm
        (x, y) of its lower left corner in the section plane before the turn; it is turned about it.
    angle_deg
        Counter-clockwise turn.
    corners
        Inner corners, columns x rows, of a board.
    square_mm
        Side of a square, or spacing of the finest graduation of a rule.
    length_mm, width_mm
        Size of a rule.
    """

    kind: TargetKind
    at_mm: tuple[float, float]
    angle_deg: float = 0.0
    corners: tuple[int, int] = (8, 3)
    square_mm: float = 3.0
    length_mm: float = 50.0
    width_mm: float = 12.0
    paper: float = 0.9
    ink: float = 0.08

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height with the white border."""
        if self.kind == "ruler":
            return self.length_mm + 6.0, self.width_mm
        border = 2 * self.square_mm
        return (self.corners[0] + 1) * self.square_mm + border, (self.corners[1] + 1) * self.square_mm + border

    def to_section(self, local_mm: Points) -> Points:
        """Map points of the target (mm, from its lower left corner) to the section plane."""
        a = np.radians(self.angle_deg)
        turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        return np.asarray(np.asarray(local_mm, float) @ turn + np.array(self.at_mm))

    def corner_points_mm(self) -> Points:
        """Return the inner corners of a board in the section plane, row by row from the top left."""
        columns, rows = self.corners
        left, top = self.square_mm, self.size_mm[1] - self.square_mm
        grid = [
            (left + (i + 1) * self.square_mm, top - (j + 1) * self.square_mm)
            for j in range(rows)
            for i in range(columns)
        ]
        return self.to_section(np.array(grid))


def paint_target(picture: Plane, camera: Camera, target: Target) -> None:
    """Draw a target into a picture, in place."""
    width, height = target.size_mm
    _fill(picture, camera, target, [_box(-0.12, -0.2, width + 0.15, height + 0.08)], 0.6 * target.paper, 0.6)
    _fill(picture, camera, target, [_box(0, 0, width, height)], target.paper)
    if target.kind == "ruler":
        _fill(picture, camera, target, _ticks(target), target.ink)
        _figures(picture, camera, target)
    else:
        _fill(picture, camera, target, _cells(target), target.ink)


def _fill(
    picture: Plane, camera: Camera, target: Target, boxes: list[Points], tone: float, strength: float = 1.0
) -> None:
    rings = [camera.to_px(target.to_section(box)) for box in boxes]
    height, width = picture.shape
    low = np.floor(np.min([ring.min(axis=0) for ring in rings], axis=0)).astype(int) - 2
    high = np.ceil(np.max([ring.max(axis=0) for ring in rings], axis=0)).astype(int) + 3
    x0, y0 = np.clip(low, 0, [width, height])
    x1, y1 = np.clip(high, 0, [width, height])
    if x1 <= x0 or y1 <= y0:
        return
    share = coverage([ring - [x0, y0] for ring in rings], y1 - y0, x1 - x0)
    part = picture[y0:y1, x0:x1]
    part += strength * share * (tone - part)


def _box(x0: float, y0: float, x1: float, y1: float) -> Points:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _ticks(target: Target) -> list[Points]:
    """Return graduation lines: long at every 10 mm, middling at 5, short ones between; figures stand below."""
    boxes = []
    long, middling = (20, 10) if target.square_mm == 0.5 else (10, 5)
    for index in range(round(target.length_mm / target.square_mm) + 1):
        x = 3.0 + index * target.square_mm
        share = 0.52 if index % long == 0 else 0.42 if index % middling == 0 else 0.30
        share -= 0.08 if target.square_mm == 0.5 and index % 2 else 0.0
        half = 0.09 * min(1.0, target.square_mm)
        boxes.append(_box(x - half, target.width_mm * (1 - share), x + half, target.width_mm))
    return boxes


def _figures(picture: Plane, camera: Camera, target: Target) -> None:
    step = 20 * target.square_mm if target.square_mm == 0.5 else 10 * target.square_mm
    for index in range(int(target.length_mm / step) + 1):
        text = f"{index * step / 10:.0f}" if step == 10 else f"{index * step:g}"
        _stamp(picture, camera, target, text, 3.0 + index * step, 0.28 * target.width_mm, 0.2 * target.width_mm)


def _stamp(picture: Plane, camera: Camera, target: Target, text: str, x: float, y: float, tall: float) -> None:
    """Print a figure centred at (x, y) of the target, ``tall`` mm high, by a warped patch."""
    (wide_px, high_px), base = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 3.0, 7)
    patch = np.zeros((high_px + base + 20, wide_px + 20), np.uint8)
    cv2.putText(patch, text, (10, high_px + 10), cv2.FONT_HERSHEY_SIMPLEX, 3.0, 255, 7, cv2.LINE_AA)
    mm = tall / high_px
    half = np.array([patch.shape[1], patch.shape[0]]) * mm / 2
    local = _box(x - half[0], y - half[1], x + half[0], y + half[1])[[3, 2, 1, 0]]
    corners = camera.to_px(target.to_section(local))
    low = np.floor(corners.min(axis=0)).astype(int) - 1
    size = np.ceil(corners.max(axis=0)).astype(int) + 2 - low
    height, width = picture.shape
    if low[0] < 0 or low[1] < 0 or low[0] + size[0] >= width or low[1] + size[1] >= height:
        return
    source = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [patch.shape[1], patch.shape[0]] - 0.5
    warp = cv2.getPerspectiveTransform(source.astype(np.float32), (corners - low).astype(np.float32))
    share = cv2.warpPerspective(
        patch.astype(np.float32) / 255, warp, (int(size[0]), int(size[1])), flags=cv2.INTER_AREA
    )
    part = picture[low[1] : low[1] + size[1], low[0] : low[0] + size[0]]
    part += share * (target.ink - part)


def _cells(target: Target) -> list[Points]:
    """Return the dark cells of a board; a marker of a ChArUco board spans six eighths of its square."""
    columns, rows = target.corners[0] + 1, target.corners[1] + 1
    if target.kind == "chessboard":
        dark = np.add.outer(np.arange(rows), np.arange(columns)) % 2 == 0
        return _dark_boxes(dark, target, target.square_mm)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    board = cv2.aruco.CharucoBoard((columns, rows), target.square_mm, 0.75 * target.square_mm, dictionary)
    image = board.generateImage((columns * 32, rows * 32), marginSize=0, borderBits=1)
    return _dark_boxes(image[2::4, 2::4] < 128, target, target.square_mm / 8)


def _dark_boxes(dark: np.ndarray, target: Target, cell: float) -> list[Points]:
    left, top = target.square_mm, target.size_mm[1] - target.square_mm
    return [
        _box(left + column * cell, top - (row + 1) * cell, left + (column + 1) * cell, top - row * cell)
        for row, column in np.argwhere(dark)
    ]
