import math

import numpy as np
import pytest

from benchmarks.render.camera import Camera, coverage, densify


def crossing(row: np.ndarray) -> float:
    """Where a row that falls from 1 to 0 passes one half, by its integral: exact for a straight edge."""
    return float(row.sum() - 0.5)


@pytest.mark.parametrize("edge_px", [10.0, 10.25, 10.5, 10.83])
def test_an_upright_edge_lies_at_its_sub_pixel_place(edge_px: float) -> None:
    square = np.array([[-5.0, -5.0], [edge_px, -5.0], [edge_px, 50.0], [-5.0, 50.0]])
    share = coverage([square], 20, 30)
    assert crossing(share[10]) == pytest.approx(edge_px, abs=1e-5)


@pytest.mark.parametrize("angle_deg", [3.0, 20.0, 45.0, 71.0])
def test_an_oblique_edge_lies_within_two_hundredths_of_a_pixel(angle_deg: float) -> None:
    normal = np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])
    along = np.array([-normal[1], normal[0]])
    point = np.array([50.3, 49.1])
    ring = np.array([point + 300 * along, point - 300 * along, point - 300 * along - 300 * normal,
                     point + 300 * along - 300 * normal])  # fmt: skip
    share = coverage([ring], 100, 100)
    if angle_deg > 45:
        share, point, normal = share.T, point[::-1], normal[::-1]
    for row in range(30, 70, 7):
        true = point[0] - (row - point[1]) * normal[1] / normal[0]
        # area of a trapezoid cut by the pixel row: its integral is exact at the row's middle
        assert crossing(share[row]) == pytest.approx(true, abs=0.02)


def test_area_of_a_polygon_with_a_hole_is_exact() -> None:
    outline = np.array([[3.3, 4.1], [60.7, 9.9], [55.2, 71.4], [7.9, 64.6]])
    hole = np.array([[20.2, 20.2], [20.2, 40.7], [40.1, 40.7], [40.1, 20.2]])
    share = coverage([outline, hole], 90, 90)
    x, y = outline.T
    whole = abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2
    assert share.sum(dtype=float) == pytest.approx(whole - 19.9 * 20.5, abs=0.01)


def test_a_ring_that_leaves_the_picture_fills_only_what_is_seen() -> None:
    ring = np.array([[-500.0, 4.5], [500.0, 4.5], [500.0, 700.0], [-500.0, 700.0]])
    share = coverage([ring], 20, 30)
    assert share[:5].max() == 0
    assert share[5:].min() == pytest.approx(1.0, abs=1e-5)


def test_rotation_turns_counter_clockwise_with_the_y_axis_up() -> None:
    camera = Camera(401, 301, 0.05, rotation_deg=90.0)
    up = camera.to_px(np.array([[0.0, 0.0], [1.0, 0.0]]))
    assert up[0] == pytest.approx([200.0, 150.0])
    assert up[1] == pytest.approx([200.0, 130.0])


def test_densify_keeps_the_corners() -> None:
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    dense = densify(square, 0.3)
    assert len(dense) == 16
    for corner in square:
        assert np.hypot(*(dense - corner).T).min() < 1e-12
