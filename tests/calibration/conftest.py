"""Pictures with known truth: boards and rules drawn finely, seen through a known view, antialiased."""

from __future__ import annotations

import math
from types import SimpleNamespace

import cv2
import numpy as np
import pytest


def view(
    tilt_x_deg=0.0,
    tilt_y_deg=0.0,
    roll_deg=0.0,
    px_per_mm=10.0,
    focal_px=2000.0,
    centre=(400.0, 300.0),
    middle=(0.0, 0.0),
):
    """Return mm (board or rule, y down) to picture: ``middle`` mm is seen at ``centre`` px, px_per_mm there."""
    turn, _ = cv2.Rodrigues(np.radians([tilt_x_deg, 0.0, 0.0]))
    other, _ = cv2.Rodrigues(np.radians([0.0, tilt_y_deg, 0.0]))
    roll, _ = cv2.Rodrigues(np.radians([0.0, 0.0, roll_deg]))
    pose = turn @ other @ roll
    distance = focal_px / px_per_mm
    plane = np.column_stack([pose[:, 0], pose[:, 1], -pose[:, :2] @ np.asarray(middle, float) + [0, 0, distance]])
    camera = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1.0]])
    return camera @ plane


def seen(
    raster, raster_px_per_mm, mm_to_px, size=(800, 600), ground=110, supersample=4, blur_px=0.6, noise=2.0, seed=0
):
    """Return the picture of a finely drawn plane; pixel centres are whole numbers."""
    width, height = size
    to_mm = np.array(
        [
            [1 / raster_px_per_mm, 0, 0.5 / raster_px_per_mm],
            [0, 1 / raster_px_per_mm, 0.5 / raster_px_per_mm],
            [0, 0, 1],
        ]
    )
    fine = np.array([[supersample, 0, 0.5 * supersample - 0.5], [0, supersample, 0.5 * supersample - 0.5], [0, 0, 1.0]])
    canvas = np.full((height * supersample, width * supersample), ground, np.uint8)
    warped = cv2.warpPerspective(
        raster,
        fine @ mm_to_px @ to_mm,
        canvas.shape[::-1],
        dst=canvas,
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_TRANSPARENT,
    )
    picture = cv2.resize(warped, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    if blur_px > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture = picture + np.random.default_rng(seed).normal(0, noise, picture.shape)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)


def through(homography, points):
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return mapped[:, :2] / mapped[:, 2:]


def chessboard(columns, rows, square_mm=10.0, px_per_mm=8, border=1.0, dark=25, light=230):
    """Return a raster of (columns + 1) x (rows + 1) squares in a light border, and mm of its first inner corner."""
    side = round(square_mm * px_per_mm)
    row, column = np.indices((rows + 1, columns + 1))
    cells = np.where((row + column) % 2 == 0, dark, light).astype(np.uint8)
    raster = np.kron(cells, np.ones((side, side), np.uint8))
    pad = round(border * side)
    raster = cv2.copyMakeBorder(raster, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=light)
    first = (border + 1.0) * square_mm
    return raster, (first, first)


def charuco(
    columns, rows, square_mm=10.0, px_per_mm=8, border=0.5, ratio=0.75, dictionary="DICT_4X4_250", legacy=False
):
    side = round(square_mm * px_per_mm)
    board = cv2.aruco.CharucoBoard(
        (columns + 1, rows + 1),
        square_mm,
        ratio * square_mm,
        cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary)),
    )
    board.setLegacyPattern(legacy)
    raster = board.generateImage((side * (columns + 1), side * (rows + 1)), marginSize=0)
    pad = round(border * side)
    raster = cv2.copyMakeBorder(raster, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=255)
    first = (border + 1.0) * square_mm
    return np.clip(raster, 25, 230).astype(np.uint8), (first, first)


def circles(columns, rows, step_mm=10.0, px_per_mm=8, ratio=0.5):
    side = step_mm * px_per_mm
    raster = np.full((round(side * (rows + 1)), round(side * (columns + 1))), 230, np.uint8)
    for row in range(rows):
        for column in range(columns):
            centre = (round(((column + 1) * side - 0.5) * 64), round(((row + 1) * side - 0.5) * 64))
            cv2.circle(raster, centre, round(0.5 * ratio * side * 64), 25, -1, cv2.LINE_AA, 6)
    return raster, (step_mm, step_mm)


def rule(
    ticks,
    spacing_mm=1.0,
    *,
    pattern="decimal",
    px_per_spacing=24,
    length_mm=None,
    thick=0.18,
    dark=True,
    figures=True,
    tick_spacings=4.0,
    missing=(),
):
    """Return a raster with ticks from its third spacing on, its px per mm, and mm of the first tick's middle."""
    step = px_per_spacing
    height, width = round(step * tick_spacings * 4.5), step * (ticks + 5)
    ground, ink = (230, 30) if dark else (30, 230)
    raster = np.full((height, width), ground, np.uint8)
    half = max(1, round(0.5 * thick * step))
    for tick in range(ticks):
        if tick in missing:
            continue
        longer = {
            "decimal": 2.0 if tick % 10 == 0 else 1.5 if tick % 5 == 0 else 1.0,
            "halves of mm": 2.0 if tick % 10 == 0 else 1.5 if tick % 2 == 0 else 1.0,
            "halves": 2.0 if tick % 4 == 0 else 1.5 if tick % 2 == 0 else 1.0,
            "none": 1.0,
        }[pattern]
        x = (tick + 3) * step
        raster[: round(step * tick_spacings * longer), x - half : x + half] = ink
        if figures and tick % (16 if pattern == "halves" else 10) == 0:
            cv2.putText(
                raster,
                str(tick // 10),
                (x - step, round(step * tick_spacings * 3)),
                cv2.FONT_HERSHEY_SIMPLEX,
                step / 16,
                ink,
                max(1, step // 6),
                cv2.LINE_AA,
            )
    return raster, step / spacing_mm, (3 * spacing_mm, 0.5 * tick_spacings * spacing_mm)


@pytest.fixture(scope="session")
def draw():
    """Functions that draw boards and rules and show them through a known view."""
    return SimpleNamespace(
        view=view,
        seen=seen,
        through=through,
        chessboard=chessboard,
        charuco=charuco,
        circles=circles,
        rule=rule,
        inverse=np.linalg.inv,
        radians=math.radians,
    )
