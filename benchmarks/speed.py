"""How long the program takes: ``python -m benchmarks.speed [--repeats 7]``.

Processing of a 12-megapixel JPEG as a multiple of the time ``cv2.imread`` takes to decode it, and the whole
process of ``toeline --help`` and ``toeline measure`` on it.
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

from benchmarks.render.scenario import random_scenario, render

WIDTH_PX, HEIGHT_PX = 4000, 3000


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
        print(f"toeline --help: {command_s(['--help'], options.repeats):.2f} s (at most 0.4)")
        whole_process = command_s(["measure", str(path), "--scale", f"{mm_per_px:.9f} mm"], options.repeats)
        print(f"toeline measure, whole process: {whole_process:.2f} s (at most 2.5)")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
