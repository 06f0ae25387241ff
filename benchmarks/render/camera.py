"""The camera: section plane to pixels, exact area coverage, blur, noise, files' losses.

Pixel (0, 0) is the square from -0.5 to 0.5: a straight edge covers each pixel by its true share of
area, so an edge drawn at 10.25 lies at 10.25 in the picture frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

Plane = NDArray[np.float32]
Picture = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Camera:
    """How the section plane (mm, x right, y up) appears in the picture (px, x right, y down).

    Attributes
    ----------
    width_px, height_px
        Size of the picture.
    mm_per_px
        Size of one pixel at the picture's centre.
    rotation_deg
        Counter-clockwise rotation of the section in the picture, about its origin.
    shift_px
        Where the origin of the section plane lies, from the picture's centre.
    tilt_deg, tilt_axis_deg, distance_mm
        Tilt of the section plane about an axis in the plane through the picture's centre, and how far the camera is.
    k1
        Radial distortion: r' = r (1 + k1 r²), r in half picture diagonals.
    """

    width_px: int
    height_px: int
    mm_per_px: float
    rotation_deg: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    distance_mm: float = 400.0
    k1: float = 0.0

    @property
    def centre_px(self) -> Points:
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    @property
    def mm_to_px(self) -> NDArray[np.float64]:
        """Homography from the section plane to the picture, without the lens."""
        c, s = math.cos(math.radians(self.rotation_deg)), math.sin(math.radians(self.rotation_deg))
        scale = 1 / self.mm_per_px
        place = np.array(
            [[c * scale, -s * scale, self.shift_px[0]], [-s * scale, -c * scale, self.shift_px[1]], [0, 0, 1]]
        )
        a = math.radians(self.tilt_axis_deg)
        turn = np.array([[math.cos(a), math.sin(a), 0], [-math.sin(a), math.cos(a), 0], [0, 0, 1]])
        t = math.radians(self.tilt_deg)
        focal = self.distance_mm / self.mm_per_px
        tilt = np.array([[1, 0, 0], [0, math.cos(t), 0], [0, math.sin(t) / focal, 1]])
        centre = np.array([[1, 0, self.centre_px[0]], [0, 1, self.centre_px[1]], [0, 0, 1]])
        return np.asarray(centre @ turn.T @ tilt @ turn @ place)

    def to_px(self, points_mm: Points) -> Points:
        """Map (N, 2) section points into the picture."""
        points = np.atleast_2d(np.asarray(points_mm, float))
        mapped = np.column_stack([points, np.ones(len(points))]) @ self.mm_to_px.T
        px = mapped[:, :2] / mapped[:, 2:3]
        if self.k1 == 0:
            return np.asarray(px)
        arm = px - self.centre_px
        half = 0.5 * math.hypot(self.width_px, self.height_px)
        r2 = np.minimum(np.sum(arm**2, axis=1) / half**2, 4.0)
        return np.asarray(self.centre_px + arm * (1 + self.k1 * r2)[:, None])


def densify(ring: Points, step: float) -> Points:
    """Return a closed ring with no side longer than step (new points on its sides), first point not repeated."""
    points = np.asarray(ring, float)
    if np.allclose(points[0], points[-1]):
        points = points[:-1]
    following = np.roll(points, -1, axis=0)
    counts = np.maximum(1, np.ceil(np.hypot(*(following - points).T) / step)).astype(int)
    index = np.repeat(np.arange(len(points)), counts)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    share = (np.arange(len(index)) - first[index]) / counts[index]
    return np.asarray(points[index] + share[:, None] * (following[index] - points[index]))


def coverage(rings: Sequence[Points], height: int, width: int) -> Plane:
    """Return the share of each pixel that lies inside closed rings (px), 0 to 1, exact for polygons.

    Rings add up by their orientation: a hole runs against its outline. Signed areas are summed cell by
    cell along every side and integrated along the rows.
    """
    cells = np.zeros((height, width + 1), np.float32)
    for ring in rings:
        _accumulate(cells, np.asarray(ring, float) + 0.5)
    total = np.cumsum(cells, axis=1, dtype=np.float32)[:, :width]
    return np.clip(np.abs(total), 0.0, 1.0)


def _accumulate(cells: Plane, ring: Points) -> None:
    height, width = cells.shape[0], cells.shape[1] - 1
    start, end = ring, np.roll(ring, -1, axis=0)
    inside = (np.maximum(start[:, 1], end[:, 1]) > 0) & (np.minimum(start[:, 1], end[:, 1]) < height)
    start, end = start[inside], end[inside]
    if len(start) == 0:
        return
    edge, share = _crossings(start, end)
    point = start[edge] + share[:, None] * (end - start)[edge]
    same = edge[1:] == edge[:-1]
    a, b = point[:-1][same], point[1:][same]
    rise = b[:, 1] - a[:, 1]
    middle = (a + b) / 2
    row = np.floor(middle[:, 1]).astype(int)
    column = np.floor(middle[:, 0]).astype(int)
    into = middle[:, 0] - column
    left = column < 0
    column[left], into[left] = 0, 0.0
    keep = (row >= 0) & (row < height) & (column < width) & (rise != 0)
    flat = row[keep] * (width + 1) + column[keep]
    size = cells.size
    target = cells.reshape(-1)
    low = int(flat.min()) if len(flat) else 0
    span = (int(flat.max()) + 2 - low) if len(flat) else 0
    if span:
        window = target[low : min(low + span, size)]
        weights = rise[keep]
        added = np.bincount(flat - low, weights * (1 - into[keep]), span)
        added += np.bincount(flat + 1 - low, weights * into[keep], span)
        window += added[: len(window)].astype(np.float32)


def _crossings(start: Points, end: Points) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return, sorted along each side, the shares at which sides start, cross a pixel border, and end."""
    number = len(start)
    edges = [np.arange(number), np.arange(number)]
    shares = [np.zeros(number), np.ones(number)]
    for axis in (0, 1):
        low = np.minimum(start[:, axis], end[:, axis])
        high = np.maximum(start[:, axis], end[:, axis])
        first = np.floor(low) + 1
        count = np.maximum(0, np.ceil(high) - first).astype(int)
        index = np.repeat(np.arange(number), count)
        offset = np.arange(len(index)) - np.repeat(np.cumsum(count) - count, count)
        line = first[index] + offset
        length = (end - start)[index, axis]
        edges.append(index)
        shares.append((line - start[index, axis]) / length)
    edge, share = np.concatenate(edges), np.concatenate(shares)
    order = np.lexsort((share, edge))
    return edge[order], share[order]


def blur(picture: Plane, sigma_px: float, *, sigma_edge_px: float | None = None) -> Plane:
    """Blur by a Gaussian; with sigma_edge_px the blur grows from the centre to that at the border."""
    near = cv2.GaussianBlur(picture, (0, 0), sigma_px) if sigma_px > 0.05 else picture
    if sigma_edge_px is None or sigma_edge_px <= sigma_px:
        return np.asarray(near, np.float32)
    far = cv2.GaussianBlur(picture, (0, 0), sigma_edge_px)
    height, width = picture.shape[:2]
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    weight = np.clip((x**2 + y**2) / 2, 0, 1)
    if picture.ndim == 3:
        weight = weight[..., None]
    return np.asarray(near * (1 - weight) + far * weight, np.float32)


def add_noise(picture: Plane, rng: np.random.Generator, *, read: float, shot: float) -> Plane:
    """Add noise of standard deviation sqrt(read² + shot² · value) (full scale 1)."""
    noise = rng.standard_normal(picture.shape, dtype=np.float32)
    return np.asarray(picture + noise * np.sqrt(read**2 + shot**2 * np.clip(picture, 0, 1)), np.float32)


def to_integers(picture: Plane, bits: int) -> Picture:
    """Round a picture of full scale 1 to 8 or 16 bits."""
    top = 255 if bits == 8 else 65535
    scaled = np.clip(picture * top + 0.5, 0, top)
    return np.asarray(scaled, np.uint8) if bits == 8 else np.asarray(scaled, np.uint16)


def through_jpeg(picture: Picture, quality: int) -> NDArray[np.uint8]:
    """Return an 8-bit picture as it comes back from a JPEG file."""
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    flag = cv2.IMREAD_GRAYSCALE if picture.ndim == 2 else cv2.IMREAD_COLOR
    return np.asarray(cv2.imdecode(data, flag), np.uint8)
