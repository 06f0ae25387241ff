"""A rounded-off line goes out into a tip that weld metal fills, and stays where it does not."""

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from vision.fusion_corner import sharpened
from vision.fusion_sheet import Sheet

SIZE = 300
TIP = np.array([150.0, 220.0])
"""The wedge of weld metal opens upwards from here."""


def wedge(half_angle_deg: float) -> np.ndarray:
    half = np.radians(half_angle_deg)
    arms = 190 * np.array([[-np.sin(half), -np.cos(half)], [np.sin(half), -np.cos(half)]])
    return np.array([TIP + arms[0], TIP, TIP + arms[1]])


def rounded(points: np.ndarray, by_px: float) -> np.ndarray:
    """Return the wedge's outline as a line whose corner is rounded off by a radius."""
    shape = Polygon(points).buffer(-by_px).buffer(by_px, quad_segs=40) if by_px else Polygon(points)
    ring = LineString(shape.exterior.coords)
    at = np.arange(0, ring.length, 2.0)
    line = np.array([ring.interpolate(a).coords[0] for a in at])
    line = line[np.argmin(np.hypot(*(line - points[0]).T)) - len(line) :]
    order = np.argsort(np.unwrap(np.arctan2(line[:, 1] - 60.0, line[:, 0] - 150.0) % (2 * np.pi)))
    line = line[order]
    keep = (line[:, 1] > points[0, 1] + 25) & ([Polygon(points).exterior.distance(Point(*p)) < 40 for p in line])
    return line[keep]


def picture(outline: np.ndarray, *, blur_px: float, grain: float, seed: int = 1):
    rng = np.random.default_rng(seed)
    mask = np.zeros((SIZE, SIZE), np.uint8)
    cv2.fillPoly(mask, [np.asarray(np.rint(outline * 16), np.int32)], 255, cv2.LINE_AA, 4)
    cover = cv2.GaussianBlur(mask, (0, 0), blur_px).astype(float) / 255
    texture = cv2.GaussianBlur(rng.standard_normal((SIZE, SIZE)), (0, 0), 1.5)
    gray = np.clip(90 + 70 * (1 - cover) + grain * texture / texture.std(), 0, 255).astype(np.uint8)
    whole = np.ones((SIZE, SIZE), np.uint8)
    return gray, Sheet(np.float32(gray), whole, whole, 0 * whole, 0 * whole, 90.0, np.zeros(2), 1.0)


def outline_of(half_angle_deg: float, radius_px: float) -> np.ndarray:
    return np.array(Polygon(wedge(half_angle_deg)).buffer(-radius_px).buffer(radius_px, quad_segs=40).exterior.coords)


def outside_of(line: np.ndarray) -> float:
    """Outside lies below the tip, at larger y: to the left as numbers (x, y) go when the way leads to larger x."""
    return 1.0 if line[-1, 0] > line[0, 0] else -1.0


@pytest.mark.parametrize("half_angle_deg", [35.0, 50.0])
@pytest.mark.parametrize("blur_px", [1.0, 4.0])
def test_a_sharp_tip_is_reached(half_angle_deg: float, blur_px: float) -> None:
    gray, sheet = picture(wedge(half_angle_deg), blur_px=blur_px, grain=6.0)
    line = rounded(wedge(half_angle_deg), 12.0)
    before = np.hypot(*(line - TIP).T).min()
    assert before > 3.0
    for way in (line, line[::-1]):
        moved, std = sharpened(gray, sheet, way, np.full(len(way), 0.5), 2.0, blur_px, outside_of(way), 1.0)
        nearest = int(np.argmin(np.hypot(*(moved - TIP).T)))
        off = float(np.hypot(*(moved[nearest] - TIP)))
        assert off < max(1.5, 0.3 * before)
        assert off < 3 * std[nearest]
        assert std[0] == 0.5


@pytest.mark.parametrize("blur_px", [1.0, 3.0])
def test_a_round_tip_stays_round(blur_px: float) -> None:
    gray, sheet = picture(outline_of(45.0, 14.0), blur_px=blur_px, grain=6.0)
    line = rounded(wedge(45.0), 14.0)
    moved, std = sharpened(gray, sheet, line, np.full(len(line), 0.5), 2.0, blur_px, outside_of(line), 1.0)
    shift = np.hypot(*(moved - line).T)
    assert shift.max() < 2.0
    assert (shift <= 3 * std).all()


def test_a_hollow_corner_and_a_gentle_bend_are_no_tips() -> None:
    gray, sheet = picture(wedge(50.0), blur_px=1.0, grain=3.0)
    line = rounded(wedge(50.0), 12.0)
    std = np.full(len(line), 0.5)
    # With outside on the other hand the same corner is a notch in the weld metal.
    notch, _ = sharpened(gray, sheet, line, std, 2.0, 1.0, -outside_of(line), 1.0)
    assert np.array_equal(notch, line)
    bend = np.column_stack([np.linspace(20, 280, 131), 150 + 20 * np.sin(np.linspace(0, np.pi, 131))])
    same, _ = sharpened(gray, sheet, bend, np.full(131, 0.5), 2.0, 1.0, -1.0, 1.0)
    assert np.array_equal(same, bend)
