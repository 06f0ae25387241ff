"""Missing points of a profile file leave open what may lie in them, as those of a laser line do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from inspection.gap_doubt import _begins
from inspection.picture import measure_file
from inspection.settings import Settings

CAP_MM, WIDTH_MM = 1.8, 11.0


def measured(tmp_path: Path, low_mm: float, high_mm: float, *, words: bool = False) -> dict:
    """Measure a cap without the points from low to high; ``words`` leaves the rows and blanks the heights."""
    x = np.arange(-30.0, 30.0, 0.08)
    radius = (WIDTH_MM**2 / 4 + CAP_MM**2) / (2 * CAP_MM)
    rise = np.sqrt(np.maximum(radius**2 - x**2, 0)) - (radius - CAP_MM)
    z = np.where(np.abs(x) < WIDTH_MM / 2, rise, 0.0) + np.random.default_rng(1).normal(0, 0.01, len(x))
    seen = (x < low_mm) | (x > high_mm)
    rows = [f"{a:.3f},{b:.4f}" if ok else f"{a:.3f}," for a, b, ok in zip(x, z, seen, strict=True) if ok or words]
    path = tmp_path / "cap.csv"
    path.write_text("x_mm,z_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    (weld,) = measure_file(path, Settings())["welds"]
    return weld


@pytest.mark.parametrize("words", [False, True])
def test_gaps_of_a_file(words: bool, tmp_path: Path) -> None:
    weld = measured(tmp_path, 5.0, 6.5, words=words)
    assert "gap_at_toe" in [flag["code"] for flag in weld["flags"]]
    assert weld["measurements"]["undercut_right"]["state"] == "not_measurable"
    weld = measured(tmp_path, -1.0, 1.0, words=words)
    assert "gap_in_face" in [flag["code"] for flag in weld["flags"]]
    assert weld["measurements"]["reinforcement"]["value"] == pytest.approx(CAP_MM, abs=0.05)
    weld = measured(tmp_path, -20.0, -19.9, words=words)
    assert weld["flags"] == []


def test_what_lies_below_beyond_the_end_of_a_plate_is_no_hollow_of_the_weld(tmp_path: Path) -> None:
    """A bench seen beyond a standing plate lies below the toe, along the line of the plate."""
    x = np.arange(-20.0, 20.0, 0.08)
    z = np.maximum(np.abs(x), 4.0)
    bench = np.arange(-32.0, -24.0, 0.08)
    points = np.vstack([np.column_stack([bench, np.full(len(bench), -24.0)]), np.column_stack([x, z])])
    points[:, 1] += np.random.default_rng(1).normal(0, 0.01, len(points))
    path = tmp_path / "tee.csv"
    np.savetxt(path, points, fmt="%.4f", delimiter=",", header="x_mm,z_mm", comments="")
    (weld,) = measure_file(path, Settings())["welds"]
    for side in ("left", "right"):
        assert weld["measurements"][f"undercut_{side}"]["state"] == "measured"


@pytest.mark.parametrize(("stray", "begins"), [(1, True), (2, True), (3, False)])
@pytest.mark.parametrize("side", ["left", "right"])
def test_a_face_begins_with_a_gap_but_for_a_stray_point_or_two(side: str, stray: int, begins: bool) -> None:
    x = np.concatenate([[0.0], 0.2 + 0.05 * np.arange(stray), np.arange(3.0, 6.0, 0.05)])
    face = np.column_stack([x, np.sin(x)])
    ends = face[stray : stray + 2]
    if side == "right":
        face, ends = face[::-1], ends[::-1]
    assert _begins(face, side, ends) is begins
