"""``toeline measure --outside-diameter`` on a profile across a pipe's longitudinal seam."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from cli.main import run


def pipe_profile(path: Path) -> Path:
    along = np.arange(-25, 25, 0.05)
    reach = 84.15 + 1.5 * np.maximum(1 - (along / 6) ** 2, 0)
    angle = math.pi / 2 - along / 84.15
    points = np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])
    np.save(path, points + np.random.default_rng(1).normal(0, 0.01, points.shape))
    return path


def test_diameter_fixes_the_arc_and_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    path = pipe_profile(tmp_path / "pipe.npy")
    out = tmp_path / "result.json"
    assert run(["measure", str(path), "--outside-diameter", "168.3 mm", "--json", str(out)]) == 0
    (result,) = json.loads(out.read_text(encoding="utf-8"))["results"]
    (weld,) = result["welds"]
    assert result["settings"]["outside_diameter_mm"] == 168.3
    assert weld["measurements"]["reinforcement"]["value"] == pytest.approx(1.5, abs=0.02)
    (flag,) = (flag for flag in weld["flags"] if flag["code"] == "curved_surface")
    assert "84.2 mm (given)" in flag["message"] or "84.1 mm (given)" in flag["message"]


def test_bare_number_and_pictures_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    path = pipe_profile(tmp_path / "pipe.npy")
    assert run(["measure", str(path), "--outside-diameter", "168.3"]) == 2
    assert "--outside-diameter needs a unit" in capsys.readouterr().err
    picture = "sample_images/tee.jpg"
    assert run(["measure", picture, "--scale", "0.028 mm", "--outside-diameter", "168.3 mm"]) == 2
    assert "leave it out" in capsys.readouterr().err


@pytest.mark.parametrize("suffix", [".ply", ".pcd", ".xyz"])
def test_a_cloud_is_for_scan(tmp_path: Path, suffix: str, capsys: pytest.CaptureFixture) -> None:
    path = tmp_path / f"seam{suffix}"
    path.write_text("1 2 3\n")
    assert run(["measure", str(path)]) == 3
    assert "toeline scan" in capsys.readouterr().err
