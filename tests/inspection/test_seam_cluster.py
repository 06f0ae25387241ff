"""A scan on a scheduler of this machine with two workers, one of which is killed on the way."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SECTIONS = 60
POINTS = "".join(f"{x / 10},{max(0.0, -x / 10, 6.0 - abs(x / 10 - 0.0)) if abs(x) < 60 else max(0.0, -x / 10)}\n"
                 for x in range(-250, 251))  # fmt: skip


def started(*words: str) -> subprocess.Popen:
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen([sys.executable, "-m", *words], cwd=ROOT, env=environment, text=True,
                            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)  # fmt: skip


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen]]]:
    scheduler = started("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
                        "--no-show", "--scheduler-file", str(tmp_path / "scheduler.json"))  # fmt: skip
    workers = []
    try:
        until = time.monotonic() + 60
        while not (tmp_path / "scheduler.json").exists() and time.monotonic() < until:
            time.sleep(0.1)
        address = json.loads((tmp_path / "scheduler.json").read_text())["address"]
        for name in ("one", "two"):
            workers.append(
                started("distributed.cli.dask_worker", address, "--no-nanny", "--nthreads", "1", "--name", name,
                        "--no-dashboard", "--local-directory", str(tmp_path / name), "--death-timeout", "60")
            )  # fmt: skip
        for worker in workers:
            assert any("Registered to" in line for line in worker.stderr)
        yield address, workers
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()
            process.stderr.close()


def scan(folder: Path, out: Path, *more: str) -> subprocess.Popen:
    command = [sys.executable, "-m", "cli.main", "scan", str(folder), "--pitch", "1 mm", "--joint", "tee",
               "--output", str(out), *more]  # fmt: skip
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def rows_in(out: Path) -> int:
    rows = out / "sections.jsonl"
    return rows.read_bytes().count(b"\n") if rows.exists() else 0


def test_a_worker_that_is_killed_costs_nothing(cluster, tmp_path: Path) -> None:
    address, workers = cluster
    folder = tmp_path / "profiles"
    folder.mkdir()
    for number in range(SECTIONS):
        lift = 0.002 * number
        lines = (line.split(",") for line in POINTS.splitlines())
        text = "".join(f"{x},{float(z) * (1 + lift):.5f}\n" for x, z in lines)
        (folder / f"p{number}.csv").write_text("x_mm,z_mm\n" + text)
    running = scan(folder, tmp_path / "cluster", "--cluster", address)
    until = time.monotonic() + 60
    while rows_in(tmp_path / "cluster") < 5 and running.poll() is None and time.monotonic() < until:
        time.sleep(0.01)
    os.kill(workers[0].pid, signal.SIGKILL)
    before = rows_in(tmp_path / "cluster")
    _, complaint = running.communicate(timeout=120)
    assert 5 <= before < SECTIONS - 8
    assert running.returncode == 0, complaint
    assert not re.search("Traceback|distributed", complaint)
    alone = scan(folder, tmp_path / "alone", "--workers", "1")
    alone.communicate(timeout=120)
    texts = [(tmp_path / name / "sections.jsonl").read_text() for name in ("cluster", "alone")]
    assert texts[0] == texts[1]
    assert len(texts[0].splitlines()) == SECTIONS
    assert texts[0].count('"error": null') > SECTIONS / 2
