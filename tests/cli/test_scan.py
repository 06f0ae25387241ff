"""``toeline scan``: the sample seam against its truth, resuming, stopping, workers, limits, refusals."""

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from cli.main import run

ROOT = Path(__file__).resolve().parents[2]
RIG = ROOT / "sample_images" / "rig"
SEAM = ROOT / "sample_images" / "seam"
TRUTH = json.loads((SEAM / "truth.json").read_text(encoding="utf-8"))
OVER = ("--over", "undercut_right 0.3 mm")


@pytest.fixture(scope="module")
def rig(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("rig") / "rig.json"
    words = ["calibrate", "laser", "--boards", str(RIG / "boards"), "--stripes", str(RIG / "stripes"), "--pattern",
             "chessboard", "--corners", "8x5", "--square", "5 mm", "--out", str(out)]  # fmt: skip
    assert run(words) == 0
    return out


def words_of(folder: Path, rig: Path, *more: str) -> list[str]:
    return ["scan", str(folder), "--calibration", str(rig), "--pitch", "1 mm", "--joint", "tee", *more]


@pytest.fixture(scope="module")
def scanned(rig: Path, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("scan") / "out"
    assert run(words_of(SEAM, rig, *OVER, "--workers", "1", "--output", str(out))) == 0
    return out


@pytest.fixture
def few(tmp_path: Path) -> Path:
    folder = tmp_path / "few"
    folder.mkdir()
    for name in ("frame08.jpg", "frame09.jpg", "frame10.jpg"):
        shutil.copy(SEAM / name, folder / name)
    return folder


def document(folder: Path) -> dict:
    return json.loads((folder / "seam.json").read_text(encoding="utf-8"))


def test_sections_against_the_truth(scanned: Path) -> None:
    found = document(scanned)
    assert found["schema"] == "toeline.seam/1"
    assert found["source"]["kind"] == "frames"
    assert found["calibration"]["kind"] == "laser"
    assert len(found["sections"]) == len(TRUTH["sections"]) == found["source"]["sections"]
    for section, true in zip(found["sections"], TRUTH["sections"], strict=True):
        assert (section["source"], section["position_mm"]) == (true["source"], true["position_mm"])
        if true["values"] is None:
            assert section["weld"] is None
            assert section["error"]["code"] == "nothing_measurable"
            continue
        for name, floor in (("leg_left", 0.08), ("leg_right", 0.08), ("throat", 0.04), ("undercut_right", 0.04)):
            assert section["weld"]["measurements"][name]["value"] == pytest.approx(true["values"][name], abs=floor)


def test_summary_against_the_truth(scanned: Path) -> None:
    found = document(scanned)
    true = [item["values"]["undercut_right"] for item in TRUTH["sections"] if item["values"] is not None]
    over = found["over"][0]
    assert over["length_mm"] == sum(value > 0.3 for value in true) * TRUTH["pitch_mm"]
    assert over["share"] == pytest.approx(over["length_mm"] / len(true), abs=1e-6)
    assert (over["longest_run_from_mm"], over["longest_run_to_mm"]) == (6.0, 10.0)
    assert [(gap["from_mm"], gap["to_mm"]) for gap in found["gaps"]] == [(17.0, 18.0)]
    assert found["worst"]["position_mm"] == 8.0
    assert found["summary"]["leg_left"]["measured"] == 22
    assert [item["length_mm"] for item in found["undercut"]] == [0.0, over["length_mm"]]


def test_files_of_a_scan(scanned: Path) -> None:
    lines = [json.loads(line) for line in (scanned / "sections.jsonl").read_text().splitlines()]
    assert lines == document(scanned)["sections"]
    with (scanned / "sections.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row, line in zip(rows, lines, strict=True):
        value = "" if line["weld"] is None else str(line["weld"]["measurements"]["throat"]["value"])
        assert row["throat_mm"] == value
    for name in ("seam.png", "worst.png"):
        assert cv2.imread(str(scanned / name)).std() > 20


def test_two_workers_give_the_same(scanned: Path, rig: Path, tmp_path: Path) -> None:
    out = tmp_path / "two.json"
    assert run(words_of(SEAM, rig, *OVER, "--workers", "2", "--json", str(out))) == 0
    assert json.loads(out.read_text())["sections"] == document(scanned)["sections"]


def test_a_stopped_scan_goes_on(scanned: Path, rig: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    shutil.copytree(scanned, out)
    text = (out / "sections.jsonl").read_text()
    cut = "".join(text.splitlines(keepends=True)[:20]) + '{"position'
    (out / "sections.jsonl").write_text(cut)
    (out / "seam.json").unlink()
    assert run(words_of(SEAM, rig, *OVER, "--workers", "1", "--output", str(out))) == 0
    assert "20 sections are there already, going on" in capsys.readouterr().err
    assert (out / "sections.jsonl").read_text() == text
    assert document(out) == document(scanned)
    assert (
        run(["scan", str(SEAM), "--calibration", str(rig), "--pitch", "2 mm", "--joint", "tee", "--output", str(out)])
        == 2
    )
    assert "another pitch" in capsys.readouterr().err


def test_an_interrupt_keeps_what_is_there(rig: Path, tmp_path: Path) -> None:
    many, out = tmp_path / "many", tmp_path / "out"
    many.mkdir()
    for number in range(400):
        os.symlink(SEAM / "frame03.jpg", many / f"f{number}.jpg")
    command = [sys.executable, "-m", "cli.main", *words_of(many, rig, "--workers", "1", "--output", str(out))]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    # a run in the background ignores interrupts, and so would what it starts
    heed = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)
    process = subprocess.Popen(command, cwd=ROOT, **pipes, preexec_fn=heed)
    rows = out / "sections.jsonl"
    until = time.monotonic() + 60
    while time.monotonic() < until and not (rows.exists() and rows.read_bytes().count(b"\n") >= 3):
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    told, complaint = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "interrupted" in complaint
    assert "Traceback" not in complaint
    found = document(out)
    assert 3 <= len(found["sections"]) < 400
    assert found["complete"] is False
    assert "Not complete" in told


def test_memory_stays_flat(rig: Path, tmp_path: Path) -> None:
    for number in range(120):
        os.symlink(SEAM / "frame03.jpg", tmp_path / f"f{number}.jpg")
    code = """
import re, sys
from pathlib import Path
from inspection.seam import Job, scan
from inspection.seam_rows import Rows, header
from inspection.seam_source import seam_source
from inspection.settings import Settings, shared_calibration
settings = Settings(joint="tee", calibration=Path(sys.argv[2]))
source = seam_source(Path(sys.argv[1]), settings, 0.5)
peaks = []
with Rows(Path(sys.argv[3]), header(source, settings, None), "tee") as rows:
    for entry in scan(source, Job(settings, shared_calibration(settings))):
        rows.add(entry)
        # not ru_maxrss, which a child takes over from the process that started it
        peaks.append(int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text()).group(1)) / 1024)
print(len(peaks), peaks[29], peaks[-1])
"""
    out = tmp_path / "out"
    out.mkdir()
    command = [sys.executable, "-c", code, str(tmp_path), str(rig), str(out)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    count, early, late = (float(word) for word in done.stdout.split())
    assert count == 120
    assert late < 400
    assert late - early < 12


def test_lost_frames_stand_at_their_places(scanned: Path, rig: Path, tmp_path: Path, capsys) -> None:
    """With the places of the frames that are left, what was measured stands where it stood in the whole seam."""
    folder, table, out = tmp_path / "lost", tmp_path / "places.csv", tmp_path / "out"
    folder.mkdir()
    left = [number for number in range(24) if number not in (3, 12, 13)]
    for number in left:
        shutil.copy(SEAM / f"frame{number + 1:02d}.jpg", folder)
    table.write_text("source;position (mm)\n" + "".join(f"frame{n + 1:02d};{200 + n},0\n" for n in left))
    words = ["scan", str(folder), "--calibration", str(rig), "--joint", "tee", *OVER, "--workers", "1"]
    assert run([*words, "--positions", str(table), "--output", str(out)]) == 0
    before, found = document(scanned), document(out)
    assert found["worst"]["position_mm"] == before["worst"]["position_mm"] == 8.0
    assert found["over"][0]["length_mm"] == before["over"][0]["length_mm"]
    assert [(gap["from_mm"], gap["to_mm"]) for gap in found["gaps"]] == [(3.0, 3.0), (12.0, 13.0), (17.0, 18.0)]
    assert run([*words, "--positions", str(table), "--pitch", "0.5 mm", "--output", str(out)]) == 2
    assert "holds a scan with another" in capsys.readouterr().err
    assert run(words) == 2
    assert "--positions with a table of their places" in capsys.readouterr().err


def test_limits_along_the_seam(few: Path, rig: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out.json"
    words = words_of(few, rig, "--require", "undercut <= 0.3 mm", "--fail-on-reject", "--json", str(out))
    assert run(words) == 5
    found = json.loads(out.read_text())
    line = next(item for item in found["outcomes"] if item["quantity"] == "undercut_right")
    assert (line["does_not_meet"], line["does_not_meet_length"]["length_mm"]) == (3, 3.0)
    assert {item["outcome"] for item in found["sections"][0]["weld"]["outcomes"]} == {"meets", "does_not_meet"}
    assert found["worst"]["position_mm"] == 1.0
    assert "do not meet" in capsys.readouterr().out


def test_a_tiff_of_many_pages_and_one_that_is_broken(few: Path, rig: Path, tmp_path: Path) -> None:
    frames = [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(few.iterdir())]
    path = tmp_path / "seam.tif"
    tifffile.imwrite(path, np.stack(frames), photometric="minisblack")
    assert run(words_of(path, rig, "--json", str(tmp_path / "pages.json"))) == 0
    pages = json.loads((tmp_path / "pages.json").read_text())["sections"]
    (few / "frame09.jpg").write_bytes((few / "frame09.jpg").read_bytes()[:2000])
    assert run(words_of(few, rig, "--json", str(tmp_path / "files.json"))) == 0
    files = json.loads((tmp_path / "files.json").read_text())["sections"]
    assert [page["weld"]["measurements"] == file["weld"]["measurements"]
            for page, file in zip(pages[::2], files[::2], strict=True)] == [True, True]  # fmt: skip
    assert files[1]["error"]["code"] == "unreadable_file"


def test_inches_on_the_screen_and_the_seam_file_on_standard_output(few: Path, rig: Path, capsys) -> None:
    assert run(words_of(few, rig, "--units", "inch")) == 0
    assert "one every 0.03937 in" in capsys.readouterr().out
    assert run(words_of(few, rig, "--json", "-")) == 0
    assert len(json.loads(capsys.readouterr().out)["sections"]) == 3


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("SEAM", "--pitch", "1 mm"), 2, "without the calibration of the rig"),
        (("SEAM", "--calibration", "RIG"), 2, "--pitch"),
        (("SEAM", "--calibration", "RIG", "--pitch", "1"), 2, "needs a unit"),
        (("SEAM", "--calibration", "RIG", "--pitch", "1 mm", "--over", "undercut 3"), 2, "--over"),
        (("SEAM", "--calibration", "RIG", "--pitch", "1 mm", "--output", "SEAM"), 2, "another folder"),
        (("nowhere", "--pitch", "1 mm"), 3, "no such file"),
        (("SEAM", "--calibration", "RIG", "--pitch", "1 mm", "--cluster", "nonsense"), 2, "no scheduler answers"),
    ],
)
def test_what_is_refused(words, status: int, said: str, rig: Path, capsys) -> None:
    places = {"SEAM": str(SEAM), "RIG": str(rig)}
    assert run(["scan", *(places.get(word, word) for word in words)]) == status
    told = capsys.readouterr().err.strip()
    assert said in told
    assert len(told.splitlines()) == 1


def test_a_missing_extra_is_one_sentence(few: Path, rig: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert run(words_of(few, rig, "--cluster", "tcp://127.0.0.1:8786")) == 2
    assert "pip install 'toeline[cluster]'" in capsys.readouterr().err


def test_no_section_measured(rig: Path, tmp_path: Path, capsys) -> None:
    for name in ("a.png", "b.png"):
        cv2.imwrite(str(tmp_path / name), np.full((544, 1024), 6, np.uint8))
    out = tmp_path / "out"
    assert run(words_of(tmp_path, rig, "--output", str(out))) == 4
    assert "no section was measured" in capsys.readouterr().err
    assert document(out)["worst"] is None
    for name in ("a.png", "b.png"):
        (tmp_path / name).write_bytes(b"no picture")
    assert run(words_of(tmp_path, rig)) == 3
