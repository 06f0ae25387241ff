"""Pictures of etched sections: tones, grain, uneven etch, bands, blur of the fusion line, noise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from benchmarks.render import camera as cam
from benchmarks.render.camera import Camera, Plane
from benchmarks.render.etch import EtchedJoint, EtchedSection, random_section
from benchmarks.render.etch_met import met_tee
from benchmarks.render.geometry import rings_of, roughened
from benchmarks.render.textures import cloud
from core.geometry import Points

Grain = Literal["columnar", "equiaxed"]


@dataclass(frozen=True, slots=True)
class Etch:
    """How an etch looks. Tones and strengths (standard deviations) are shares of full scale."""

    background: float = 0.05
    parent: float = 0.70
    haz: float = 0.60
    weld: float = 0.40
    weld_grain: Grain = "columnar"
    weld_grain_mm: float = 0.12
    weld_texture: float = 0.04
    parent_grain_mm: float = 0.06
    parent_texture: float = 0.025
    haz_feather_mm: float = 0.2
    fusion_blur_px: float = 2.0
    blur_px: float = 0.8
    uneven: float = 0.04
    rolling: float = 0.01
    band_strength: float = 0.3
    noise: float = 0.006
    jpeg_quality: int | None = 93

    @property
    def contrast(self) -> float:
        """Step of tone across the fusion line."""
        return abs(self.weld - self.haz)


@dataclass(frozen=True, slots=True, eq=False)
class EtchedPicture:
    """A picture (uint8, grey) with what is true in it: lines in px, values in mm, weld by weld, left to right."""

    picture: NDArray[np.uint8]
    section: EtchedSection
    etch: Etch
    camera: Camera
    fusion_px: tuple[tuple[Points, ...], ...]
    truth: tuple[Mapping[str, float], ...]


def random_etch(rng: np.random.Generator, *, contrast: float | None = None, blur_px: float | None = None) -> Etch:
    """Return an etch: weld metal darker or lighter than the zone beside it, grains columnar or fine."""
    wanted = float(rng.uniform(0.1, 0.5)) if contrast is None else contrast
    while True:
        parent = float(rng.uniform(0.25, 0.85))
        haz = parent + float(rng.choice([-1, -1, -1, 1])) * float(rng.uniform(0.03, 0.12))
        weld = haz + float(rng.choice([-1, 1])) * wanted
        low, high = min(parent, haz, weld), max(parent, haz, weld)
        if low > 0.24 and high < 0.95:
            background = 0.05
            break
        if low > 0.1 and high < 0.7:
            background = 0.93
            break
    return Etch(
        background=background,
        parent=parent,
        haz=haz,
        weld=weld,
        weld_grain="columnar" if rng.random() < 0.6 else "equiaxed",
        weld_grain_mm=float(rng.uniform(0.06, 0.25)),
        weld_texture=min(float(rng.uniform(0.02, 0.06)), 0.2 * abs(weld - background)),
        parent_grain_mm=float(rng.uniform(0.03, 0.12)),
        parent_texture=float(rng.uniform(0.01, 0.045)),
        haz_feather_mm=float(rng.uniform(0.08, 0.3)),
        fusion_blur_px=float(rng.uniform(1, 6)) if blur_px is None else blur_px,
        blur_px=float(rng.uniform(0.6, 1.4)),
        uneven=float(rng.uniform(0.0, 0.08)),
        rolling=float(rng.uniform(0.0, 0.02)),
        band_strength=float(rng.uniform(0.15, 0.5)),
        noise=float(rng.uniform(0.003, 0.012)),
        jpeg_quality=int(rng.integers(86, 97)) if rng.random() < 0.8 else None,
    )


def unetched(etch: Etch) -> Etch:
    """Return the same polish and grain without any etch of the weld: one tone, one grain, no bands anywhere."""
    return replace(
        etch, haz=etch.parent, weld=etch.parent, weld_grain="equiaxed", weld_grain_mm=etch.parent_grain_mm,
        weld_texture=etch.parent_texture, band_strength=0.0, rolling=0.0,
    )  # fmt: skip


def etched_picture(
    seed: int,
    joint: EtchedJoint,
    *,
    land_mm: float | None = None,
    contrast: float | None = None,
    blur_px: float | None = None,
    pores: int = 0,
    blank: bool = False,
    width_px: int = 2200,
    height_px: int = 1650,
) -> EtchedPicture:
    """Return a random etched section: one seed, one picture; ``land_mm`` keeps the welds of a "met_tee" apart."""
    rng = np.random.default_rng(seed)
    if joint == "met_tee":
        section = met_tee(rng, pores=pores, land_mm=land_mm)
    else:
        section = random_section(rng, joint, pores=pores)
    etch = random_etch(rng, contrast=contrast, blur_px=blur_px)
    x0, y0, x1, y1 = section.drawing.metal.bounds
    scale = float(rng.uniform(1.06, 1.2)) * max((x1 - x0) / width_px, (y1 - y0) / height_px)
    turn = float(rng.uniform(-6, 6))
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    plain = Camera(width_px, height_px, scale, turn)
    shift = plain.centre_px - plain.to_px(middle)[0]
    camera = replace(plain, shift_px=(float(shift[0]), float(shift[1])))
    return paint_etched(section, unetched(etch) if blank else etch, camera, rng)


def paint_etched(section: EtchedSection, etch: Etch, camera: Camera, rng: np.random.Generator) -> EtchedPicture:
    """Return the picture of a section."""
    tone = _tones(section, etch, camera, rng)
    rings = [
        camera.to_px(roughened(ring, rng, amplitude_mm=0.005, wavelength_mm=1.5))
        for ring in rings_of(section.drawing.metal)
    ]
    mask = cam.coverage(rings, camera.height_px, camera.width_px)
    height, width = mask.shape
    ground = etch.background + 0.004 * cloud(height, width, 4, rng)
    picture = ground * (1 - mask) + tone * mask
    picture = cam.blur(np.asarray(picture, np.float32), etch.blur_px)
    picture = cam.add_noise(picture, rng, read=etch.noise, shot=etch.noise)
    finished = cam.to_integers(picture, 8)
    if etch.jpeg_quality is not None:
        finished = cam.through_jpeg(finished, etch.jpeg_quality)
    lines = tuple(tuple(camera.to_px(line) for line in weld.fusion_mm) for weld in section.welds)
    return EtchedPicture(
        np.asarray(finished, np.uint8), section, etch, camera, lines, tuple(weld.values for weld in section.welds)
    )


def _tones(section: EtchedSection, etch: Etch, camera: Camera, rng: np.random.Generator) -> Plane:
    height, width = camera.height_px, camera.width_px
    parent = etch.parent + etch.parent_texture * grains(height, width, etch.parent_grain_mm / camera.mm_per_px, rng)
    if etch.rolling > 0:
        streaks = cv2.resize(cloud(height, max(8, width // 60), 4, rng), (width, height))
        parent += etch.rolling * streaks
    fine = etch.parent_texture * grains(height, width, 0.6 * etch.parent_grain_mm / camera.mm_per_px, rng)
    haz_share = cam.blur(_cover(section.haz, camera), etch.haz_feather_mm / camera.mm_per_px)
    tone = parent * (1 - haz_share) + (etch.haz + fine) * haz_share
    for weld in section.welds:
        # Painted beyond the metal's surface too, so that the blur of the fusion line stops at the toes.
        whole = weld.metal if weld.painted is None else weld.painted
        share = cam.blur(_cover(_beyond_surface(whole, section.drawing.metal), camera), etch.fusion_blur_px)
        x, y = camera.to_px(np.array([weld.metal.centroid.coords[0]]))[0]
        cell = etch.weld_grain_mm / camera.mm_per_px
        if etch.weld_grain == "columnar":
            texture = columns(height, width, cell, (float(x), float(y)), rng)
        else:
            texture = grains(height, width, cell, rng)
        metal = etch.weld + etch.weld_texture * texture
        bands = cam.blur(_cover(section.pass_bands, camera), 0.1 / camera.mm_per_px)
        metal += etch.band_strength * (etch.haz - etch.weld) * bands
        tone = tone * (1 - share) + metal * share
    # A later weld lies over an earlier one, but not over its pores.
    for pore in (pore for weld in section.welds for pore in weld.pores):
        spot = _cover(pore.shape, camera)
        tone += spot * ((0.05 if pore.dark else min(1.0, etch.weld + 0.35)) - tone)
    if not section.voids.is_empty:
        gap = _cover(section.voids, camera)
        tone += gap * (0.04 - tone)
    tone += etch.uneven * cloud(height, width, 9.0 / camera.mm_per_px, rng) * 0.5
    return np.asarray(tone, np.float32)


def _beyond_surface(weld: BaseGeometry, metal: BaseGeometry) -> BaseGeometry:
    return weld.union(weld.buffer(0.6).difference(metal))


def _cover(shape: BaseGeometry, camera: Camera) -> Plane:
    if shape.is_empty or (isinstance(shape, Polygon) and shape.area == 0):
        return np.zeros((camera.height_px, camera.width_px), np.float32)
    rings = [camera.to_px(cam.densify(ring, 0.3)) for ring in rings_of(shape)]
    return cam.coverage(rings, camera.height_px, camera.width_px)


def grains(height: int, width: int, cell_px: float, rng: np.random.Generator) -> Plane:
    """Return equiaxed grains (cells about random seeds, each with its tone), mean 0, standard deviation 1."""
    cell = max(cell_px, 1.2)
    shrink = max(1.0, cell / 5.0)
    rows, columns_ = max(8, round(height / shrink)), max(8, round(width / shrink))
    seeds = np.ones((rows, columns_), np.uint8)
    count = max(16, int(rows * columns_ / (cell / shrink) ** 2))
    seeds[rng.integers(0, rows, count), rng.integers(0, columns_, count)] = 0
    _, labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL)
    tones = rng.standard_normal(int(labels.max()) + 1).astype(np.float32)
    plane = cv2.resize(tones[labels], (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray((plane - plane.mean()) / max(float(plane.std()), 1e-6), np.float32)


def columns(height: int, width: int, cell_px: float, centre: tuple[float, float], rng: np.random.Generator) -> Plane:
    """Return columnar grains that lead towards a centre, six times as long as wide, standard deviation 1."""
    reach = math.hypot(height, width)
    x = np.arange(width, dtype=np.float32)[None, :] - centre[0]
    y = np.arange(height, dtype=np.float32)[:, None] - centre[1]
    radius, turn = np.hypot(x, y), np.arctan2(y, x)
    at_mm = 90.0  # the radius at which a grain has its nominal width, px
    around = max(64, int(2 * math.pi * at_mm / cell_px * 5))
    sheet = grains(max(32, int(reach / (6 * cell_px) * 5)), around, 5.0, rng)
    column = np.asarray((turn / (2 * math.pi) + 0.5) * (sheet.shape[1] - 1), np.float32)
    row = np.asarray(radius / reach * (sheet.shape[0] - 1), np.float32)
    return np.asarray(cv2.remap(sheet, column, row, cv2.INTER_LINEAR), np.float32)
