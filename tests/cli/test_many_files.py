"""Folders measured in one call, and pictures measured as they arrive."""

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from functools import partial
from pathlib import Path

import pytest

from cli.main import run

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"
SCALE = ["--scale", "0.028 mm"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    inside = tmp_path / "pictures"
    inside.mkdir()
    for name, source in (("w2.jpg", "tee.jpg"), ("w10.jpg", "groove.jpg")):
        shutil.copy(SAMPLES / source, inside / name)
    (inside / "w3.jpg").write_bytes((SAMPLES / "tee.jpg").read_bytes()[:5000])
    return inside


@pytest.mark.parametrize("workers", ["1", "2"])
def test_one_bad_picture_does_not_stop_a_folder(
    folder: Path, tmp_path: Path, workers: str, capsys: pytest.CaptureFixture
) -> None:
    out = tmp_path / "out"
    assert run(["measure", str(folder), *SCALE, "--output", str(out), "--workers", workers]) == 3
    results = json.loads((out / "result.json").read_text())["results"]
    assert [Path(entry["source"]["path"]).name for entry in results] == ["w2.jpg", "w3.jpg", "w10.jpg"]
    assert [len(entry["welds"]) for entry in results] == [1, 0, 1]
    assert {path.name for path in out.iterdir()} == {"result.json", "w2-overlay.png", "w10-overlay.png"}
    error = capsys.readouterr().err
    assert "2 files of 3 measured, 2 welds." in error
    assert "not measured: " in error


def test_workers_change_nothing(folder: Path, capsys: pytest.CaptureFixture) -> None:
    documents = []
    for workers in ("1", "2"):
        run(["measure", str(folder), *SCALE, "--json", "-", "--workers", workers])
        documents.append(json.loads(capsys.readouterr().out))
    assert documents[0] == documents[1]


def test_impossible_number_of_workers(folder: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["measure", str(folder), *SCALE, "--workers", "0"]) == 2
    assert "--workers takes a number from 1 to 256" in capsys.readouterr().err


def test_an_empty_folder_is_told(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    (tmp_path / "empty").mkdir()
    assert run(["measure", str(tmp_path / "empty"), *SCALE]) == 3
    assert "holds no picture and no profile" in capsys.readouterr().err


def test_watch_measures_each_picture_once(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    out = tmp_path / "out"
    command = ["watch", str(folder), *SCALE, "--output", str(out), "--once"]
    assert run(command) == 3  # one picture is cut off
    lines = [json.loads(line) for line in (out / "results.jsonl").read_text().splitlines()]
    assert {line["picture"]: line["welds"] for line in lines} == {"w2.jpg": 1, "w3.jpg": 0, "w10.jpg": 1}
    assert json.loads((out / "w2.jpg.json").read_text())["results"][0]["welds"][0]["joint"] == "tee"
    assert (out / "w10.jpg-overlay.png").exists()
    capsys.readouterr()
    # a new start: what was cut off has been copied again, a line of the list was cut off by a crash
    shutil.copy(SAMPLES / "tee.jpg", folder / "w3.jpg")
    with (out / "results.jsonl").open("a") as file:
        file.write('{"picture": "w99')
    assert run(command) == 0
    assert capsys.readouterr().out.count("Weld 1:") == 1
    assert len((out / "results.jsonl").read_text().splitlines()) == 5


def test_watch_waits_for_a_picture_that_is_being_written(tmp_path: Path) -> None:
    inside, out = tmp_path / "in", tmp_path / "out"
    inside.mkdir()
    data = (SAMPLES / "tee.jpg").read_bytes()

    def write() -> None:
        with (inside / "slow.jpg").open("wb") as file:
            for part in range(4):
                file.write(data[part * len(data) // 4 : (part + 1) * len(data) // 4])
                file.flush()
                time.sleep(0.3)

    writer = threading.Thread(target=write)
    writer.start()
    time.sleep(0.05)
    assert run(["watch", str(inside), *SCALE, "--output", str(out), "--once"]) == 0
    writer.join()
    (line,) = (out / "results.jsonl").read_text().splitlines()
    assert json.loads(line)["welds"] == 1


def test_watch_goes_on_until_it_is_stopped(tmp_path: Path) -> None:
    inside, out = tmp_path / "in", tmp_path / "out"
    inside.mkdir()
    command = [sys.executable, "-m", "cli.main", "watch", str(inside), *SCALE, "--output", str(out)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    # a run in the background ignores interrupts, and so would what it starts
    heed = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)
    with subprocess.Popen(command, cwd=ROOT, **pipes, preexec_fn=heed) as process:
        try:
            assert process.stdout.readline().startswith("Watching")
            shutil.copy(SAMPLES / "tee.jpg", inside / "late.jpg")
            until = time.monotonic() + 30
            while not (out / "results.jsonl").exists() and time.monotonic() < until:
                time.sleep(0.1)
            os.kill(process.pid, signal.SIGINT)
            _, error = process.communicate(timeout=20)
        finally:
            process.kill()
    assert process.returncode == 130
    assert error == "toeline: interrupted.\n"
    assert (out / "late.jpg.json").exists()


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["none"], 3, "there is no such folder"),
        ([".", "--template", "t.toml"], 2, "name the store with --records"),
    ],
)
def test_watch_wrong_use(tmp_path: Path, monkeypatch, arguments, status, words, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["watch", *arguments, *SCALE, "--output", "out"]) == status
    assert words in capsys.readouterr().err
    assert run(["watch", ".", *SCALE, "--output", "."]) == 2
    assert run(["watch", ".", "--output", "out"]) == 2
