"""How time and memory grow with the picture and with the number of frames, each size in a process of its own.

``python -m benchmarks.growth picture FILE MM_PER_PX`` and ``python -m benchmarks.growth frames FOLDER RIG.json`` are
those processes: they do the work and print seconds and the peak of their memory.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from benchmarks.render.laser import Light, Rig
from benchmarks.render.laser_scene import random_drawing, shot
from benchmarks.render.scenario import random_scenario, render

Entry = dict[str, Any]
WIDTH_PX = 4000
MEGAPIXELS = (1, 3, 10, 30, 100)
FRAMES = (10, 100, 1000, 10_000)
FLAT = 1.1
"""Memory is flat when the largest run needs no more than this times what the run a tenth as long needs."""


def pictures(folder: Path, megapixels: Sequence[float], seed: int) -> list[Entry]:
    """Measure one drawn tee at several sizes.

    It is drawn once at 12 megapixels and resized, so that all sizes show the same section: above 12 megapixels there is
    no more to see, only more to compute.
    """
    rng = np.random.default_rng([seed, 12])
    rendering = render(random_scenario(rng, joint="tee", width_px=WIDTH_PX, height_px=WIDTH_PX * 3 // 4))
    deep = rendering.picture.dtype == np.uint16
    picture = (rendering.picture >> 8).astype(np.uint8) if deep else rendering.picture
    entries = []
    for size in megapixels:
        width = round((size * 1e6 * 4 / 3) ** 0.5)
        shape = (width, round(width * 3 / 4))
        method = cv2.INTER_AREA if width < WIDTH_PX else cv2.INTER_CUBIC
        path = folder / f"section-{size:g}.jpg"
        picture = (
            rendering.picture if rendering.picture.dtype == np.uint8 else (rendering.picture >> 8).astype(np.uint8)
        )
        cv2.imwrite(str(path), cv2.resize(picture, shape, interpolation=method), [cv2.IMWRITE_JPEG_QUALITY, 95])
        took = child("picture", str(path), repr(rendering.mm_per_px * WIDTH_PX / width))
        entries.append({"megapixels": size, **took})
        path.unlink()
    return entries


def frames(folder: Path, counts: Sequence[int], seed: int) -> list[Entry]:
    """Measure folders of a growing number of laser frames: hard links of one frame, each read and decoded anew."""
    from benchmarks.stripe import calibrated
    from calibration.file import Origin, write_calibration

    rig = Rig(width_px=1024, height_px=544, mm_per_px=0.06, focal_px=2000.0)
    light = Light()
    calibration = folder / "rig.json"
    write_calibration(
        calibration,
        calibrated(rig, light, seed, square_mm=3.4).calibration,
        Origin("drawn poses", "0" * 64, "2026-01-01"),
    )
    rng = np.random.default_rng([seed, 13])
    frame = folder / "frame.png"
    cv2.imwrite(str(frame), shot(rig, random_drawing("tee", rng, 40.0), light, rng).frame)
    many = folder / "frames"
    many.mkdir()
    entries: list[Entry] = []
    made = 0
    for count in counts:
        for number in range(made, count):
            os.link(frame, many / f"frame{number:06d}.png")
        made = count
        entries.append({"frames": count, **child("frames", str(many), str(calibration))})
    return entries


def child(*arguments: str) -> Entry:
    """Return what a process of this module prints about itself."""
    done = subprocess.run(
        [sys.executable, "-m", "benchmarks.growth", *arguments], check=True, capture_output=True, text=True
    )
    return dict(json.loads(done.stdout))


def exponent(sizes: Sequence[float], values: Sequence[float]) -> float:
    """Return the power by which values grow with sizes: the slope of a straight line through their logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(values), 1)[0])


def largest_growth(sizes: Sequence[float], values: Sequence[float]) -> float:
    """Return the power by which values grow over the last step, where what is constant weighs least."""
    return exponent(sizes[-2:], values[-2:])


def measure_picture(path: Path, mm_per_px: float) -> Entry:
    """Measure one picture as a user's command does, and tell time, memory and what was found."""
    from benchmarks.accuracy import measure_by_program

    measure_by_program(path, mm_per_px, "auto", "linear")  # what is loaded on first use is no part of the growth
    start = time.perf_counter()
    cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    decoded, worked = time.perf_counter(), time.process_time()
    entry = measure_by_program(path, mm_per_px, "auto", "linear")
    return {
        "decode_s": decoded - start,
        "seconds": time.perf_counter() - decoded,
        "processor_s": time.process_time() - worked,
        "peak_mb": peak_mb(),
        "done": len(entry["welds"]),
    }


def measure_frames(folder: Path, calibration: Path) -> Entry:
    """Measure all frames of a folder, one after the other."""
    from calibration.file import read_calibration
    from core.errors import ToelineError
    from inspection.laser_frame import measure_frame
    from measurement import measure
    from vision.frames import iterate_frames

    rig = read_calibration(calibration)
    measured = 0
    start, worked = time.perf_counter(), time.process_time()
    for frame in iterate_frames(folder):
        try:
            assert frame.pixels is not None, frame.error
            for weld in measure_frame(frame.pixels, rig).found.welds:
                measure(weld.section)
                measured += 1
        except ToelineError:
            continue
    return {
        "seconds": time.perf_counter() - start,
        "processor_s": time.process_time() - worked,
        "peak_mb": peak_mb(),
        "done": measured,
    }


def peak_mb() -> float:
    """Return the most memory this process has held since it started, in megabytes.

    The kernel's own account is asked: the one of `resource` begins with what the parent held. It is in kilobytes.
    """
    status = Path("/proc/self/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) * 1024 / 1e6


def main(arguments: Sequence[str]) -> int:
    """Do one piece of work and print what it took."""
    kind, path, more = arguments
    done = measure_picture(Path(path), float(more)) if kind == "picture" else measure_frames(Path(path), Path(more))
    print(json.dumps(done))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
