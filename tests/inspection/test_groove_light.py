"""Light beyond where the faces of a groove end: a dim bevel below an edge, a dim root face, a spark."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from calibration.model import from_pixel_size
from core.quantity import NotMeasurable, Quantity
from inspection.laser_frame import measure_frame
from measurement import measure
from vision.stray_light import goes_on_beyond_end, light_beyond_end
from vision.stripe import extract

SHAPE, MM_PER_PX = (480, 1000), 0.05
CALIBRATION = replace(from_pixel_size(MM_PER_PX, relative_std=0.0), kind="laser")
PLATES = [np.array([[10.0, 120.0], [440.0, 120.0]]), np.array([[560.0, 120.0], [990.0, 120.0]])]
FACES = [
    np.array([[10.0, 120.0], [380.0, 120.0], [470.0, 280.0]]),
    np.array([[530.0, 280.0], [620.0, 120.0], [990.0, 120.0]]),
]


def values(lines: list[np.ndarray], ghosts: tuple = (), seed: int = 5) -> dict[str, Quantity | NotMeasurable]:
    frame = stripe_picture(SHAPE, lines, Light(noise=3.0, ghosts=ghosts), np.random.default_rng(seed))
    (weld,) = measure_frame(frame, CALIBRATION, joint="groove").found.welds
    return dict(measure(weld.section))


@pytest.mark.parametrize(("amplitude", "told"), [(0.0, False), (14.0, True)])
def test_below_a_square_edge_a_faint_bevel_is_told(amplitude: float, told: bool) -> None:
    """Else the gap between the surfaces is given for that at the root: 6 mm for 3 mm."""
    bevel = np.array([[440.0, 120.0], [500.0, 280.0]])
    gap = values(PLATES, ((bevel, amplitude, 1.5),))["root_gap"]
    if told:
        assert isinstance(gap, NotMeasurable)
        assert "faint line" in gap.reason
    else:
        assert isinstance(gap, Quantity)
        assert gap.value == pytest.approx(120 * MM_PER_PX, abs=0.05)


@pytest.mark.parametrize(("sigma_px", "amplitude"), [(3.0, 8.0), (5.0, 14.0)])
def test_below_a_square_edge_a_thick_bevel_is_told(sigma_px: float, amplitude: float) -> None:
    """A thick line leads on as a thick stroke, whose flanks lie within it close to its middle."""
    bevel = np.array([[440.0, 120.0], [500.0, 280.0]])
    light = Light(noise=3.0, sigma_px=sigma_px, ghosts=((bevel, amplitude, sigma_px),))
    frame = stripe_picture(SHAPE, PLATES, light, np.random.default_rng(5))
    (weld,) = measure_frame(frame, CALIBRATION, joint="groove").found.welds
    assert isinstance(gap := measure(weld.section)["root_gap"], NotMeasurable)
    assert "faint line" in gap.reason


def test_a_piece_of_light_between_square_edges_leaves_the_gap_open() -> None:
    """All but a piece of a bevel is hidden: the gap between the surfaces was given for that at the root."""
    piece = np.array([[478.0, 200.0], [482.0, 216.0]])
    gap = values(PLATES, ((piece, 120.0, 1.5),))["root_gap"]
    assert isinstance(gap, NotMeasurable)
    assert "between the surfaces" in gap.reason
    beside = values(PLATES, ((piece - np.array([200.0, 0.0]), 120.0, 1.5),))["root_gap"]
    assert isinstance(beside, Quantity)


def test_a_faint_root_face_square_to_the_plate_leaves_the_gap_as_it_is() -> None:
    land = np.array([[470.0, 280.0], [470.0, 340.0]])
    clear, dim = values(FACES), values(FACES, ((land, 14.0, 1.5),))
    for name in ("root_gap", "preparation_depth_left"):
        assert isinstance(before := clear[name], Quantity)
        assert isinstance(after := dim[name], Quantity)
        assert after.value == pytest.approx(before.value, abs=0.03)


def test_a_faint_line_straight_on_leaves_the_depth_open() -> None:
    way = (FACES[0][2] - FACES[0][1]) / 160.0
    found = values(FACES, ((np.array([FACES[0][2], FACES[0][2] + 90.0 * way]), 14.0, 1.5),))
    for name in ("root_gap", "preparation_depth_left"):
        assert isinstance(found[name], NotMeasurable)
    assert isinstance(found["preparation_depth_right"], Quantity)


@pytest.mark.parametrize(("aside", "anywhere", "told"), [(0, False, True), (16, False, False), (16, True, True)])
def test_light_counts_straight_ahead_or_anywhere_beside_an_end(aside: int, anywhere: bool, told: bool) -> None:
    """What was taken for a root face is a spark where it leads on; a bevel turns away from there."""
    frame = stripe_picture(SHAPE, PLATES, Light(noise=3.0), np.random.default_rng(5))
    stripe = extract(frame)
    cv2.circle(frame, (458 - aside, 120 + aside), 5, 200, -1)
    end, ahead = np.array([440.0, 120.0]), np.array([1.0, 0.0])
    assert light_beyond_end(frame, stripe, end, ahead, 40.0, anywhere=anywhere) is told


@pytest.mark.parametrize("seen_on", [False, True])
def test_a_face_of_which_points_are_missing_goes_on_beyond_them(seen_on: bool) -> None:
    """The last point before them was taken for its end: a depth of 3.2 mm was told for 5.6 mm."""
    frame = stripe_picture(SHAPE, [FACES[0], PLATES[1]], Light(noise=3.0), np.random.default_rng(5))
    stripe = extract(frame)
    way = (FACES[0][2] - FACES[0][1]) / np.hypot(*(FACES[0][2] - FACES[0][1]))
    end = FACES[0][1] + 40.0 * way
    along = (stripe.points_px - end) @ way
    missing = (along > 0) & (along < (30.0 if seen_on else 1000.0)) & (stripe.points_px[:, 0] < 480)
    assert goes_on_beyond_end(replace(stripe, points_px=stripe.points_px[~missing]), end, way, 60.0) is seen_on


@pytest.mark.parametrize(("first", "told"), [(-60.0, False), (0.0, True)])
def test_a_strip_that_crosses_the_way_ahead_is_no_part_of_the_face(first: float, told: bool) -> None:
    """A backing was taken for the rest of the face above it; what bends off the line to one side may be that."""
    way = np.array([0.6, 0.8])
    end = FACES[0][1] + 40.0 * way
    frame = stripe_picture(SHAPE, [FACES[0], PLATES[1]], Light(noise=3.0), np.random.default_rng(5))
    stripe = extract(frame)
    strip = end + 30.0 * way + np.arange(first, 60.0)[:, None] * np.array([1.0, 0.0])
    assert goes_on_beyond_end(replace(stripe, points_px=strip), end, way, 60.0) is told
