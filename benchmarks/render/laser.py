"""A laser rig with known truth: stripes on profiles, with what spoils them in a workshop.

The laser plane has its own frame in mm: x right, y up (air above), origin where the optical axis meets it.
Camera coordinates are x right, y down, z ahead. A stripe is a Gaussian ridge about the exact projection of the
profile, so its true centre is known to the pixel's fraction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Rig:
    """A camera that looks at a laser plane.

    Attributes
    ----------
    mm_per_px
        Size of a pixel across, where the optical axis meets the laser plane.
    focal_px
        Focal length in pixels.
    lift_deg
        Angle between the optical axis and the normal of the laser plane; the camera looks down by it.
    roll_deg
        Turn of the camera about its axis.
    distortion
        k1, k2, p1, p2, k3.
    """

    width_px: int = 2048
    height_px: int = 1088
    mm_per_px: float = 0.045
    focal_px: float = 4000.0
    lift_deg: float = 35.0
    roll_deg: float = 0.0
    distortion: tuple[float, ...] = (-0.12, 0.05, 0.0005, -0.0004, 0.0)
    offset_px: tuple[float, float] = (9.0, -6.0)

    @property
    def camera_matrix(self) -> NDArray[np.float64]:
        cx, cy = (self.width_px - 1) / 2 + self.offset_px[0], (self.height_px - 1) / 2 + self.offset_px[1]
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    @property
    def frame(self) -> tuple[NDArray[np.float64], Points]:
        """Turn (3, 3) and place (3,) that take points of the laser plane's frame (x, y, z out of it) to the camera."""
        e, r = math.radians(self.lift_deg), math.radians(self.roll_deg)
        base = np.array([[1.0, 0, 0], [0, -math.cos(e), math.sin(e)], [0, -math.sin(e), -math.cos(e)]])
        roll = np.array([[math.cos(r), -math.sin(r), 0], [math.sin(r), math.cos(r), 0], [0, 0, 1.0]])
        return roll @ base, np.array([0.0, 0.0, self.focal_px * self.mm_per_px])

    @property
    def plane(self) -> tuple[Points, float]:
        """Unit normal n and distance d of the laser plane in camera coordinates: n · X = d."""
        turn, place = self.frame
        return turn[:, 2], float(turn[:, 2] @ place)

    def project(self, points: Points) -> Points:
        """Project (N, 3) camera points to pixels, lens included."""
        seen, _ = cv2.projectPoints(
            np.ascontiguousarray(points, float), np.zeros(3), np.zeros(3), self.camera_matrix, np.array(self.distortion)
        )
        return np.asarray(seen, float).reshape(-1, 2)

    def to_px(self, plane_mm: Points) -> Points:
        """Map (N, 2) points of the laser plane to pixels."""
        turn, place = self.frame
        flat = np.column_stack([plane_mm, np.zeros(len(plane_mm))])
        return self.project(flat @ turn.T + place)

    def rays(self) -> NDArray[np.float64]:
        """Return the direction (x / z, y / z) that each pixel looks along, (H, W, 2)."""
        from scipy.interpolate import RectBivariateSpline

        # The lens is smooth: a grid of every sixteenth pixel carries it to far below a thousandth of a pixel.
        step = 16
        xs = np.arange(-step, self.width_px + 2 * step, step, dtype=float)
        ys = np.arange(-step, self.height_px + 2 * step, step, dtype=float)
        grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 1, 2)
        exact = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-12)
        coarse = cv2.undistortPoints(grid, self.camera_matrix, np.array(self.distortion), criteria=exact)
        coarse = coarse.reshape(len(ys), len(xs), 2)
        across, down = np.arange(self.width_px), np.arange(self.height_px)
        planes = [RectBivariateSpline(ys, xs, coarse[..., i])(down, across) for i in (0, 1)]
        return np.stack(planes, axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """How the stripe and what is around it look.

    Attributes
    ----------
    amplitude, sigma_px, ground, noise
        Grey levels of 255, width of the ridge, level of the dark, standard deviation of white noise.
    sheet_px
        How far the thickness of the sheet of light reaches along the columns, on top of the ridge's own width, whatever
        the slope: a steep surface takes less light for its length.
    speckle
        Contrast of coherent speckle about one pixel large.
    dark
        (from, to) shares of the stripe's length without light.
    ghosts
        (polyline px, amplitude, sigma) of reflections and second stripes.
    sparks
        Number of spatter sparks.
    glow
        (x px, y px, radius px, grey levels) of arc light.
    dim
        (share of the length, factor) pairs between which the brightness runs linearly.
    """

    amplitude: float = 180.0
    sigma_px: float = 2.0
    ground: float = 12.0
    noise: float = 5.0
    speckle: float = 0.0
    dark: tuple[tuple[float, float], ...] = ()
    ghosts: tuple[tuple[Points, float, float], ...] = field(default_factory=tuple)
    sparks: int = 0
    glow: tuple[float, float, float, float] | None = None
    dim: tuple[tuple[float, float], ...] = ((0.0, 1.0), (1.0, 1.0))
    sheet_px: float = 0.0


def densified(line: Points, step: float) -> Points:
    """Return an open polyline with points no farther apart than ``step``."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    along = np.unique(np.concatenate([np.arange(0.0, length[-1], step), length]))
    return np.column_stack([np.interp(along, length, line[:, i]) for i in (0, 1)])


def ridge(
    shape: tuple[int, int], line_px: Points, sigma_px: float, weights: NDArray[np.float64] | None = None
) -> NDArray[np.float32]:
    """Return a Gaussian ridge of height 1 about an open polyline, (H, W); weights belong to the polyline's points."""
    from scipy.spatial import cKDTree

    height, width = shape
    result = np.zeros(shape, np.float32)
    dense = densified(line_px, 0.1)
    near = np.zeros(shape, np.uint8)
    inside = ((dense > -8) & (dense < [width + 8, height + 8])).all(axis=1)
    if not inside.any():
        return result
    pixel = np.clip(np.rint(dense[inside]).astype(int), 0, [width - 1, height - 1])
    near[pixel[:, 1], pixel[:, 0]] = 1
    reach = math.ceil(5.5 * sigma_px) + 1
    near = cv2.dilate(near, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    rows, columns = np.nonzero(near)
    distance, index = cKDTree(dense[inside]).query(np.column_stack([columns, rows]).astype(float))
    value = np.exp(-0.5 * (distance / sigma_px) ** 2)
    # At its ends a line is blurred along itself, too: half as bright there as inside.
    pixels = np.column_stack([columns, rows]).astype(float)
    for tip in (dense[0], dense[-1]):
        close = np.hypot(*(pixels - tip).T) < 6 * sigma_px
        value[close] = _light_of(dense, pixels[close], tip, sigma_px)
    if weights is not None:
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_px, axis=0).T))])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
        value = value * np.interp(along, length, weights)[inside][index]
    result[rows, columns] = value
    return result


def _light_of(line: Points, pixels: Points, tip: Points, sigma_px: float) -> NDArray[np.float64]:
    """Return the light of the part of a dense line near its tip at pixels (M, 2): the Gaussian spread of its points."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    share = np.gradient(length)
    share[[0, -1]] /= 2
    part = np.hypot(*(line - tip).T) < 11 * sigma_px
    square = ((pixels[:, None] - line[part][None]) ** 2).sum(axis=2)
    spread = np.exp(-0.5 * square / sigma_px**2) @ share[part]
    return np.asarray(spread / (sigma_px * math.sqrt(2 * math.pi)))


def stripe_picture(
    shape: tuple[int, int],
    line_px: Points | Sequence[Points],
    light: Light,
    rng: np.random.Generator,
    *,
    depth: int = 8,
) -> NDArray[Any]:
    """Return the frame of a stripe along an open polyline in pixels, or along its lit pieces; uint8 or uint16."""
    pieces = [line_px] if isinstance(line_px, np.ndarray) else list(line_px)
    dense = [densified(piece, 1.0) for piece in pieces]
    lengths = [np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))]) for piece in dense]
    whole = sum(float(length[-1]) for length in lengths)
    picture = np.zeros(shape, np.float32)
    before = 0.0
    for piece, length in zip(dense, lengths, strict=True):
        share = (before + length) / whole
        before += float(length[-1])
        weights = np.interp(share, [p[0] for p in light.dim], [p[1] for p in light.dim])
        for start, stop in light.dark:
            weights[(share >= start) & (share <= stop)] = 0.0
        picture = np.maximum(picture, light.amplitude * ridge(shape, piece, light.sigma_px, weights))
    if light.sheet_px > 0:
        picture = _thickened(picture, light)
    for line, amplitude, sigma in light.ghosts:
        picture = picture + amplitude * ridge(shape, np.asarray(line, float), sigma)
    if light.speckle > 0:
        picture = picture * speckle_field(shape, light.speckle, rng)
    return finished(picture, light, rng, depth=depth)


def _thickened(picture: NDArray[np.float32], light: Light) -> NDArray[np.float32]:
    """Return light along the columns as a sheet spreads it, where it is level as bright as before."""
    size = (1, 2 * math.ceil(5 * light.sheet_px) + 1)
    spread = cv2.GaussianBlur(picture, size, light.sheet_px)
    return np.asarray(spread * np.float32(math.hypot(light.sigma_px, light.sheet_px) / light.sigma_px), np.float32)


def finished(picture: NDArray[np.float32], light: Light, rng: np.random.Generator, *, depth: int = 8) -> NDArray[Any]:
    """Add sparks, glow, ground and noise to light of 255 grey levels and clip it as a sensor does."""
    shape = picture.shape
    if light.sparks:
        picture = picture + _sparks(shape, light.sparks, rng)
    if light.glow is not None:
        x, y, radius, level = light.glow
        rows, columns = np.ogrid[: shape[0], : shape[1]]
        picture = picture + level * np.exp(-0.5 * ((columns - x) ** 2 + (rows - y) ** 2) / radius**2)
    noisy = picture + light.ground + rng.normal(0.0, max(light.noise, 1e-9), shape)
    if depth == 16:
        return np.clip(np.rint(noisy * 257.0), 0, 65535).astype(np.uint16)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def speckle_field(shape: tuple[int, int], contrast: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return a multiplicative field of mean 1 with the given contrast, correlated over about one pixel."""
    field_ = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), 0.6)
    field_ /= float(field_.std())
    # Log-normal: never below 0, and its contrast is exact.
    spread = math.sqrt(math.log1p(contrast**2))
    return np.exp(spread * field_ - 0.5 * spread**2).astype(np.float32)


def _sparks(shape: tuple[int, int], count: int, rng: np.random.Generator) -> NDArray[np.float32]:
    height, width = shape
    result = np.zeros(shape, np.float32)
    for _ in range(count):
        x, y = rng.uniform(0, width), rng.uniform(0, height)
        angle, length = rng.uniform(0, math.pi), rng.uniform(0, 25)
        end = (x + length * math.cos(angle), y + length * math.sin(angle))
        level = float(rng.uniform(80, 600))
        canvas = np.zeros(shape, np.float32)
        cv2.line(canvas, (int(x), int(y)), (int(end[0]), int(end[1])), level, int(rng.integers(1, 5)))
        result += canvas
    return cv2.GaussianBlur(result, (0, 0), 1.0)


def turned(rig: Rig, **changes: Any) -> Rig:
    """Return the rig with some of its values changed."""
    return replace(rig, **changes)
