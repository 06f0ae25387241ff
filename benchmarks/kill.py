"""Kill a batch that keeps records, again and again, and look whether anything that was kept is lost.

``python -m benchmarks.kill --kills 200 --seed 1``: drawn pictures are measured into a store by ``toeline measure``,
some of their records are confirmed, and the process is killed (SIGKILL: it can do nothing about it) at a random moment
between its start and its end. After each kill the store is opened and looked at; then the same call is made again.
Every few kills it is left to run to its end, which must leave each weld kept exactly once.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from benchmarks.render.scenario import random_scenario, render
from records.store import open_store

ROOT = Path(__file__).resolve().parents[1]
JOINTS = ("tee", "butt", "lap", "butt")
GONE_WITHIN_S = 10.0
"""What a killed call leaves running must end by itself within this time."""


@dataclass
class Tally:
    """What was counted; every line of ``faults`` is one thing that should not have happened."""

    kills: int = 0
    rounds: int = 0
    confirmed: int = 0
    entries_met: int = 0
    stopped_in_write: int = 0
    hidden_leftovers: int = 0
    faults: list[str] = field(default_factory=list)


def draw(folder: Path, seed: int) -> float:
    """Draw small sections of one scale into a folder and return the size of their pixels in mm."""
    folder.mkdir()
    for number, joint in enumerate(JOINTS):
        rng = np.random.default_rng([seed, number])
        scenario = random_scenario(
            rng, joint=joint, difficulty="clean", width_px=1200, height_px=900, mm_per_px=0.07  # type: ignore[arg-type]
        )  # fmt: skip
        cv2.imwrite(str(folder / f"section-{number}.png"), render(scenario).picture)
    return 0.07


def command(pictures: Path, output: Path, store: Path, mm_per_px: float, workers: int) -> list[str]:
    """Return the call that is killed."""
    return [
        sys.executable, "-m", "cli.main", "measure", str(pictures), "--scale", f"{mm_per_px} mm",
        "--records", str(store), "--output", str(output), "--workers", str(workers), "--inside", "off",
    ]  # fmt: skip


def start(call: Sequence[str]) -> subprocess.Popen[bytes]:
    """Start a call as the head of a process group of its own."""
    return subprocess.Popen(
        call, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )  # fmt: skip


def kill(process: subprocess.Popen[bytes], tally: Tally) -> None:
    """Kill a process and see whether its workers end without it."""
    process.kill()
    process.wait()
    end = time.monotonic() + GONE_WITHIN_S
    while time.monotonic() < end:
        try:
            os.killpg(process.pid, 0)
        except ProcessLookupError:
            return
        time.sleep(0.02)
    tally.faults.append(f"kill {tally.kills}: workers were still there after {GONE_WITHIN_S:g} s")
    os.killpg(process.pid, signal.SIGKILL)


def looked_at(store: Path, output: Path, must: dict[str, str], tally: Tally) -> None:
    """Compare what is on the disk with what must be there: all that was confirmed, an unbroken chain, whole files."""
    if not store.exists():
        if must:
            tally.faults.append(f"kill {tally.kills}: the store is gone")
        return
    with open_store(store) as opened:
        problems = opened.verify()
        tally.faults += [f"kill {tally.kills}: {problem.message}" for problem in problems]
        states = {line.id: line.state for line in opened.records()}
        for record, entry_hash in must.items():
            if states.get(record) != "confirmed" or opened.record(record).last.hash != entry_hash:
                tally.faults.append(f"kill {tally.kills}: the confirmed {record} is lost or changed")
        tally.entries_met += opened.head()[0]
    for path in output.glob("*") if output.exists() else ():
        if path.name.startswith("."):
            continue
        whole = _is_json(path) if path.suffix == ".json" else cv2.imread(str(path)) is not None
        if not whole:
            tally.faults.append(f"kill {tally.kills}: {path.name} is cut off")


def _is_json(path: Path) -> bool:
    try:
        json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return False
    return True


def confirm(store: Path, must: dict[str, str], chance: random.Random, tally: Tally) -> None:
    """Confirm about half of the records that wait, as a person would between two runs."""
    if not store.exists():
        return
    with open_store(store) as opened:
        for line in opened.records(state="waiting"):
            if chance.random() < 0.5:
                must[line.id] = opened.add(line.id, "confirmed", {}, who="B").hash
                tally.confirmed += 1


def completed(
    call: Sequence[str], pictures: Path, store: Path, output: Path, must: dict[str, str], tally: Tally
) -> None:
    """Let the call run to its end; then each weld must be kept once, and the result must hold every picture."""
    done = subprocess.run(call, cwd=ROOT, capture_output=True, check=False)
    if done.returncode != 0 or b"Traceback" in done.stderr:
        tally.faults.append(f"round {tally.rounds}: exit status {done.returncode}: {done.stderr[-300:].decode()}")
        return
    looked_at(store, output, must, tally)
    results = json.loads((output / "result.json").read_text(encoding="utf-8"))["results"]
    wanted = sorted((Path(r["source"]["path"]).name, str(w["id"])) for r in results for w in r["welds"])
    with open_store(store) as opened:
        kept = sorted((line.source or "", line.weld or "") for line in opened.records())
    if len(results) != len(list(pictures.iterdir())):
        tally.faults.append(f"round {tally.rounds}: {len(results)} pictures in the result")
    if kept != wanted:
        tally.faults.append(f"round {tally.rounds}: kept {kept}, measured {wanted}")
    tally.hidden_leftovers += sum(path.name.startswith(".") for path in output.iterdir())
    tally.rounds += 1


def run(kills: int, seed: int, *, each_round: int = 6) -> Tally:
    """Kill so many times and return what was counted."""
    chance = random.Random(seed)
    tally = Tally()
    lengths: dict[int, float] = {}
    with tempfile.TemporaryDirectory() as scratch:
        pictures = Path(scratch) / "pictures"
        mm_per_px = draw(pictures, seed)
        while tally.kills < kills:
            folder = Path(tempfile.mkdtemp(dir=scratch))
            store, output = folder / "records.db", folder / "out"
            must: dict[str, str] = {}
            workers = 1 + tally.rounds % 2
            call = command(pictures, output, store, mm_per_px, workers)
            begun = time.monotonic()
            if tally.rounds < 2:  # how long a run of each kind takes, and that it works at all
                completed(call, pictures, store, output, must, tally)
                lengths[workers] = time.monotonic() - begun
                if tally.faults:
                    return tally
                continue
            for _ in range(min(each_round, kills - tally.kills)):
                process = start(call)
                time.sleep(chance.uniform(0.0, lengths[workers]))
                if process.poll() is not None:  # it was quicker than the moment chosen
                    process.wait()
                    continue
                kill(process, tally)
                tally.kills += 1
                tally.stopped_in_write += Path(f"{store}-wal").exists()
                looked_at(store, output, must, tally)
                confirm(store, must, chance, tally)
            completed(call, pictures, store, output, must, tally)
    return tally


def report(tally: Tally) -> str:
    """Return what was counted, in plain text."""
    lines = [
        f"{tally.kills} kills, {tally.stopped_in_write} of them with the store open, {tally.rounds} runs to the end",
        f"{tally.confirmed} records confirmed between them; {tally.entries_met} entries read again after kills",
        f"{tally.hidden_leftovers} hidden files of writes that were stopped",
        f"{len(tally.faults)} faults",
    ]
    return "\n".join(lines + [f"  {fault}" for fault in tally.faults])


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it from the command line; exit status 1 when anything was lost."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.kill", description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    tally = run(options.kills, options.seed)
    print(report(tally))
    return 1 if tally.faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
