"""More pictures without a weld: machine parts, rolled profiles, plates that only touch, surfaces, screens, scenery."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.render.camera import Camera, add_noise, blur, coverage
from benchmarks.render.not_welds import NOT_WELDS, Image, to_8_bits
from benchmarks.render.targets import Target, paint_target
from benchmarks.render.textures import cloud
from core.geometry import Points

Ring = NDArray[np.float64]
Draw = Callable[[np.random.Generator, int, int], Image]


def rolled_angle(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return the end of a rolled angle: two flanges, a sharp or rounded inner corner, and no weld."""
    flange, thick = rng.uniform(0.35, 0.6, 2), float(rng.uniform(0.06, 0.12))
    ring = _polygon([(0, 0), (flange[0], 0), (flange[0], thick), (thick, thick), (thick, flange[1]), (0, flange[1])])
    return _part([ring], rng, width, height)


def rolled_tee(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return the end of a rolled tee: sharp inner corners, and no weld in them."""
    w, h, t = float(rng.uniform(0.5, 0.7)), float(rng.uniform(0.35, 0.5)), float(rng.uniform(0.06, 0.1))
    ring = _polygon(
        [(-w / 2, 0), (w / 2, 0), (w / 2, t), (t / 2, t), (t / 2, h), (-t / 2, h), (-t / 2, t), (-w / 2, t)]
    )
    return _part([ring], rng, width, height)


def rolled_beam(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return the end of a beam of two flanges and a web."""
    w, h, t = float(rng.uniform(0.35, 0.5)), float(rng.uniform(0.45, 0.6)), float(rng.uniform(0.05, 0.08))
    right = [(w / 2, 0), (w / 2, t), (t / 2, t), (t / 2, h - t), (w / 2, h - t), (w / 2, h)]
    left = [(-x, y) for x, y in reversed(right)]
    return _part([_polygon(right + left)], rng, width, height)


def stacked_plates(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return two plates one on the other, shifted, with square ends and no weld on the step."""
    long, thick, shift = float(rng.uniform(0.4, 0.55)), float(rng.uniform(0.06, 0.1)), float(rng.uniform(0.1, 0.25))
    lower, upper = _box(0, 0, long, thick), _box(shift, thick, long, thick * float(rng.uniform(0.7, 1.2)))
    return _part([lower, upper], rng, width, height)


def plates_apart(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return two plates that lie about, far from each other and not in line."""
    first = _turned(_box(0, 0, 0.4, float(rng.uniform(0.05, 0.09))), float(rng.uniform(-1.2, 1.2)))
    second = _turned(_box(0, 0, 0.35, float(rng.uniform(0.05, 0.09))), float(rng.uniform(0.5, 2.5)))
    return _part([first - np.array([0.3, 0.3]), second + np.array([0.1, 0.25])], rng, width, height, turn=False)


def gear(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a toothed wheel."""
    teeth = int(rng.integers(9, 24))
    angle = np.linspace(0, 2 * np.pi, teeth * 40, endpoint=False)
    radius = 0.3 + 0.035 * np.clip(2.5 * np.sin(teeth * angle), -1, 1)
    hole = 0.08 * np.column_stack([np.cos(-angle), np.sin(-angle)])
    return _part([radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]), hole], rng, width, height)


def bolt(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a bolt from the side: head, shank, thread."""
    head, shank = float(rng.uniform(0.1, 0.16)), float(rng.uniform(0.05, 0.07))
    x = np.arange(0.14, 0.6, 0.012)
    edge = shank + np.where(np.arange(len(x)) % 2 == 0, 0.0, -0.008)
    upper = [(0, head), (0.1, head), (0.1, shank), *zip(x, edge, strict=True)]
    lower = [(a, -b) for a, b in reversed(upper)]
    return _part([_polygon(upper + lower)], rng, width, height)


def tube(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a pipe seen end-on."""
    angle = np.linspace(0, 2 * np.pi, 900, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    return _part([0.34 * circle, float(rng.uniform(0.22, 0.3)) * circle[::-1]], rng, width, height)


def leaf(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a lobed blob, like a leaf or a hand."""
    angle = np.linspace(0, 2 * np.pi, 900, endpoint=False)
    radius = 0.25 + sum(
        float(rng.normal(0, 0.06 / k**0.7)) * np.sin(k * angle + rng.uniform(0, 6.3)) for k in range(2, 12)
    )
    return _part(
        [np.maximum(radius, 0.05)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])], rng, width, height
    )


def rule_alone(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a rule on a bench and nothing else."""
    camera = Camera(width, height, 60 / width, float(rng.uniform(-180, 180)))
    picture = np.full((height, width), float(rng.uniform(0.15, 0.5)), np.float32)
    paint_target(picture, camera, Target("ruler", (-20.0, -3.0), length_mm=40.0))
    return _finish(picture, rng)


def bricks(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a wall: joints between rectangles, every second course shifted."""
    tone = np.full((height, width), float(rng.uniform(0.5, 0.8)), np.float32)
    course, long = height // int(rng.integers(6, 14)), width // int(rng.integers(5, 10))
    for row, y in enumerate(range(0, height, course)):
        for x in range(-(long // 2) * (row % 2), width, long):
            cv2.rectangle(tone, (x + 4, y + 4), (x + long - 4, y + course - 4), float(rng.uniform(0.25, 0.45)), -1)
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.uniform(-20, 20)), 1.4)
    return _finish(np.asarray(cv2.warpAffine(tone, turn, (width, height), borderMode=cv2.BORDER_REFLECT)), rng)


def clouds(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return noise of many scales, as of clouds, marble or rust."""
    scales = (width / 4, width / 12, width / 40, width / 120)
    tone = sum(
        share * cloud(height, width, scale, rng) for share, scale in zip((0.12, 0.08, 0.05, 0.03), scales, strict=True)
    )
    return _finish(np.asarray(0.5 + tone, np.float32), rng)


def ground_metal(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return ground metal that fills the picture: streaks, scratches, a shade."""
    streaks = cv2.resize(rng.standard_normal((height, 8), dtype=np.float32), (width, height))
    tone = 0.55 + 0.06 * cv2.GaussianBlur(streaks, (0, 0), 1.2) + 0.08 * cloud(height, width, width / 3, rng)
    for _ in range(int(rng.integers(3, 30))):
        ends = rng.uniform(0, [width, height], (2, 2)).astype(int)
        cv2.line(tone, ends[0].tolist(), ends[1].tolist(), float(rng.uniform(0.2, 0.9)), 1, cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.uniform(0, 180)), 1.5)
    return _finish(np.asarray(cv2.warpAffine(tone, turn, (width, height), borderMode=cv2.BORDER_REFLECT)), rng)


def ramp(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return light that falls off to one side, or towards the border."""
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    angle = float(rng.uniform(0, 2 * np.pi))
    tone = 0.5 + 0.3 * (np.cos(angle) * x + np.sin(angle) * y) if rng.random() < 0.5 else 0.8 - 0.35 * (x**2 + y**2)
    return _finish(np.asarray(tone, np.float32), rng)


def screen(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a screen: windows with bars, lines of text, buttons."""
    tone = np.full((height, width), float(rng.uniform(0.3, 0.95)), np.float32)
    for _ in range(int(rng.integers(2, 7))):
        x, y = (int(v) for v in rng.uniform(0, [0.6 * width, 0.6 * height]))
        w, h = (int(v) for v in rng.uniform([0.2 * width, 0.2 * height], [0.5 * width, 0.5 * height]))
        cv2.rectangle(tone, (x, y), (x + w, y + h), float(rng.uniform(0.05, 1.0)), -1)
        cv2.rectangle(tone, (x, y), (x + w, y + h // 10), float(rng.uniform(0.0, 0.6)), -1)
        for line in range(int(rng.integers(0, 12))):
            start = (x + 10, y + h // 6 + line * max(8, h // 16))
            cv2.rectangle(tone, start, (start[0] + int(w * rng.uniform(0.2, 0.8)), start[1] + 3), 0.5, -1)
    return _finish(tone, rng)


def tall_bars(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a chart of bars side by side on a base line."""
    rings = []
    x = 0.0
    for _ in range(int(rng.integers(3, 8))):
        wide = float(rng.uniform(0.05, 0.12))
        rings.append(_box(x, 0.0, wide, float(rng.uniform(0.1, 0.5))))
        x += wide + (0.0 if rng.random() < 0.4 else float(rng.uniform(0.01, 0.05)))
    return _part(rings, rng, width, height)


def smooth_hills(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return rounded hills on slopes, one behind the other, the skylines smooth or a little rough."""
    x = np.linspace(0, 1, width)
    lines = []
    for level in np.sort(rng.uniform(0.35, 0.85, int(rng.integers(1, 4)))):
        line = level + float(rng.uniform(-0.15, 0.15)) * (x - 0.5)
        for _ in range(int(rng.integers(1, 4))):
            from_top = (x - float(rng.uniform(-0.1, 1.1))) / float(rng.uniform(0.04, 0.25))
            line = line - float(rng.uniform(0.02, 0.25)) * np.exp(-0.5 * from_top**2)
        lines.append(line + float(rng.uniform(0, 0.01)) * _rough(rng, width))
    return _skylines(lines, rng, width, height)


def mountains(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return peaks with straight slopes."""
    x = np.linspace(0, 1, width)
    lines = []
    for level in np.sort(rng.uniform(0.4, 0.8, int(rng.integers(1, 4)))):
        line = np.full(width, level)
        for _ in range(int(rng.integers(1, 5))):
            slope = np.abs(x - float(rng.uniform(0, 1))) * float(rng.uniform(0.4, 2.5))
            line = np.minimum(line, level - float(rng.uniform(0.05, 0.4)) + slope)
        lines.append(line + float(rng.uniform(0, 0.006)) * _rough(rng, width))
    return _skylines(lines, rng, width, height)


def houses(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return one or two houses with roofs against the sky, of one tone with the ground or not."""
    tone = np.full((height, width), float(rng.uniform(0.7, 0.95)), np.float32)
    ground, wall_tone = float(rng.uniform(0.7, 0.9)) * height, float(rng.uniform(0.1, 0.5))
    same = rng.random() < 0.5
    cv2.rectangle(tone, (0, int(ground)), (width, height), wall_tone if same else float(rng.uniform(0.2, 0.5)), -1)
    for _ in range(int(rng.integers(1, 3))):
        left, wide = float(rng.uniform(0.1, 0.5)) * width, float(rng.uniform(0.2, 0.45)) * width
        top, over = ground - float(rng.uniform(0.15, 0.35)) * height, float(rng.uniform(0, 0.06)) * width
        ridge = (left + wide * float(rng.uniform(0.3, 0.7)), top - float(rng.uniform(0.05, 0.25)) * height)
        cv2.rectangle(tone, (int(left), int(top)), (int(left + wide), int(ground) + 2), wall_tone, -1)
        roof = np.array([(left - over, top), ridge, (left + wide + over, top)], np.int32)
        cv2.fillPoly(tone, [roof], wall_tone if same else float(rng.uniform(0.1, 0.4)), cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.uniform(-5, 5)), 1.1)
    return _finish(np.asarray(cv2.warpAffine(tone, turn, (width, height), borderMode=cv2.BORDER_REFLECT)), rng)


def windows_beside(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a screen with two or three windows side by side, with and without frames, bars and text."""
    ground = float(rng.uniform(0.05, 0.95))
    inside = float(np.clip(ground + float(rng.choice([-1, 1])) * float(rng.uniform(0.2, 0.7)), 0.02, 1))
    tone = np.full((height, width), ground, np.float32)
    count, space = int(rng.integers(2, 4)), int(rng.uniform(0.002, 0.05) * width)
    left, top = int(rng.uniform(0.01, 0.1) * width), int(rng.uniform(0.05, 0.25) * height)
    wide, high = (width - 2 * left - (count - 1) * space) // count, int(rng.uniform(0.3, 0.7) * height)
    for number in range(count):
        x, y = left + number * (wide + space), top + int(max(0.0, float(rng.uniform(-0.1, 0.1))) * height)
        cv2.rectangle(tone, (x, y), (x + wide, y + high), inside, -1)
        if rng.random() < 0.5:
            cv2.rectangle(tone, (x, y), (x + wide, y + high), float(rng.uniform(0, 1)), int(rng.integers(1, 8)))
        if rng.random() < 0.6:
            cv2.rectangle(tone, (x, y), (x + wide, y + high // 15), float(rng.uniform(0, 1)), -1)
        for line in range(int(rng.integers(0, 18))):
            at = (x + wide // 12, y + high // 7 + line * (high // 22))
            cv2.rectangle(tone, at, (at[0] + int(wide * rng.uniform(0.2, 0.8)), at[1] + high // 70), 1 - inside, -1)
    return _finish(tone, rng)


def monitors(rng: np.random.Generator, width: int, height: int) -> Image:
    """Return two monitors on their feet on a desk."""
    tone = np.full((height, width), float(rng.uniform(0.3, 0.9)), np.float32)
    frame, desk = float(rng.uniform(0.02, 0.15)), int(rng.uniform(0.75, 0.9) * height)
    cv2.rectangle(tone, (0, desk), (width, height), float(rng.uniform(0.2, 0.6)), -1)
    space, wide = int(rng.uniform(0, 0.06) * width), int(rng.uniform(0.3, 0.42) * width)
    for x in ((width - space) // 2 - wide, (width + space) // 2):
        y, high, edge = int(rng.uniform(0.1, 0.25) * height), int(0.6 * wide), int(rng.uniform(0.01, 0.04) * wide) + 2
        middle = x + wide // 2
        cv2.rectangle(tone, (x, y), (x + wide, y + high), frame, -1)
        cv2.rectangle(tone, (middle - wide // 20, y + high), (middle + wide // 20, desk), frame, -1)
        cv2.rectangle(tone, (middle - wide // 6, desk - high // 20), (middle + wide // 6, desk), frame, -1)
        shown = float(rng.uniform(0.02, 0.95))
        cv2.rectangle(tone, (x + edge, y + edge), (x + wide - edge, y + high - edge), shown, -1)
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.uniform(-3, 3)), 1.05)
    return _finish(np.asarray(cv2.warpAffine(tone, turn, (width, height), borderMode=cv2.BORDER_REFLECT)), rng)


MORE: dict[str, Draw] = {
    draw.__name__: draw
    for draw in (
        rolled_angle, rolled_tee, rolled_beam, stacked_plates, plates_apart, gear, bolt, tube, leaf, rule_alone,
        bricks, clouds, ground_metal, ramp, screen, tall_bars, smooth_hills, mountains, houses,
        windows_beside, monitors,
    )
}  # fmt: skip

ALL: dict[str, Draw] = NOT_WELDS | MORE


def _rough(rng: np.random.Generator, width: int) -> NDArray[np.float64]:
    return np.asarray(cloud(2, width, width / float(rng.uniform(6, 80)), rng)[0], float)


def _skylines(lines: Sequence[NDArray[np.float64]], rng: np.random.Generator, width: int, height: int) -> Image:
    """Return a sky above lines (shares of the height from the top), each range darker than the one behind."""
    y = np.linspace(0, 1, height)[:, None]
    tone = float(rng.uniform(0.6, 0.95)) - float(rng.uniform(0, 0.3)) * np.repeat(y, width, axis=1)
    shade = 0.6
    for line in lines:
        shade *= float(rng.uniform(0.4, 0.85))
        ground = shade + float(rng.uniform(0, 0.04)) * cloud(height, width, 12, rng)
        tone += np.clip((y - line[None]) * height, 0, 1) * (ground - tone)
    return _finish(np.asarray(tone, np.float32), rng)


def _polygon(corners: Sequence[tuple[float, float]]) -> Ring:
    return np.asarray(corners, float)


def _box(x: float, y: float, long: float, high: float) -> Ring:
    return _polygon([(x, y), (x + long, y), (x + long, y + high), (x, y + high)])


def _turned(ring: Ring, angle: float) -> Ring:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(ring @ np.array([[c, s], [-s, c]]))


def _part(rings: Sequence[Points], rng: np.random.Generator, width: int, height: int, *, turn: bool = True) -> Image:
    """Return a part, in shares of the picture's height, in any place and turn, bright on dark or dark on bright."""
    middle = (np.min([r.min(axis=0) for r in rings], axis=0) + np.max([r.max(axis=0) for r in rings], axis=0)) / 2
    angle = float(rng.uniform(0, 2 * np.pi)) if turn else 0.0
    size = height * float(rng.uniform(0.8, 1.15))
    at = np.array([width / 2, height / 2]) + rng.uniform(-0.08, 0.08, 2) * height
    cover = np.zeros((height, width), np.float32)
    for ring in rings:
        placed = _turned(ring - middle, angle) * size + at
        shape = coverage([placed], height, width)
        area = 0.5 * float(np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1]))
        cover = np.maximum(cover, shape) if area > 0 or len(rings) == 1 else np.minimum(cover, 1 - np.abs(shape))
    ground, metal = float(rng.uniform(0.05, 0.3)), float(rng.uniform(0.55, 0.85))
    if rng.random() < 0.5:
        ground, metal = metal, ground
    metal_tone = metal + 0.02 * cloud(height, width, 20, rng)
    picture = ground * (1 - np.abs(cover)) + metal_tone * np.abs(cover)
    return _finish(np.asarray(picture, np.float32), rng)


def _finish(picture: NDArray[np.float32], rng: np.random.Generator) -> Image:
    softened = blur(picture, float(rng.uniform(0.5, 2.0)))
    return to_8_bits(add_noise(softened, rng, read=float(rng.uniform(0.002, 0.008)), shot=0.006))
