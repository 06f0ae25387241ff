"""Everything in one run: ``python -m benchmarks [--quick] [--seed 1] [--out FILE.json]``.

Accuracy of photographs, laser frames and the inside; time per step and against what a user would write with OpenCV or
scikit-image alone; how cost grows with megapixels and frames; start-up. It prints tables and writes one JSON file,
which `benchmarks.report` turns into docs/benchmarks.md and `benchmarks.compare_runs` compares with another one.
"""

from __future__ import annotations

import argparse
import datetime
import functools
import json
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from benchmarks import groups, growth, naive, report, speed

SCHEMA = "toeline.benchmark/1"
LIBRARIES = ("numpy", "opencv-python-headless", "scipy", "scikit-image", "shapely")
Entry = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Plan:
    """How much is done; ``cases`` are pictures of each kind and pixel size, ``frames`` of each joint."""

    width_px: int = 3000
    cases: int = 28
    grounds: int = 8
    frames: int = 8
    etched: int = 44
    etched_width_px: int = 2200
    blank: int = 8
    naive_pictures: int = 8
    naive_width_px: int = 4000
    naive_frames: int = 8
    megapixels: tuple[float, ...] = growth.MEGAPIXELS
    counts: tuple[int, ...] = growth.FRAMES
    repeats: int = 7


FULL = Plan()
QUICK = Plan(3000, 4, 2, 2, 7, 1600, 4, 4, 4000, 4, (1, 3, 10), (10, 100, 300), 3)


def machine() -> Entry:
    """Return what the times depend on; nothing that names the machine or a place on it."""
    information = Path("/proc/cpuinfo")
    names = information.read_text().splitlines() if information.is_file() else []
    model = next((line.split(":", 1)[1].strip() for line in names if line.startswith("model name")), "")
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    return {
        "processor": model or platform.machine(),
        "cores": os.cpu_count(),
        "memory_gb": round(memory),
        "system": f"{platform.system()} {platform.machine()}",
        "load_at_start": round(os.getloadavg()[0], 1),
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in LIBRARIES},
    }


def speed_section(plan: Plan, seed: int) -> Entry:
    """Return the time of each step, and of the whole, against decoding the same file, and that of whole processes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "section.jpg"
        mm_per_px = speed.draw_picture(path, seed)
        decode, whole = speed.in_process(path, mm_per_px, plan.repeats)
        steps = speed.steps_ms(path, mm_per_px, plan.repeats)
        scale = f"{mm_per_px:.9f} mm"
        return {
            "file_mb": path.stat().st_size / 1e6,
            "decode_ms": 1000 * decode,
            "decode_and_measure_ms": 1000 * whole,
            "ratio": (whole - decode) / decode,
            "steps_ms": steps,
            "insides": [speed.inside_times(Path(folder), joint, plan.repeats) for joint in speed.INSIDES],
            "help_s": speed.command_s(["--help"], plan.repeats),
            "measure_s": speed.command_s(["measure", str(path), "--scale", scale], plan.repeats),
        }


def naive_section(plan: Plan, seed: int) -> Entry:
    """Return our outlines and lines beside naive ones, and who is ahead."""
    photographs = naive.photographs(plan.naive_pictures, seed, width_px=plan.naive_width_px)
    stripes = naive.stripes(plan.naive_frames, seed)
    verdicts = [
        naive.verdict(next(e for e in chosen if e["ours"]), [e for e in chosen if not e["ours"]])
        for kind in ("photograph", "clean", "spoiled")
        for chosen in [[entry for entry in (*photographs, *stripes) if entry["kind"] == kind]]
    ]
    return {"photographs": photographs, "stripes": stripes, "verdicts": verdicts}


def growth_section(plan: Plan, seed: int) -> Entry:
    """Return time and memory by megapixels and by frames, with the powers by which they grow."""
    with tempfile.TemporaryDirectory() as folder:
        pictures = growth.pictures(Path(folder), plan.megapixels, seed)
        frames = growth.frames(Path(folder), plan.counts, seed)
    sizes, counts = list(plan.megapixels), list(plan.counts)
    # Time of the processor, which other work on the machine does not lengthen.
    seconds = [entry["processor_s"] for entry in frames]
    works = [entry["processor_s"] for entry in pictures]
    return {
        "pictures": pictures,
        "frames": frames,
        "picture_exponent": growth.exponent(sizes, works),
        "picture_last_exponent": growth.largest_growth(sizes, works),
        "frame_exponent": growth.exponent(counts, seconds),
        "frame_last_exponent": growth.largest_growth(counts, seconds),
        "memory_flat": frames[-1]["peak_mb"] <= growth.FLAT * frames[-2]["peak_mb"],
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Run everything, print it and keep it."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a small run, under two minutes; its figures are coarse")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, help="write the JSON file here")
    options = parser.parse_args(arguments)
    plan, seed = (QUICK if options.quick else FULL), options.seed
    started = time.perf_counter()
    result: Entry = {
        "schema": SCHEMA,
        "version": version("toeline"),
        "date": datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d"),
        "machine": machine(),
        "seed": seed,
        "quick": options.quick,
        "plan": asdict(plan),
    }
    drawn = functools.cache(lambda: groups.photograph_cases(plan.cases, seed, width_px=plan.width_px))
    # Times first, while nothing else of this run is at work.
    sections: dict[str, Callable[[], Any]] = {
        "speed": lambda: speed_section(plan, seed),
        "naive": lambda: naive_section(plan, seed),
        "growth": lambda: growth_section(plan, seed),
        "photographs": lambda: groups.photographs(drawn()),
        "coverage": lambda: groups.coverage(drawn()),
        "grounds": lambda: groups.grounds(plan.grounds, seed, width_px=plan.width_px),
        "laser": lambda: groups.laser(plan.frames, seed),
        "inside": lambda: groups.the_inside(plan.etched, plan.blank, seed, width_px=plan.etched_width_px),
    }
    for name, section in sections.items():
        begun = time.perf_counter()
        result[name] = section()
        print(f"{name}: {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
    result["seconds"] = round(time.perf_counter() - started)
    print(report.text(result))
    if options.out is not None:
        options.out.write_text(json.dumps(rounded(result), indent=1) + "\n", encoding="utf-8")
    return 0


def rounded(value: Any) -> Any:
    """Return a document with its numbers to five figures: more are noise, and make two runs hard to read."""
    if isinstance(value, float):
        return float(f"{value:.5g}")
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    return value


if __name__ == "__main__":
    raise SystemExit(main())
