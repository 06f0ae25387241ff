"""The look of a section photograph: tones, light, texture, marks, and what lies beside the section."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.render import camera as cam
from benchmarks.render.backdrops import backdrop
from benchmarks.render.camera import Camera, Plane
from benchmarks.render.geometry import Drawing, line_patch, rings_of, roughened
from benchmarks.render.targets import Target, paint_target
from benchmarks.render.textures import cloud
from core.geometry import Points


@dataclass(frozen=True, slots=True)
class Look:
    """Tones are shares of full scale; strengths are standard deviations or depths in the same unit."""

    background: float = 0.08
    plate: float = 0.72
    weld: float = 0.60
    haz: float = 0.66
    seam: float = 0.15
    background_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    metal_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    grain: float = 0.012
    weld_texture: float = 0.02
    banding: float = 0.0
    scratches: int = 0
    scratch_depth: float = 0.05
    polish_lines: float = 0.0
    stains: float = 0.0
    paper: float = 0.004
    specks: int = 0
    light_gradient: float = 0.0
    light_angle_deg: float = 0.0
    vignette: float = 0.0
    shadow: float = 0.0
    shadow_angle_deg: float = -60.0
    shadow_reach_mm: float = 0.8
    mount_radius_mm: float = 0.0
    mount_centre_mm: tuple[float, float] = (0.0, 0.0)
    mount_tone: float = 0.1
    rim: float = 0.0
    highlights: int = 0
    label: str = ""
    label_at: tuple[float, float] = (0.03, 0.96)
    edge_bevel: float = 0.0
    backdrop: str = ""


@dataclass(frozen=True, slots=True)
class Exposure:
    """What happens after the light: blur, noise, bits, JPEG, colour.

    ``tone_curve`` is the power by which a camera encodes light (1: in proportion; 2.2: about sRGB, IEC 61966-2-1).
    Areas mix and the lens blurs in light, not in what is stored.
    """

    blur_px: float = 0.7
    blur_border_px: float | None = None
    read_noise: float = 0.004
    shot_noise: float = 0.006
    bits: int = 8
    jpeg_quality: int | None = None
    colour: bool = False
    tone_curve: float = 1.0


def paint(
    drawing: Drawing,
    camera: Camera,
    look: Look,
    exposure: Exposure,
    rng: np.random.Generator,
    *,
    roughness_mm: float = 0.0,
    wavelength_mm: float = 1.5,
    targets: tuple[Target, ...] = (),
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return the finished picture, grey (H, W) or colour (H, W, 3, blue green red)."""
    height, width = camera.height_px, camera.width_px
    rings = [
        camera.to_px(roughened(ring, rng, amplitude_mm=roughness_mm, wavelength_mm=wavelength_mm))
        for ring in rings_of(drawing.metal)
    ]
    mask = cam.coverage(rings, height, width)
    ground = backdrop(look.backdrop, height, width, rng) if look.backdrop else _background(camera, look, rng)
    of_colour = ground.ndim == 3
    if look.shadow > 0:
        ground *= _as(ground, 1 - look.shadow * _shadow(mask, camera, look))
    metal, curve = _metal(drawing, camera, look, rng, mask), exposure.tone_curve
    share = mask
    if of_colour:
        metal, share = metal[..., None] * np.array(look.metal_tint, np.float32), mask[..., None]
    picture = _stored(_light_of(ground, curve) * (1 - share) + _light_of(metal, curve) * share, curve)
    for target in targets:
        for plane in np.moveaxis(picture, -1, 0) if of_colour else (picture,):
            paint_target(plane, camera, target)
    if look.highlights:
        _highlights(picture, mask, look, camera, rng)
    picture *= _as(picture, _light(height, width, look))
    blurred = cam.blur(_light_of(picture, curve), exposure.blur_px, sigma_edge_px=exposure.blur_border_px)
    picture = _stored(blurred, curve)
    if exposure.colour and not of_colour:
        picture = _tinted(picture, cam.blur(mask, max(1.0, exposure.blur_px)), look)
    picture = cam.add_noise(picture, rng, read=exposure.read_noise, shot=exposure.shot_noise)
    finished = cam.to_integers(picture, exposure.bits)
    if exposure.jpeg_quality is not None and finished.dtype == np.uint8:
        finished = cam.through_jpeg(finished, exposure.jpeg_quality)
    return finished


def _as(picture: Plane, share: Plane) -> Plane:
    """Return a share for each pixel in the shape of a grey or a colour picture."""
    return share[..., None] if picture.ndim == 3 else share


def _light_of(stored: Plane, curve: float) -> Plane:
    return stored if curve == 1 else np.asarray(np.maximum(stored, 0) ** np.float32(curve), np.float32)


def _stored(light: Plane, curve: float) -> Plane:
    return light if curve == 1 else np.asarray(np.maximum(light, 0) ** np.float32(1 / curve), np.float32)


def _background(camera: Camera, look: Look, rng: np.random.Generator) -> Plane:
    height, width = camera.height_px, camera.width_px
    ground = np.full((height, width), look.background, np.float32)
    ground += look.paper * (0.7 * cloud(height, width, 3, rng) + 0.7 * cloud(height, width, 40, rng))
    if look.mount_radius_mm > 0:
        _mount(ground, camera, look)
    if look.label:
        at = (look.label_at[0] * width, look.label_at[1] * height)
        _text(ground, look.label, at, 0.028 * height, 0.25 if look.background > 0.4 else 0.7)
    for _ in range(look.specks):
        centre = rng.uniform(0, [width, height])
        radius = float(rng.gamma(2.0, 0.035 / camera.mm_per_px))
        tone = float(rng.uniform(-0.2, 0.2) + look.background)
        cv2.circle(ground, _fixed(centre), int(radius * 16), tone, -1, cv2.LINE_AA, 4)
    return ground


def _mount(ground: Plane, camera: Camera, look: Look) -> None:
    angles = np.radians(np.arange(0, 360, 0.5))
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    centre = np.array(look.mount_centre_mm)
    disc = cam.coverage([camera.to_px(centre + circle * look.mount_radius_mm)], *ground.shape)
    ground += (look.mount_tone - look.background) * disc
    inner = cam.coverage([camera.to_px(centre + circle * (look.mount_radius_mm - 0.6))], *ground.shape)
    ground += look.rim * (disc - inner)


def _metal(drawing: Drawing, camera: Camera, look: Look, rng: np.random.Generator, mask: Plane) -> Plane:
    height, width = mask.shape
    tone = np.full(mask.shape, look.plate, np.float32)
    grain = rng.standard_normal(mask.shape, dtype=np.float32)
    if look.banding > 0:
        tone += look.banding * _banding(camera, rng)
    for patch in drawing.patches:
        window, share = _share(rings_of(patch.shape), camera, patch.feather_mm / camera.mm_per_px)
        value = {"weld": look.weld, "haz": look.haz, "pass": look.weld + 0.5 * (look.haz - look.weld)}[patch.tone]
        part = tone[window]
        part += share * (value - part)
        if patch.tone == "weld" and look.weld_texture > 0 and share.size:
            part += share * look.weld_texture * _dendrites(share, camera, rng)
    tone += look.grain * (0.6 * grain + 0.6 * cloud(height, width, 2.5, rng) + 0.5 * cloud(height, width, 9, rng))
    if look.stains > 0:
        blotch = cloud(height, width, 2.5 / camera.mm_per_px, rng)
        tone -= look.stains * np.clip(blotch - 0.7, 0, 1.5)
    if look.polish_lines > 0:
        tone += look.polish_lines * _polish(height, width, rng)
    for _ in range(look.scratches):
        _scratch(tone, look, rng)
    for line, width_mm in drawing.seams:
        seam = line_patch(line, width_mm)
        for patch in drawing.patches:
            seam = seam.difference(patch.shape) if patch.tone == "weld" else seam
        window, share = _share(rings_of(seam), camera, 0.0)
        part = tone[window]
        part += share * (look.seam - part)
    if look.edge_bevel != 0:
        rim = mask - cam.blur(mask, 0.12 / camera.mm_per_px)
        tone += look.edge_bevel * np.clip(rim, 0, 1) * 2
    return tone


def _share(rings_mm: list[Points], camera: Camera, sigma_px: float) -> tuple[tuple[slice, slice], Plane]:
    """Return the part of the picture that a soft-edged shape touches, and its share of each pixel there."""
    if not rings_mm:
        return (slice(0), slice(0)), np.zeros((0, 0), np.float32)
    rings = [camera.to_px(cam.densify(ring, 0.3)) for ring in rings_mm]
    limits = [camera.width_px, camera.height_px]
    margin = 4 * sigma_px + 2
    low = np.clip(np.floor(np.min([ring.min(axis=0) for ring in rings], axis=0) - margin), 0, limits).astype(int)
    high = np.clip(np.ceil(np.max([ring.max(axis=0) for ring in rings], axis=0) + margin), 0, limits).astype(int)
    window = (slice(low[1], high[1]), slice(low[0], high[0]))
    size = high - low
    if size.min() <= 0:
        return (slice(0), slice(0)), np.zeros((0, 0), np.float32)
    return window, cam.blur(cam.coverage([ring - low for ring in rings], int(size[1]), int(size[0])), sigma_px)


def _banding(camera: Camera, rng: np.random.Generator) -> Plane:
    """Return rolling bands along the plates: streaks in the picture's rotated x direction."""
    long = cloud(camera.height_px, max(8, camera.width_px // 40), 3, rng)
    streak = cv2.resize(long, (camera.width_px, camera.height_px), interpolation=cv2.INTER_LINEAR)
    turn = cv2.getRotationMatrix2D((camera.width_px / 2, camera.height_px / 2), camera.rotation_deg, 1.5)
    return np.asarray(
        cv2.warpAffine(streak, turn, (camera.width_px, camera.height_px), borderMode=cv2.BORDER_REFLECT), np.float32
    )


def _dendrites(share: Plane, camera: Camera, rng: np.random.Generator) -> Plane:
    """Return columnar grains: streaks that lead from the rim of the weld metal towards its middle, unit strength."""
    texture = np.zeros_like(share)
    rows, columns = np.flatnonzero(share.any(axis=1)), np.flatnonzero(share.any(axis=0))
    if len(rows) == 0:
        return texture
    y0, y1, x0, x1 = int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
    part = share[y0:y1, x0:x1]
    moments = cv2.moments(part)
    cx, cy = moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]
    x = np.arange(x1 - x0, dtype=np.float32)[None, :] - cx
    y = np.arange(y1 - y0, dtype=np.float32)[:, None] - cy
    radius, turn = np.hypot(x, y), np.arctan2(y, x) % (2 * math.pi)
    reach = max(float(radius.max()), 1.0)
    grains = int(np.clip(2 * math.pi * reach * camera.mm_per_px / 0.12, 60, 1200))
    streaks = rng.standard_normal((24, grains), dtype=np.float32)
    column = np.asarray(turn / (2 * math.pi) * (grains - 1), np.float32)
    row = np.asarray(radius / reach * 20, np.float32)
    streak = cv2.remap(streaks, column, row, cv2.INTER_LINEAR)
    fine = cloud(y1 - y0, x1 - x0, 0.15 / camera.mm_per_px, rng)
    texture[y0:y1, x0:x1] = 0.7 * streak + 0.5 * fine
    return texture


def _polish(height: int, width: int, rng: np.random.Generator) -> Plane:
    lines = rng.standard_normal((1, int(math.hypot(height, width))), dtype=np.float32)
    lines = np.repeat(cv2.GaussianBlur(lines, (0, 0), 0.8), 2, axis=0)
    diagonal = lines.shape[1]
    angle = float(rng.uniform(0, 180))
    turn = cv2.getRotationMatrix2D((diagonal / 2, 0.5), angle, 1.0)
    turn[:, 2] += np.array([width / 2 - diagonal / 2, height / 2 - 0.5])
    sheet = cv2.resize(lines, (diagonal, diagonal))
    turn[1, 2] -= turn[1, 1] * (diagonal / 2 - 0.5)
    turn[0, 2] -= turn[0, 1] * (diagonal / 2 - 0.5)
    return np.asarray(cv2.warpAffine(sheet, turn, (width, height), borderMode=cv2.BORDER_REFLECT), np.float32)


def _scratch(tone: Plane, look: Look, rng: np.random.Generator) -> None:
    height, width = tone.shape
    centre = rng.uniform([0.1 * width, 0.1 * height], [0.9 * width, 0.9 * height])
    angle = rng.uniform(0, math.pi)
    half = rng.uniform(0.05, 0.5) * width
    arm = half * np.array([math.cos(angle), math.sin(angle)])
    layer = np.zeros_like(tone)
    cv2.line(layer, _fixed(centre - arm), _fixed(centre + arm), 1.0, int(rng.integers(1, 4)), cv2.LINE_AA, 4)
    tone += float(rng.choice([-1.0, 1.0]) * look.scratch_depth * rng.uniform(0.4, 1.0)) * layer


def _shadow(mask: Plane, camera: Camera, look: Look) -> Plane:
    reach = look.shadow_reach_mm / camera.mm_per_px
    dx = reach * math.cos(math.radians(look.shadow_angle_deg))
    dy = -reach * math.sin(math.radians(look.shadow_angle_deg))
    moved = cv2.warpAffine(mask, np.array([[1, 0, dx], [0, 1, dy]], float), (mask.shape[1], mask.shape[0]))
    return cam.blur(np.asarray(moved, np.float32), 0.6 * reach)


def _highlights(picture: Plane, mask: Plane, look: Look, camera: Camera, rng: np.random.Generator) -> None:
    height, width = picture.shape[:2]
    glow = np.zeros((height // 8 + 1, width // 8 + 1), np.float32)
    for _ in range(look.highlights):
        centre = rng.uniform(0, [width, height])
        axes = rng.uniform(0.3, 2.0, 2) / camera.mm_per_px
        cv2.ellipse(glow, _small(centre), _small(axes), float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
    glow = cv2.GaussianBlur(glow, (0, 0), 0.5 / camera.mm_per_px / 8 + 0.5)
    picture += _as(picture, 0.3 * cv2.resize(glow, (width, height)) * mask)


def _light(height: int, width: int, look: Look) -> Plane:
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    a = math.radians(look.light_angle_deg)
    light = 1 + look.light_gradient * (math.cos(a) * x + math.sin(a) * y) / 1.4142
    light = light * (1 - look.vignette * (x**2 + y**2) / 2)
    # exposed so that the brightest tone just keeps clear of the sensor's full scale
    brightest = float(light.max()) * max(look.background, look.plate, look.mount_tone)
    return np.asarray(light / max(1.0, brightest / 0.97), np.float32)


def _tinted(picture: Plane, soft: Plane, look: Look) -> Plane:
    channels = [
        picture * (background * (1 - soft) + metal * soft)
        for background, metal in zip(look.background_tint, look.metal_tint, strict=True)
    ]
    return np.asarray(np.dstack(channels), np.float32)


def _text(canvas: Plane, text: str, at: tuple[float, float], height_px: float, tone: float) -> None:
    scale = height_px / 22
    layer = np.zeros(canvas.shape, np.uint8)
    place = (int(at[0]), int(at[1]))
    cv2.putText(layer, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, max(1, round(scale * 2)), cv2.LINE_AA)
    canvas += layer.astype(np.float32) / 255 * (tone - canvas)


def _fixed(point: Points) -> tuple[int, int]:
    return round(float(point[0]) * 16), round(float(point[1]) * 16)


def _small(point: Points) -> tuple[int, int]:
    return max(1, int(point[0] / 8)), max(1, int(point[1] / 8))
