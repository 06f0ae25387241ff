"""Where surfaces end in a section of a cloud: against the bound of the same points, and against what misleads."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks.cloud_bound import root_gap_std
from benchmarks.render.cloud import Scan, scan
from benchmarks.render.geometry import PlateEnd
from benchmarks.render.grooves import Edge, groove
from core.quantity import Quantity
from measurement import measure
from vision.cloud_profile import SlabProfile, profile_of_slab
from vision.find_profile import find_welds_in_profile

FAR = {"end_left": PlateEnd(40), "end_right": PlateEnd(40)}


def slab(
    seed: int, gap_mm: float, bevels: tuple[float, float], lands: tuple[float, float], noise_mm: float
) -> SlabProfile:
    """Return the section that 3 mm of a scanned groove give, with a surface 9 mm behind it."""
    left, right = (Edge("bevel", bevel, land) for bevel, land in zip(bevels, lands, strict=True))
    drawing = groove(
        thickness_left_mm=10, thickness_right_mm=10, left=left, right=right, root_gap_mm=gap_mm, offset_mm=0.2, **FAR
    )
    cloud = scan(drawing, Scan(length_mm=3.0, noise_mm=noise_mm, behind_mm=9.0, turned=False), seed)
    made = profile_of_slab(cloud.points_mm[:, 1:])
    assert made is not None
    return made


def root_gap(made: SlabProfile) -> Quantity:
    (weld,) = find_welds_in_profile(made.profile, joint="groove").welds
    value = measure(weld.section)["root_gap"]
    assert isinstance(value, Quantity)
    return value


def test_root_gaps_in_scattering_clouds_come_near_their_bound() -> None:
    off, held, bound = [], [], []
    for seed in range(40):
        rng = np.random.default_rng([seed, 8])
        gap, noise = float(rng.uniform(1.2, 4.0)), float(rng.uniform(0.1, 0.15))
        bevels, lands = tuple(rng.uniform(20, 35, 2).tolist()), tuple(rng.uniform(1, 2, 2).tolist())
        told = root_gap(slab(seed, gap, bevels, lands, noise))
        off.append(told.value - gap)
        held.append(abs(off[-1]) <= (told.expanded_uncertainty or 0.0))
        bound.append(root_gap_std(bevels, (10 - lands[0], 10 - lands[1]), noise))
    assert math.sqrt(float(np.mean(np.square(off)))) < 1.5 * math.sqrt(float(np.mean(np.square(bound))))
    assert float(np.mean(np.abs(off) < 0.08)) >= 0.85
    assert float(np.mean(held)) >= 0.9


@pytest.mark.parametrize("seed", range(3))
def test_a_slanted_surface_behind_a_wide_gap_is_no_face_of_the_groove(seed: int) -> None:
    told = root_gap(slab(seed, 3.9, (27.0, 30.0), (1.0, 2.0), 0.11))
    assert abs(told.value - 3.9) < 0.2


@pytest.mark.parametrize("seed", range(6))
def test_a_narrow_gap_in_scattering_points_is_seen_on_both_sides(seed: int) -> None:
    made = slab(seed, 1.25, (30.0, 30.0), (1.0, 1.2), 0.145)
    profile = made.profile
    ends = {gap.after for gap in profile.gaps if gap.after in profile.end_shifts_mm}
    assert any(after + 1 in profile.end_shifts_mm for after in ends)
    assert abs(root_gap(made).value - 1.25) < 0.2
