"""Real laser scans of a weld bead: spikes and dropouts do not move the fitted crest (data: see the folder's README)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from measurement.peak import highest_inside
from measurement.uncertainty import Noise
from vision.cloud_profile import profile_of_slab

FILE = Path(__file__).resolve().parents[1] / "data" / "scanned-wall" / "scans-100-159.csv"
TOGETHER = 5
"""Neighbouring scans that make one section, as a slab of a cloud does."""


def groups() -> list[np.ndarray]:
    """Return x and height of the points of neighbouring scans."""
    table = np.loadtxt(FILE, delimiter=",", skiprows=1)
    scans = [table[table[:, 0] == number, 1:] * [1.0, -1.0] for number in np.unique(table[:, 0])]
    scans = [scan for scan in scans if len(scan) >= 20]
    return [np.vstack(scans[i : i + TOGETHER]) for i in range(0, len(scans) - TOGETHER + 1, TOGETHER)]


def crest(points: np.ndarray) -> float:
    slab = profile_of_slab(points)
    assert slab is not None
    profile = slab.profile
    x, height = profile.points_mm[np.argsort(profile.points_mm[:, 0], kind="stable")].T
    noise = Noise(float(np.median(profile.std_mm)), 1.0, 0.0, profile.blur_mm, profile.resolution_mm, {})
    return highest_inside(x, height, noise).height


def spoiled(points: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Drop 15 % of the points, and move 6 % of the rest up or down by 0.8 to 12 mm."""
    kept = points[rng.random(len(points)) > 0.15].copy()
    spikes = rng.random(len(kept)) < 0.06
    kept[spikes, 1] += rng.choice([-1, 1], spikes.sum()) * rng.uniform(0.8, 12, spikes.sum())
    return kept


def test_crest_of_real_scans_holds_against_spikes_and_dropouts() -> None:
    sections = groups()
    assert len(sections) >= 10
    as_scanned = np.array([crest(section) for section in sections])
    # The wall rises slowly along its length: second differences show what neighbours differ by beyond that.
    spread = 1.4826 * float(np.median(np.abs(np.diff(as_scanned, 2)))) / np.sqrt(6)
    assert 0.02 < spread < 0.2
    rng = np.random.default_rng(0)
    moved, naive = [], []
    for section, true in zip(sections, as_scanned, strict=True):
        for _ in range(8):
            bad = spoiled(section, rng)
            moved.append(crest(bad) - true)
            naive.append(bad[:, 1].max() - section[:, 1].max())
    assert np.abs(moved).max() < spread
    # The highest point itself is at the mercy of the spikes.
    assert np.median(np.abs(naive)) > 10 * spread


@pytest.mark.parametrize("shift_mm", [0.0, 3.0])
def test_spikes_that_the_scans_came_with_are_left_out(shift_mm: float) -> None:
    """Points at both edges lie up to 12 mm below the crown, and none of it is the crown."""
    for section in groups():
        slab = profile_of_slab(section + np.array([shift_mm, shift_mm]))
        heights = slab.profile.points_mm[:, 1]
        top = np.percentile(section[:, 1], 90) + shift_mm
        assert abs(heights.max() - top) < 0.5
