"""The calibrate commands: a picture and a few words in, a calibration file out that measure takes."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.file import read_calibration
from cli.main import run
from inspection.schema import read_result

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


def calibrate(*arguments: object) -> int:
    return run(["calibrate", *map(str, arguments)])


def mm_per_px(path: Path) -> float:
    return read_calibration(path).mm_per_px(np.array([1500.0, 1100.0]))


def test_points(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    out = tmp_path / "cal.json"
    arguments = ("--length", "2 in", "--from", "100,100", "--to", "1370,100", "--operator", "A. Person", "--out", out)
    assert calibrate("points", SAMPLES / "tee.jpg", *arguments) == 0
    assert f"Wrote {out}" in capsys.readouterr().out
    assert mm_per_px(out) == pytest.approx(50.8 / 1270, rel=1e-3)
    content = out.read_text()
    assert "A. Person" in content
    assert "tee.jpg" in content


def test_ruler_then_measure_the_same_picture(tmp_path: Path) -> None:
    out, result = tmp_path / "cal.json", tmp_path / "r.json"
    assert calibrate("ruler", SAMPLES / "tee.jpg", "--spacing", "1 mm", "--out", out) == 0
    assert mm_per_px(out) == pytest.approx(0.028, rel=2e-3)
    assert run(["measure", str(SAMPLES / "tee.jpg"), "--calibration", str(out), "--json", str(result)]) == 0
    entry = read_result(result).results[0]
    assert entry.calibration.kind == "ruler"
    assert entry.calibration.sha256 == read_calibration(out).sha256
    assert entry.welds[0].measurements["leg_left"].value == pytest.approx(6.4, abs=0.06)


def test_board_and_check(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    out = tmp_path / "cal.json"
    board = ("--pattern", "chessboard", "--corners", "8x3", "--square", "3 mm")
    assert calibrate("board", SAMPLES / "butt.jpg", *board, "--out", out) == 0
    check = ("check", SAMPLES / "butt.jpg", "--calibration", out, "--tolerance", "0.1 mm")
    assert calibrate(*check, *board) == 0
    capsys.readouterr()
    assert calibrate(*check, "--length", "30 mm", "--from", "100,100", "--to", "1100,100") == 4
    assert "not passed" in capsys.readouterr().err
    checks = json.loads(out.read_text())["checks"]
    assert [line["passed"] for line in checks] == [True, False]


def test_a_tolerance_that_the_check_cannot_show_decides_nothing(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    out = tmp_path / "cal.json"
    board = ("--pattern", "chessboard", "--corners", "8x3", "--square", "3 mm")
    assert calibrate("board", SAMPLES / "butt.jpg", *board, "--out", out) == 0
    assert calibrate("check", SAMPLES / "butt.jpg", "--calibration", out, "--tolerance", "0.03 mm", *board) == 4
    assert "decides nothing" in capsys.readouterr().err
    (line,) = json.loads(out.read_text())["checks"]
    assert (line["outcome"], line["passed"]) == ("undecided", False)
    assert abs(line["bias_mm"]) < 0.03 < line["test_uncertainty_mm"]


def test_plane_offset_makes_the_scale_smaller(tmp_path: Path) -> None:
    """A section 2 mm nearer than the rule at 200 mm is magnified: 200 / 202 of the length."""
    plain, offset = tmp_path / "a.json", tmp_path / "b.json"
    points = ("points", SAMPLES / "tee.jpg", "--length", "50 mm", "--from", "0,0", "--to", "1000,0")
    assert calibrate(*points, "--out", plain) == 0
    assert calibrate(*points, "--out", offset, "--plane-offset", "2 mm", "--camera-distance", "200 mm") == 0
    assert mm_per_px(offset) / mm_per_px(plain) == pytest.approx(200 / 202, rel=1e-6)


def test_resolution_of_a_scanner_is_taken_with_a_flag(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    from PIL import Image

    path, out = tmp_path / "scan.png", tmp_path / "cal.json"
    Image.open(SAMPLES / "tee.jpg").convert("L").save(path, dpi=(1200, 1200))
    assert calibrate("resolution", path, "--out", out) == 0
    assert "scale_from_metadata" in capsys.readouterr().out
    assert mm_per_px(out) == pytest.approx(25.4 / 1200, rel=1e-3)
    assert run(["measure", str(path), "--scale-from-metadata"]) == 0
    assert "scale_from_metadata" in capsys.readouterr().out


def test_a_target_is_not_written_under_the_name_of_another_kind(tmp_path: Path, capsys) -> None:
    out = tmp_path / "target.png"
    assert calibrate("target", "--out", out) == 2
    assert "must end in .pdf" in capsys.readouterr().err
    assert not out.exists()


def test_target_is_a_pdf(tmp_path: Path) -> None:
    out = tmp_path / "target.pdf"
    assert calibrate("target", "--out", out, "--paper", "letter") == 0
    assert out.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [
        (("points", "--length", "50", "--from", "0,0", "--to", "9,0"), "needs a unit"),
        (("points", "--length", "50 mm", "--from", "0", "--to", "9,0"), "X,Y"),
        (("points", "--length", "50 mm", "--from", "nan,0", "--to", "9,0"), "X,Y"),
        (("ruler", "--spacing", "0 mm"), "greater than zero"),
        (("board", "--pattern", "stars", "--corners", "8x3", "--square", "3 mm"), "chessboard"),
        (("board", "--pattern", "chessboard", "--corners", "8", "--square", "3 mm"), "8x3"),
        (("board", "--pattern", "chessboard", "--corners", "1x3", "--square", "3 mm"), "at least 2x2"),
        (("ruler", "--spacing", "1 mm", "--plane-offset", "2"), "needs a unit"),
    ],
)
def test_wrong_use_is_status_2(tmp_path: Path, capsys: pytest.CaptureFixture, arguments: tuple, hint: str) -> None:
    command, *rest = arguments
    assert calibrate(command, SAMPLES / "tee.jpg", *rest, "--out", tmp_path / "cal.json") == 2
    assert hint in capsys.readouterr().err
    assert not (tmp_path / "cal.json").exists()


def test_picture_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    picture = tmp_path / "a.jpg"
    picture.write_bytes((SAMPLES / "tee.jpg").read_bytes())
    assert calibrate("ruler", picture, "--spacing", "1 mm", "--out", picture) == 2
    assert "overwritten" in capsys.readouterr().err
    assert picture.read_bytes() == (SAMPLES / "tee.jpg").read_bytes()


def test_picture_without_a_rule_is_status_4(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    cv2.imwrite(str(tmp_path / "blank.png"), np.full((400, 600), 128, np.uint8))
    assert calibrate("ruler", tmp_path / "blank.png", "--spacing", "1 mm", "--out", tmp_path / "cal.json") == 4
    assert capsys.readouterr().err.count("\n") == 1


def test_check_takes_one_artefact(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    arguments = ("check", SAMPLES / "tee.jpg", "--calibration", tmp_path / "c.json", "--tolerance", "0.1 mm")
    assert calibrate(*arguments) == 2
    assert "one artefact" in capsys.readouterr().err
    assert calibrate(*arguments, "--spacing", "1 mm", "--length", "3 mm") == 2
