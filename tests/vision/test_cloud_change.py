"""Sections whose surfaces change along the seam are told: at the rim of a bead that crosses it, at a step."""

from __future__ import annotations

import numpy as np
import pytest

from vision.cloud import CHANGES, CROSSED, Cloud, sections
from vision.cloud_change import change_along, is_change

LENGTH_MM, BEAD_AT_MM, BEAD_HALF_MM = 40.0, 20.0, 4.0


def cloud(*, bead_mm: float = 0.0, ripple_mm: float = 0.0, rows_off_mm: float = 0.0, turned: float = 0.0) -> Cloud:
    """Return a butt weld along y, in rows, that a bead crosses; the right plate turns by so much per mm of the seam."""
    rng = np.random.default_rng(1)
    x, y = (part.ravel() for part in np.meshgrid(np.arange(-20, 20, 0.2), np.arange(0, LENGTH_MM, 0.25)))
    cap = np.abs(x) < 5
    z = np.where(cap, 2.0 * (1 - (x / 5) ** 2) + ripple_mm * cap * np.sin(2 * np.pi * y / 2.0), 0.0)
    share = (y - BEAD_AT_MM) / BEAD_HALF_MM
    z += np.where(np.abs(share) < 1, bead_mm * (1 - share**2), 0.0)
    z += np.where(x > 5, turned * (y - LENGTH_MM / 2) * (x - 5), 0.0)
    offs = rng.normal(0, rows_off_mm, len(np.unique(y)))
    z += offs[np.unique(y, return_inverse=True)[1]] + rng.normal(0, 0.04, len(x))
    return Cloud(np.column_stack([x, y, z]))


def reasons(seen: Cloud) -> dict[float, str]:
    found = sections(seen, 1.0, seam=(0, 1, 0), air=(0, 0, 1))
    return {section.position_mm + found.slab_mm / 2: section.reason for section in found}


def test_the_rims_of_what_crosses_are_told() -> None:
    told = reasons(cloud(bead_mm=1.5))
    on_rim = [at for at in told if BEAD_HALF_MM - 1.5 < abs(at - BEAD_AT_MM) < BEAD_HALF_MM]
    assert len(on_rim) >= 2
    assert all(told[at] in (CHANGES, CROSSED) for at in on_rim)
    assert CHANGES in told.values()
    assert all(not why for at, why in told.items() if abs(at - BEAD_AT_MM) > BEAD_HALF_MM + 2.0)


@pytest.mark.parametrize(
    "how", [{}, {"ripple_mm": 0.3}, {"rows_off_mm": 0.1}, {"turned": 0.001}], ids=["even", "ripples", "rows", "warped"]
)
def test_what_a_seam_does_all_along_is_no_change(how: dict[str, float]) -> None:
    told = reasons(cloud(**how))
    assert sum(why == CHANGES for why in told.values()) <= 0.03 * len(told)


def test_a_change_is_told_apart_from_scatter() -> None:
    rng = np.random.default_rng(2)
    along, across = rng.uniform(0, 1, 4000), rng.uniform(-10, 10, 4000)
    scatter = rng.normal(0, 0.1, 4000)
    assert change_along(along, across, scatter) < 0.03
    step = np.where((along > 0.5) & (across > 5), 0.4, 0.0)
    assert change_along(along, across, scatter + step) == pytest.approx(0.4, abs=0.03)
    assert change_along(along, across, np.full(4000, np.nan)) == 0.0
    assert is_change(0.4, 0.0)
    assert not is_change(0.4, 0.15)
