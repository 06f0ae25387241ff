"""A disk that is full and one that may only be read, for real: one sentence, exit status 3, old files left whole."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from cli.main import run

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
OLD = b'{"what was": "there before"}\n'
MEASURED, UNWRITABLE = 0, 3


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 kB of its own."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", folder]
    if subprocess.run(command, capture_output=True, check=False).returncode != 0:
        pytest.skip("no small disk can be mounted here")
    yield folder
    subprocess.run(["umount", folder], check=True)


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    """A folder with an old file of every name that is written below; root may write to all but a read-only disk."""
    folder = tmp_path / "read-only"
    folder.mkdir()
    for name in NAMES:
        (folder / name).write_bytes(OLD)
    if os.geteuid() != 0:
        folder.chmod(0o555)
        yield folder
        folder.chmod(0o755)
        return
    if subprocess.run(["mount", "--bind", folder, folder], capture_output=True, check=False).returncode != 0:
        pytest.skip("no folder can be made read-only here")
    subprocess.run(["mount", "-o", "remount,bind,ro", folder], check=True)
    yield folder
    subprocess.run(["umount", folder], check=True)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the calls below start from: a small picture, its result, its calibration, a few profiles."""
    folder = tmp_path_factory.mktemp("made")
    colour = cv2.imread(str(SAMPLES / "tee.jpg"))
    cv2.imwrite(str(folder / "tee.jpg"), cv2.resize(colour, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    assert run([*MEASURE(folder), "--json", str(folder / "result.json")]) == 0
    profiles = folder / "profiles"
    profiles.mkdir()
    for number in range(3):
        x = np.linspace(0, 60, 241)
        z = np.maximum(0.02 * np.sin(number + 3 * x), 3.0 - 0.15 * np.abs(x - 30) ** 2)
        np.save(profiles / f"p{number}.npy", np.column_stack([x, z]))
    return folder


def MEASURE(made: Path) -> list[str]:  # noqa: N802 - one of the calls below
    return ["measure", str(made / "tee.jpg"), "--scale", "0.056 mm", "--inside", "off"]


CALLS = {
    "measure --json": ("r.json", lambda made, out: [*MEASURE(made), "--json", str(out / "r.json")]),
    "measure --overlay": ("o.png", lambda made, out: [*MEASURE(made), "--overlay", str(out / "o.png")]),
    "measure --overlay svg": ("o.svg", lambda made, out: [*MEASURE(made), "--overlay", str(out / "o.svg")]),
    "measure --output": ("tee-overlay.png", lambda made, out: [*MEASURE(made), "--output", str(out)]),
    "report pdf": ("r.pdf", lambda made, out: ["report", str(made / "result.json"), "--out", str(out / "r.pdf")]),
    "report html": ("r.html", lambda made, out: ["report", str(made / "result.json"), "--out", str(out / "r.html")]),
    "scan --json": ("s.json", lambda made, out: [*SCAN(made), "--json", str(out / "s.json")]),
    "scan --output": ("scan.json", lambda made, out: [*SCAN(made), "--output", str(out)]),
    "calibrate points": (
        "c.json",
        lambda made, out: ["calibrate", "points", str(made / "tee.jpg"), "--length", "50 mm", "--from", "150,944",
                           "--to", "1039,866", "--out", str(out / "c.json")],
    ),
    "calibrate target": ("t.pdf", lambda made, out: ["calibrate", "target", "--out", str(out / "t.pdf")]),
}  # fmt: skip
NAMES = [name for name, _ in CALLS.values() if name != "scan.json"]  # an old scan.json is read, and goes on


def SCAN(made: Path) -> list[str]:  # noqa: N802 - one of the calls below
    return ["scan", str(made / "profiles"), "--pitch", "1 mm", "--file-units", "mm", "--workers", "1"]


def fill(disk: Path, *, leave: int) -> None:
    """Write until nothing more is taken, then give back so many bytes: a file to be written begins well."""
    with (disk / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            file.truncate(file.seek(0, os.SEEK_END) - leave)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(words) == UNWRITABLE
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1
    assert "be written" in said[0] or "Read-only" in said[0]
    assert "Traceback" not in said[0]


BEGINS_WELL = ("measure --json", "report pdf", "scan --output")
"""Calls whose files are larger than the room that is left for them, and so break off in the middle."""


@pytest.mark.parametrize(("call", "leave"), [*((call, 0) for call in CALLS), *((call, 4096) for call in BEGINS_WELL)])
def test_a_full_disk(call: str, leave: int, disk: Path, made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name, words = CALLS[call]
    if name in NAMES:
        (disk / name).write_bytes(OLD)
    fill(disk, leave=leave)
    before = contents(disk)
    refused(words(made, disk), capsys)
    after = contents(disk)
    assert {name: after.get(name) for name in before} == before
    assert not [name for name in after if name.startswith(".")]


@pytest.mark.parametrize("call", CALLS)
def test_a_folder_that_may_only_be_read(
    call: str, read_only: Path, made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(read_only)
    refused(CALLS[call][1](made, read_only), capsys)
    assert contents(read_only) == before


def test_a_check_that_cannot_be_noted_leaves_the_calibration_whole(
    disk: Path, made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calibration = disk / "c.json"
    points = ["--from", "150,944", "--to", "1039,866"]
    picture = str(made / "tee.jpg")
    assert run(["calibrate", "points", picture, "--length", "50 mm", *points, "--out", str(calibration)]) == 0
    fill(disk, leave=0)
    before = contents(disk)
    check = ["calibrate", "check", picture, "--calibration", str(calibration), "--length", "50 mm", *points]
    refused([*check, "--tolerance", "1 mm"], capsys)
    assert contents(disk) == before


@pytest.fixture(scope="module")
def whole(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole")
    assert run([*SCAN(made), "--output", str(folder)]) == MEASURED
    return folder


@pytest.mark.parametrize("leave", [4096, 8192, 24576])
def test_a_scan_that_filled_the_disk_goes_on_when_there_is_room(
    leave: int, disk: Path, made: Path, whole: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(disk, leave=leave)
    refused([*SCAN(made), "--output", str(disk / "out")], capsys)
    (disk / "filler").unlink()
    assert run([*SCAN(made), "--output", str(disk / "out")]) == MEASURED
    for name in ("sections.jsonl", "sections.csv"):
        assert (disk / "out" / name).read_bytes() == (whole / name).read_bytes()
