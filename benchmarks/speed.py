"""How long the program takes: ``python -m benchmarks.speed [--repeats 7]``.

Processing of a 12-megapixel JPEG as a multiple of the time ``cv2.imread`` takes to decode it, looking inside etched
sections likewise, and the whole process of ``toeline --help`` and ``toeline measure``.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from benchmarks.inside import calibration_of
from benchmarks.render.etch import EtchedJoint
from benchmarks.render.etch_paint import etched_picture
from benchmarks.render.scenario import random_scenario, render

WIDTH_PX, HEIGHT_PX = 4000, 3000
INSIDES: tuple[EtchedJoint, ...] = ("tee", "double_tee", "double_v", "partial_double_v")
"""Etched joints whose inside is timed: one weld, two in one picture, a butt weld from both sides, fused or not."""
ETCH_QUALITY = 92


def median_s(action: Callable[[], object], repeats: int) -> float:
    """Return the median time of an action in seconds, after one run that is not counted."""
    action()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def draw_picture(path: Path, seed: int = 3) -> float:
    """Write a 12-megapixel colour JPEG of a tee and return its mm per pixel."""
    scenario = random_scenario(
        np.random.default_rng(seed), joint="tee", difficulty="normal", width_px=WIDTH_PX, height_px=HEIGHT_PX
    )
    rendering = render(scenario)
    grey = rendering.picture.ndim == 2
    picture = np.asarray(np.dstack([rendering.picture] * 3) if grey else rendering.picture, np.uint8)
    cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 95])
    return rendering.mm_per_px


def in_process(path: Path, mm_per_px: float, repeats: int) -> tuple[float, float]:
    """Return the time to decode the picture and the time to decode and measure it, in seconds."""
    from benchmarks.accuracy import measure_by_program

    decode = median_s(lambda: cv2.imread(str(path)), repeats)
    whole = median_s(lambda: measure_by_program(path, mm_per_px, "auto", "linear"), repeats)
    return decode, whole


def steps_ms(path: Path, mm_per_px: float, repeats: int) -> dict[str, float]:
    """Return the median time of each step of measuring a picture, in ms, in the order in which they are done."""
    from calibration.model import from_pixel_size
    from desk.overlay import write_overlay
    from measurement import measure
    from vision.find import find_welds
    from vision.fusion import look_inside
    from vision.outline import refine_outline
    from vision.picture import read_colour, read_picture
    from vision.segmentation import proposals, reduce_picture, silhouettes

    gray = read_picture(path).gray8
    calibration = from_pixel_size(mm_per_px)
    reduced = reduce_picture(gray)

    def silhouette() -> list[Any]:
        smaller = reduce_picture(gray)
        # The first split of the grey levels that shows anything: a plain mount may fall to one side of the first.
        return next(filter(None, (silhouettes(mask, smaller, name) for name, mask in proposals(smaller))))

    outline = silhouette()[0].points_px
    found = find_welds(gray, calibration)
    measured = tuple(measure(weld.section) for weld in found.welds)
    drawing = path.with_suffix(".overlay.png")
    times = {
        "decode": median_s(lambda: cv2.imread(str(path)), repeats),
        "read": median_s(lambda: read_picture(path), repeats),
        "silhouette": median_s(silhouette, repeats),
        "outline": median_s(lambda: refine_outline(gray, outline, 2.2 * reduced.factor + 2.5), repeats),
        "find": median_s(lambda: find_welds(gray, calibration), repeats),
        "measure": median_s(lambda: [measure(weld.section) for weld in found.welds], repeats),
        "inside": median_s(lambda: look_inside(gray, found, calibration), repeats),
        "overlay": median_s(
            lambda: write_overlay(drawing, read_colour(path), found, measured, calibration=calibration), repeats
        ),
    }
    # What is left of finding is recognising the joint and fitting plates, faces and toes.
    times["recognise and fit"] = max(0.0, times.pop("find") - times["silhouette"] - times["outline"])
    order = ("decode", "read", "silhouette", "outline", "recognise and fit", "measure", "inside", "overlay")
    return {name: 1000 * times[name] for name in order}


def inside_times(folder: Path, joint: EtchedJoint, repeats: int, seed: int = 4) -> dict[str, Any]:
    """Return what looking inside a 12-megapixel JPEG of an etched joint takes against decoding it, in ms and times.

    Both are timed in turn, with one thread of OpenCV, in time of the processor, which other work lengthens less.
    """
    from vision.find import find_welds
    from vision.fusion import look_inside

    picture = etched_picture(seed, joint, contrast=0.3, pores=4, width_px=WIDTH_PX, height_px=HEIGHT_PX)
    path = folder / f"{joint}.jpg"
    cv2.imwrite(str(path), np.dstack([picture.picture] * 3), [cv2.IMWRITE_JPEG_QUALITY, ETCH_QUALITY])
    gray = np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), np.uint8)
    calibration = calibration_of(picture)
    found = find_welds(gray, calibration)
    times: dict[str, list[float]] = {"decode": [], "inside": []}
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        for _ in range(repeats + 1):
            start = time.process_time()
            cv2.imread(str(path))
            decoded = time.process_time()
            look_inside(gray, found, calibration)
            times["decode"].append(decoded - start)
            times["inside"].append(time.process_time() - decoded)
    finally:
        cv2.setNumThreads(threads)
    decode, inside = (statistics.median(values[1:]) for values in times.values())
    return {"joint": joint, "decode_ms": 1000 * decode, "inside_ms": 1000 * inside, "ratio": inside / decode}


def command_s(arguments: Sequence[str], repeats: int) -> float:
    """Return the median time of a whole process; a failing command is an error."""
    script = shutil.which("toeline", path=str(Path(sys.executable).parent))
    program = [script] if script else [sys.executable, "-m", "cli.main"]
    return median_s(lambda: subprocess.run([*program, *arguments], check=True, capture_output=True), repeats)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the times beside what was set."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.speed", description=__doc__)
    parser.add_argument("--repeats", type=int, default=7)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "section.jpg"
        mm_per_px = draw_picture(path)
        decode, whole = in_process(path, mm_per_px, options.repeats)
        print(f"decode a {WIDTH_PX} x {HEIGHT_PX} JPEG ({path.stat().st_size / 1e6:.1f} MB): {1000 * decode:.0f} ms")
        print(f"decode and measure: {1000 * whole:.0f} ms")
        print(f"processing after decode / decode: {(whole - decode) / decode:.2f} (at most 2)")
        for joint in INSIDES:
            entry = inside_times(Path(folder), joint, options.repeats)
            print(
                f"inside of an etched {joint}: {entry['inside_ms']:.0f} ms, decoding {entry['decode_ms']:.0f} ms, "
                f"{entry['ratio']:.2f} times (at most 1)"
            )
        print(f"toeline --help: {command_s(['--help'], options.repeats):.2f} s (at most 0.4)")
        whole_process = command_s(["measure", str(path), "--scale", f"{mm_per_px:.9f} mm"], options.repeats)
        print(f"toeline measure, whole process: {whole_process:.2f} s (at most 2.5)")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
