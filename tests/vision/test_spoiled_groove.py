"""Grooves in spoiled lines and profiles: sparks beside a gap, faces that scatter, a reflection above the plates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.errors import NothingMeasurable
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.detached import in_air
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWeld
from vision.profile import Profile
from vision.profile_file import profile_from_points

STEP_MM = 0.05


def profile_of(pieces: list[np.ndarray], noise_mm: list[float], seed: int) -> Profile:
    """Return a profile of polylines, each with its own scatter across the picture's columns."""
    rng = np.random.default_rng(seed)
    parts = []
    for corners, noise in zip(pieces, noise_mm, strict=True):
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
        at = np.arange(0.0, way[-1], STEP_MM)
        part = np.column_stack([np.interp(at, way, corners[:, i]) for i in (0, 1)])
        parts.append(part + np.array([0.0, 1.0]) * rng.normal(0.0, noise, len(part))[:, None])
    found = profile_from_points(np.vstack(parts))
    std = np.concatenate([np.full(len(part), noise) for part, noise in zip(parts, noise_mm, strict=True)])
    return replace(found, std_mm=std) if len(std) == len(found.points_mm) else found


def the_weld(profile: Profile, joint: str = "groove") -> FoundWeld:
    (weld,) = find_welds_in_profile(profile, joint=joint).welds
    return weld


def test_sparks_on_a_plate_hide_no_gap() -> None:
    plates = [np.array([[-25.0, 0.0], [-1.5, 0.0]]), np.array([[1.5, 0.0], [25.0, 0.0]])]
    profile = profile_of(plates, [0.004, 0.004], 1)
    points = profile.points_mm.copy()
    points[:, 1] += 0.3 * np.maximum(0.0, 1.0 - np.abs(points[:, 0] + 6.0) / 0.4)
    gap = measure(the_weld(replace(profile, points_mm=points)).section)["root_gap"]
    assert isinstance(gap, Quantity)
    assert gap.value == pytest.approx(3.0, abs=0.1)


def test_a_surface_that_turns_down_at_the_gap_is_no_square_edge() -> None:
    left = np.array([[-25.0, 0.0], [-1.9, 0.0], [-1.5, -0.25]])
    with pytest.raises(NothingMeasurable):
        the_weld(profile_of([left, np.array([[1.5, 0.0], [25.0, 0.0]])], [0.004, 0.004], 1))


@pytest.mark.parametrize("seed", range(3))
def test_faces_that_scatter_more_than_the_plates_are_faces(seed: int) -> None:
    """Steep faces give little light; what is straight was judged by the scatter of the plates alone."""
    pieces = [
        np.array([[-25.0, 0.0], [-7.0, 0.0]]),
        np.array([[-7.0, 0.0], [-1.0, -9.0]]),
        np.array([[1.0, -9.0], [7.0, 0.0]]),
        np.array([[7.0, 0.0], [25.0, 0.0]]),
    ]
    found = measure(the_weld(profile_of(pieces, [0.006, 0.006, 0.06, 0.006], seed)).section)
    for side in ("left", "right"):
        angle = found[f"bevel_angle_{side}"]
        assert isinstance(angle, Quantity)
        assert abs(angle.value - np.degrees(np.arctan2(6.0, 9.0))) < 0.3
        assert 0.0 < (angle.expanded_uncertainty or 0.0) < 0.5


REFLECTED = [
    np.array([[-25.0, 0.0], [-4.0, 0.0]]),
    np.array([[-1.0, -5.0], [2.0, 0.0]]),
    np.array([[1.6, 1.2], [2.4, 1.9], [6.0, 1.6]]),  # where the plate is dark, the second line
    np.array([[6.6, 0.0], [25.0, 0.0]]),
]


def test_what_hangs_in_the_air_above_both_plates_is_left_out_and_told() -> None:
    weld = the_weld(profile_of(REFLECTED, [0.004] * 4, 2))
    assert "stray_points" in {flag.code for flag in weld.section.flags}
    found = measure(weld.section)
    angle, offset = found["bevel_angle_right"], found["misalignment"]
    assert isinstance(angle, Quantity)
    assert isinstance(offset, Quantity)
    assert angle.value == pytest.approx(np.degrees(np.arctan2(3.0, 5.0)), abs=0.2)
    assert offset.value == pytest.approx(0.0, abs=0.02)
    assert isinstance(found["bevel_angle_left"], NotMeasurable)


def test_only_pieces_between_two_gaps_above_both_plates_hang_in_the_air() -> None:
    assert len(in_air(profile_of(REFLECTED, [0.004] * 4, 2))) == 1
    whole = [*REFLECTED[:2], np.array([[2.0, 0.0], [25.0, 0.0]])]
    assert not in_air(profile_of(whole, [0.004] * 3, 2))
    cap = [REFLECTED[0], np.array([[-3.5, 0.0], [0.0, 1.0], [3.5, 0.0]]), np.array([[3.5, 0.0], [25.0, 0.0]])]
    assert not in_air(profile_of(cap, [0.004] * 3, 2))
