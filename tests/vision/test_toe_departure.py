"""Waves of a plate are no face, however their points scatter."""

from __future__ import annotations

import numpy as np
import pytest

from vision.toe_departure import departure

STEP_MM, THRESHOLD_MM = 0.02, 0.012


def path(wave_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a plate of 7.5 mm with a wave at its far end, then a face at 25 degrees; and its heights."""
    along = np.arange(0, 14, STEP_MM)
    height = np.where(along < 1.8, wave_mm * np.sin(np.pi * along / 1.8), 0.0)
    height += np.maximum(along - 7.5, 0.0) * np.tan(np.radians(25))
    return np.column_stack([along, height]), height


@pytest.mark.parametrize("stray", [0.0, -1.1])
def test_a_wave_far_from_the_weld_is_passed(stray: float) -> None:
    """A single point beyond the threshold, after the wave, does not cut the plate behind it short."""
    points, height = path(0.02)
    height[round(2.2 / STEP_MM)] = stray * THRESHOLD_MM
    sign, leave = departure(points, height, THRESHOLD_MM, 0, (100, len(points) - 1))
    assert sign == 1
    assert leave is not None
    assert points[leave, 0] == pytest.approx(7.5, abs=0.1)


def test_many_points_beyond_the_threshold_are_seen() -> None:
    points, height = path(0.0)
    height[(points[:, 0] > 5.0) & (points[:, 0] < 7.5)] = -2.5 * THRESHOLD_MM
    height[points[:, 0] >= 7.5] *= -1
    sign, leave = departure(points, height, THRESHOLD_MM, 0, (100, len(points) - 1))
    assert sign == -1
    assert leave is not None
    assert points[leave, 0] == pytest.approx(5.0, abs=0.1)


def waved(wave_mm: float, rise_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a plate that lies above its line from 5.5 to 7.5 mm, then a face that rises from there; and heights."""
    along = np.arange(0, 12, STEP_MM)
    height = wave_mm * np.sin(np.pi / 2 * np.clip((along - 5.5) / 1.0, 0, 1))
    height += np.maximum(along - 7.5, 0.0) * np.tan(np.radians(rise_deg))
    return np.column_stack([along, height]), height


def test_a_steep_face_begins_beyond_a_low_wave_beside_it() -> None:
    points, height = waved(1.5 * THRESHOLD_MM, 60)
    sign, leave = departure(points, height, THRESHOLD_MM, 1, (100, len(points) - 1))
    assert sign == 1
    assert leave is not None
    assert points[leave, 0] == pytest.approx(7.5, abs=0.05)


@pytest.mark.parametrize(("wave", "rise_deg"), [(1.5, 12), (3.0, 60)])
def test_a_gentle_or_high_beginning_is_of_the_face(wave: float, rise_deg: float) -> None:
    points, height = waved(wave * THRESHOLD_MM, rise_deg)
    sign, leave = departure(points, height, THRESHOLD_MM, 1, (100, len(points) - 1))
    assert sign == 1
    assert leave is not None
    assert points[leave, 0] < 6.5


@pytest.mark.parametrize("stray", [(), (-0.38, -0.38)])
def test_a_point_that_scatters_up_to_the_line_does_not_part_an_undercut(stray: tuple[float, ...]) -> None:
    """Undercut of 0.8 mm and 3 mm wide, then one point on the line and two below it again, then the cap."""
    groove = -0.8 * np.sin(np.pi * np.arange(1, 29) / 32)
    cap = 1.8 * np.sin(np.pi * np.arange(1, 180) / 180)
    rim = np.array([-0.21, *stray] if stray else [])
    height = np.concatenate([np.zeros(160), groove, rim, cap, np.zeros(120)])
    path = np.column_stack([0.1 * np.arange(len(height)), height])
    sign, leave = departure(path, height, 0.24, 0, (100, len(height) - 110))
    assert sign == 1
    assert leave == pytest.approx(160 + len(groove) + len(rim), abs=8)


def disturbed(strays: list[tuple[float, float, float]], gap: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Return a plate, then from 9 to 15 mm a cap, then a plate again, without the points of a gap; and heights.

    ``strays`` are stretches of a plate (from, to, height) whose points lie off it.
    """
    along = np.arange(0, 24, STEP_MM)
    height = np.clip(0.8 * (1 - ((along - 12) / 3) ** 2), 0.0, None)
    for start, stop, by in strays:
        height[(along >= start) & (along < stop)] = by
    seen = (along < gap[0]) | (along > gap[1])
    return np.column_stack([along, height])[seen], height[seen]


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("begin_mm", [4.0, 8.5])
def test_points_that_stray_to_both_sides_beside_a_dropout_are_no_face(sign: float, begin_mm: float) -> None:
    """Where light is cut off askew the last points before a gap lie on one side, the first behind it on the other."""
    points, height = disturbed([(4.8, 5.2, 0.08 * sign), (6.4, 6.9, -0.1 * sign)], (5.2, 6.4))
    begin = int(np.searchsorted(points[:, 0], begin_mm))
    side, leave = departure(points, height, THRESHOLD_MM, 0, (begin, len(points) - 400))
    assert side == 1
    assert leave is not None
    assert points[leave, 0] == pytest.approx(9.0, abs=0.1)


def test_a_dim_stretch_within_a_plate_is_no_face() -> None:
    """No point is missing there, and what strays is longer than spatter: the plate's own stretch goes on behind it."""
    strays = [(2.0 + 0.4 * turn, 2.3 + 0.4 * turn, 0.06 * (-1) ** turn) for turn in range(6)]
    points, height = disturbed(strays, (30.0, 30.0))
    begin = int(np.searchsorted(points[:, 0], 8.5))
    side, leave = departure(points, height, THRESHOLD_MM, 0, (begin, len(points) - 400))
    assert side == 1
    assert leave is not None
    assert points[leave, 0] == pytest.approx(9.0, abs=0.1)


def test_a_low_face_beside_a_dropout_is_still_the_face() -> None:
    """An undercut, a face and the plate behind it, as wide as a weld is, are not passed for disturbed light."""
    along = np.arange(0, 24, STEP_MM)
    height = np.clip(0.15 * (1 - ((along - 12) / 2) ** 2), 0.0, None)
    height[(along >= 9.4) & (along < 10.0)] = -0.1
    height[(along >= 14.0) & (along < 14.6)] = -0.1
    seen = (along < 8.6) | (along > 9.4)
    points = np.column_stack([along, height])[seen]
    begin = int(np.searchsorted(points[:, 0], 8.5))
    _, leave = departure(points, height[seen], THRESHOLD_MM, 0, (begin, len(points) - 400))
    assert leave is not None
    assert 8.5 < points[leave, 0] < 10.1


def hollow_and_cap(wide_mm: float, deep_mm: float, cap_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a plate of 8 mm, a hollow beside a cap (both of circular arcs, nearly), a plate behind it; and heights."""
    along = np.arange(0, 8 + wide_mm + cap_mm + 8, STEP_MM)
    hollow = np.clip((along - 8.0) / wide_mm, 0, 1)
    cap = np.clip((along - 8.0 - wide_mm) / cap_mm, 0, 1)
    height = -4 * deep_mm * hollow * (1 - hollow) + 4 * 0.7 * cap * (1 - cap)
    return np.column_stack([along, height]), height


@pytest.mark.parametrize(("wide", "deep", "side"), [(2.8, 0.75, 1), (3.3, 0.6, 1), (3.3, 0.25, -1), (4.5, 0.8, -1)])
def test_a_steep_hollow_beside_a_smaller_cap_is_undercut(wide: float, deep: float, side: int) -> None:
    """Undercut wider than half of the cap passed for underfill, and the cap was told as 7.8 mm wide for 5.0."""
    points, height = hollow_and_cap(wide, deep, 5.0)
    last = round((8.0 + wide + 5.0) / STEP_MM)
    sign, leave = departure(points, height, THRESHOLD_MM, 0, (round(7.9 / STEP_MM), last))
    assert sign == side
    assert leave is not None
    assert points[leave, 0] == pytest.approx(8.0 + (wide if side > 0 else 0.0), abs=0.1)
