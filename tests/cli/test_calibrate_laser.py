"""``toeline calibrate laser``, ``check --step`` and ``measure --source laser`` on the sample rig."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from cli.main import run

ROOT = Path(__file__).resolve().parents[2] / "sample_images"
RIG = Path(__file__).resolve().parents[2] / "sample_images" / "rig"
TRUTH = json.loads((RIG / "truth.json").read_text(encoding="utf-8"))
BOARD = ("--pattern", "chessboard", "--corners", "8x5", "--square", "5 mm")


def calibrate(boards, stripes, out, *more):
    return run(["calibrate", "laser", "--boards", str(boards), "--stripes", str(stripes), *BOARD, "--out", str(out),
                *more])  # fmt: skip


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    out = tmp_path_factory.mktemp("rig") / "rig.json"
    assert calibrate(RIG / "boards", RIG / "stripes", out, "--report", str(out.with_suffix(".png"))) == 0
    return out


def test_file_and_report(rig):
    document = json.loads(rig.read_text(encoding="utf-8"))
    assert document["kind"] == "laser"
    assert document["provenance"]["boards"] == document["provenance"]["stripes"] == 8
    assert document["provenance"]["reprojection_rms_px"] < 0.1
    assert len(document["origin"]["sha256"]) == 64
    report = cv2.imread(str(rig.with_suffix(".png")))
    assert report.shape[0] > 800
    assert report.std() > 20


def test_the_report_names_what_was_left_out(tmp_path, monkeypatch):
    import desk.rig_report as drawn

    shutil.copytree(RIG, tmp_path / "rig")
    for folder in ("boards", "stripes"):
        cv2.imwrite(
            str(tmp_path / "rig" / folder / "pose9.jpg"), np.zeros_like(cv2.imread(str(RIG / folder / "pose1.jpg")))
        )
    report = tmp_path / "a.png"
    told = []
    monkeypatch.setattr(drawn, "left_out_text", lambda left_out: told.extend(left_out) or "")
    assert (
        calibrate(tmp_path / "rig/boards", tmp_path / "rig/stripes", tmp_path / "a.json", "--report", str(report)) == 0
    )
    assert [name for name, _ in told] == ["boards/pose9.jpg", "stripes/pose9.jpg"]


def test_step_block_passes_and_is_kept(rig, tmp_path, capsys):
    own = shutil.copy(rig, tmp_path / "rig.json")
    words = ["calibrate", "check", str(RIG / "step.png"), "--calibration", str(own), "--tolerance", "0.02 mm"]
    assert run([*words, "--step", f"{TRUTH['step_mm']} mm"]) == 0
    assert run([*words, "--step", "5.2 mm"]) == 4
    checks = json.loads(Path(own).read_text(encoding="utf-8"))["checks"]
    assert [entry["artefact"] for entry in checks] == ["step", "step"]
    assert [entry["passed"] for entry in checks] == [True, False]
    assert "calibrate again" in capsys.readouterr().err


@pytest.mark.parametrize("source", [(), ("--source", "laser")])
def test_fillet_under_the_line(rig, tmp_path, source):
    out = tmp_path / "result.json"
    drawing = tmp_path / "tee.png"
    words = ["measure", str(RIG / "tee.png"), "--calibration", str(rig), "--joint", "tee", "--json", str(out)]
    assert run([*words, *source, "--overlay", str(drawing)]) == 0
    entry = json.loads(out.read_text(encoding="utf-8"))["results"][0]
    assert (entry["source"]["kind"], entry["calibration"]["kind"]) == ("laser", "laser")
    (weld,) = entry["welds"]
    for name in ("leg_left", "leg_right", "throat", "convexity", "joint_angle"):
        got = weld["measurements"][name]
        assert abs(got["value"] - TRUTH["tee"][name]) <= got["expanded_uncertainty"], name
    assert weld["measurements"]["undercut_right"]["value"] == pytest.approx(TRUTH["tee"]["undercut_right"], abs=0.04)
    x, y = weld["points_px"]["toe_left"]
    assert 0 < x < 1024
    assert 0 < y < 544
    assert drawing.stat().st_size > 10_000


def test_points_of_the_line_are_written_with_their_uncertainty(rig, tmp_path, capsys):
    table = tmp_path / "line.csv"
    words = ["measure", str(RIG / "tee.png"), "--calibration", str(rig), "--joint", "tee", "--points", str(table)]
    assert run(words) == 0
    assert table.read_text(encoding="utf-8").startswith("x_mm,y_mm,std_mm,column_px,row_px,missing_after_mm\n")
    x, y, std, column, row, _ = np.loadtxt(table, delimiter=",", skiprows=1, unpack=True)
    assert len(x) > 600
    assert (np.diff(x) > 0).mean() > 0.99
    assert ((std > 0.0005) & (std < 0.02)).all()
    # Both plates are straight: points of their outer parts scatter about a line by what is stated.
    for part in (slice(20, 140), slice(-140, -20)):
        off = y[part] - np.polyval(np.polyfit(x[part], y[part], 1), x[part])
        assert np.std(off) < 2.0 * np.median(std)
    assert column.min() >= 0
    assert column.max() < 1024
    assert row.max() < 544
    assert run([*words[:-1], str(RIG / "tee.png")]) == 2
    assert (
        run(["measure", str(RIG / "tee.png"), "--source", "macro", "--scale", "0.05 mm", "--points", str(table)]) != 0
    )
    assert "overwritten" in capsys.readouterr().err


def test_one_bad_picture_does_not_stop_the_others(tmp_path, capsys):
    for name in ("boards", "stripes"):
        shutil.copytree(RIG / name, tmp_path / name)
    (tmp_path / "stripes" / "pose2.jpg").write_bytes(b"no picture")
    (tmp_path / "stripes" / "pose3.jpg").unlink()
    (tmp_path / "boards" / "pose4.jpg").write_bytes(b"")
    assert calibrate(tmp_path / "boards", tmp_path / "stripes", tmp_path / "rig.json") == 0
    told = capsys.readouterr().out
    assert "left out: stripes/pose2.jpg" in told
    assert "left out: boards/pose4.jpg" in told
    assert "left out: stripes/pose4.jpg" in told
    assert json.loads((tmp_path / "rig.json").read_text())["provenance"]["stripes"] == 5


def test_what_cannot_serve_is_refused_in_one_line(tmp_path, capsys):
    empty = tmp_path / "empty"
    empty.mkdir()
    assert calibrate(empty, RIG / "stripes", tmp_path / "a.json") == 3
    assert calibrate(tmp_path / "nowhere", RIG / "stripes", tmp_path / "a.json") == 3
    small = tmp_path / "small"
    small.mkdir()
    picture = cv2.imread(str(RIG / "stripes" / "pose1.jpg"), cv2.IMREAD_GRAYSCALE)
    cv2.imwrite(str(small / "pose1.png"), picture[:500])
    assert calibrate(RIG / "boards", small, tmp_path / "a.json") == 4
    one = tmp_path / "one"
    one.mkdir()
    shutil.copy(RIG / "stripes" / "pose1.jpg", one)
    assert calibrate(RIG / "boards", one, tmp_path / "a.json") == 4
    assert calibrate(RIG / "boards", RIG / "stripes", tmp_path / "a.json", "--report", "a.jpg") == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 5
    assert all(line.startswith("toeline: ") for line in lines)
    assert "no picture in this folder" in lines[0]
    assert "1024 x 500" in lines[2]
    assert "at least two different poses" in lines[3]
    assert not (tmp_path / "a.json").exists()


def test_frames_of_another_size_and_wrong_calibrations_are_refused(rig, tmp_path, capsys):
    cv2.imwrite(str(tmp_path / "cut.png"), cv2.imread(str(RIG / "tee.png"), cv2.IMREAD_GRAYSCALE)[:400])
    assert run(["measure", str(tmp_path / "cut.png"), "--calibration", str(rig), "--joint", "tee"]) == 4
    cv2.imwrite(str(tmp_path / "dark.png"), np.zeros((544, 1024), np.uint8))
    assert run(["measure", str(tmp_path / "dark.png"), "--calibration", str(rig)]) == 4
    assert run(["measure", str(RIG / "tee.png"), "--source", "laser"]) == 2
    assert run(["measure", str(RIG / "tee.png"), "--source", "macro", "--calibration", str(rig)]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert "1024 x 544" in lines[0]
    assert "no laser line" in lines[1]
    assert "RIG.json" in lines[2]


def test_help_warns_of_the_laser(capsys):
    assert run(["calibrate", "laser", "--help"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "IEC 60825-1" in told
    assert "Never look into the beam" in told
