"""Measure pictures of known truth and print how far off the values are.

``python -m benchmarks.accuracy --cases 200 --seed 1 [--joint tee] [--difficulty hard] [--json out.json]``
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, get_args

import cv2
import numpy as np

from benchmarks.compare import Case, Trial, compare
from benchmarks.floors import COVERAGE_RANGE, FLOORS, MEASURED_SHARE
from benchmarks.render.geometry import Joint
from benchmarks.render.random_looks import on_ground
from benchmarks.render.scenario import JOINTS, Difficulty, Rendering, random_scenario, render

CAMERA_CURVE = 2.2
"""Power of a drawn camera's tone curve: near to sRGB and not the same, as cameras are."""

Measure = Callable[[Path, float, str, str], dict[str, Any]]
"""Takes a picture file, the size of one pixel in mm, the joint ("auto") and the tone curve, returns a result entry."""


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one quantity over many pictures."""

    name: str
    n: int
    bias: float
    rms: float
    p95: float
    within_floor: float
    covered: float
    not_measurable: float
    silent: int
    median_error: float = np.nan
    median_expanded: float = np.nan

    @property
    def interval_ratio(self) -> float:
        """Median expanded uncertainty over median error: 3 for an honest interval about normal errors."""
        return self.median_expanded / self.median_error if self.median_error else np.nan


def measure_by_program(path: Path, mm_per_px: float, joint: str, tone_curve: str) -> dict[str, Any]:
    """Measure a picture as ``toeline measure --scale`` does."""
    from inspection.picture import measure_file
    from inspection.settings import Settings

    settings = Settings(joint=joint, scale_mm_per_px=mm_per_px, tone_curve=tone_curve)  # type: ignore[arg-type]
    return measure_file(path, settings)


def run_case(
    number: int,
    *,
    seed: int,
    joint: Joint | None,
    difficulty: Difficulty | None,
    told: bool = False,
    size_px: tuple[int, int] = (3000, 2250),
    mm_per_px: tuple[float, float] | None = None,
    smooth: bool = False,
    camera_curve: bool = False,
    curve_told: bool = True,
    ground: str = "",
    measure: Measure = measure_by_program,
    keep: Path | None = None,
) -> Case:
    """Draw, save and measure one picture; the same seed and number give the same picture.

    ``mm_per_px`` is the range that the size of a pixel is drawn from, 0.025 to 0.04 when left out. ``camera_curve``
    stores light as most cameras do, else in proportion; ``curve_told`` tells the program which. ``ground`` is one of
    `random_looks.GROUNDS` to lie on, in colour.
    """
    rng = np.random.default_rng([seed, number])
    pixel = None if mm_per_px is None else float(rng.uniform(*mm_per_px))
    level: Difficulty = difficulty or ("normal" if number % 3 else "hard")
    kind: Joint = joint or JOINTS[number % len(JOINTS)]
    scenario = random_scenario(
        rng, joint=kind, difficulty=level, width_px=size_px[0], height_px=size_px[1], mm_per_px=pixel
    )
    if smooth:
        scenario = replace(scenario, roughness_mm=0.0)
    scenario = replace(scenario, exposure=replace(scenario.exposure, tone_curve=CAMERA_CURVE if camera_curve else 1.0))
    if ground:
        coloured = replace(scenario.exposure, colour=True)
        scenario = replace(scenario, look=on_ground(scenario.look, ground, rng), exposure=coloured)
    rendering = render(scenario)
    with tempfile.TemporaryDirectory() as folder:
        path = save(rendering, Path(folder) / f"case{number:05d}")
        curve = ("srgb" if camera_curve else "linear") if curve_told else "auto"
        entry = measure(path, rendering.mm_per_px, kind if told else "auto", curve)
    case = compare(number, level, rendering.welds, entry, rendering.mm_per_px)
    if keep is not None and (not case.measured or any(trial.silently_wrong for trial in case.trials)):
        keep.mkdir(parents=True, exist_ok=True)
        save(rendering, keep / f"case{number:05d}")
    return case


def save(rendering: Rendering, stem: Path) -> Path:
    """Write a picture as JPEG where its scenario says so, otherwise as PNG.

    It has been through JPEG at that quality already, so that encoding it again changes next to nothing.
    """
    quality = rendering.scenario.exposure.jpeg_quality
    if quality is None or rendering.picture.dtype != np.uint8:
        path = stem.with_suffix(".png")
        cv2.imwrite(str(path), rendering.picture, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        return path
    path = stem.with_suffix(".jpg")
    cv2.imwrite(str(path), rendering.picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return path


def row(name: str, trials: Sequence[Trial]) -> Row:
    """Sum up the trials of one quantity."""
    measured = [trial for trial in trials if trial.measured is not None]
    missing = 1 - len(measured) / len(trials)
    if not measured:
        return Row(name, 0, np.nan, np.nan, np.nan, np.nan, np.nan, missing, 0)
    errors = np.array([trial.error for trial in measured])
    return Row(
        name,
        len(measured),
        float(errors.mean()),
        float(np.sqrt(np.mean(errors**2))),
        float(np.quantile(np.abs(errors), 0.95)),
        float(np.mean([trial.within_floor for trial in measured])),
        float(np.mean([trial.covered for trial in measured])),
        missing,
        sum(trial.silently_wrong for trial in measured),
        float(np.median(np.abs(errors))),
        float(np.median([trial.expanded or 0.0 for trial in measured])),
    )


def rows(cases: Iterable[Case]) -> list[Row]:
    """Sum up cases by quantity, in the order of the table of floors."""
    by_name: dict[str, list[Trial]] = defaultdict(list)
    for case in cases:
        for trial in case.trials:
            by_name[trial.name].append(trial)
    order = {name: index for index, name in enumerate(FLOORS)}
    return [row(name, by_name[name]) for name in sorted(by_name, key=lambda name: order.get(name, 999))]


def table(title: str, cases: Sequence[Case]) -> str:
    """Return a table of cases in plain text; ``*`` marks a number that misses what was set."""
    share = float(np.mean([case.measured for case in cases]))
    extra = sum(case.extra_welds for case in cases)
    mark = " " if share >= MEASURED_SHARE else "*"
    wrong = sum(any(trial.silently_wrong for trial in case.trials) for case in cases)
    lines = [
        f"{title}: {len(cases)} pictures, {100 * share:.1f} %{mark} measured, {extra} welds too many, "
        f"{wrong} pictures with a silently wrong value",
        f"  {'quantity':<26}{'n':>5}{'bias':>9}{'rms':>9}{'95 %':>9}{'floor':>7}{'in floor':>10}{'covered':>9}"
        f"{'not meas.':>10}{'silent':>8}",
    ]
    for item in rows(cases):
        floor = FLOORS.get(item.name)
        stated = "" if floor is None else f"{floor.absolute:g}" + ("" if floor.stated else "?")
        missed = "*" if floor is not None and floor.stated and item.n and item.within_floor < 0.95 else " "
        off = " " if not item.n or COVERAGE_RANGE[0] <= item.covered <= COVERAGE_RANGE[1] else "*"
        lines.append(
            f"  {item.name:<26}{item.n:>5}{item.bias:>9.4f}{item.rms:>9.4f}{item.p95:>9.4f}{stated:>7}"
            f"{100 * item.within_floor:>8.1f}{missed} {100 * item.covered:>7.1f}{off} {100 * item.not_measurable:>9.1f}"
            f"{item.silent:>8}"
        )
    trials = [trial for case in cases for trial in case.trials if trial.measured is not None]
    if trials:
        covered = np.mean([trial.covered for trial in trials])
        lines.append(f"  all values: {len(trials)}, covered {100 * covered:.1f} %")
    return "\n".join(lines)


def report(cases: Sequence[Case]) -> str:
    """Return the tables for all pictures, by joint and by difficulty, and what went wrong where."""
    parts = [table("all", cases)]
    for key in ("joint", "difficulty"):
        groups = sorted({getattr(case, key) for case in cases})
        if len(groups) > 1:
            parts += [table(group, [case for case in cases if getattr(case, key) == group]) for group in groups]
    problems = [
        f"  case {case.number} ({case.joint}, {case.difficulty}): {case.problem}" for case in cases if case.problem
    ]
    silent = [
        f"  case {trial.case} ({trial.joint}, {trial.difficulty}): {trial.name} is {trial.measured:.3f} "
        f"± {trial.expanded or 0:.3f}, true {trial.true:.3f}"
        for case in cases
        for trial in case.trials
        if trial.silently_wrong
    ]
    if problems:
        parts.append("pictures not measured:\n" + "\n".join(problems))
    if silent:
        parts.append("silently wrong:\n" + "\n".join(silent))
    return "\n\n".join(parts)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.accuracy", description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--joint", choices=get_args(Joint))
    parser.add_argument("--difficulty", choices=get_args(Difficulty), help="default: two thirds normal, one third hard")
    parser.add_argument("--smooth", action="store_true", help="draw surfaces without their natural wander")
    parser.add_argument("--camera-curve", action="store_true", help="store light as most cameras do (power 2.2)")
    parser.add_argument("--curve-unknown", action="store_true", help="do not tell the program how light is stored")
    parser.add_argument("--told", action="store_true", help="tell the program which joint it is")
    parser.add_argument("--width", type=int, default=3000, help="width of the pictures in px (4:3)")
    parser.add_argument("--keep", type=Path, help="keep the pictures that went wrong in this folder")
    parser.add_argument("--json", type=Path, help="write every trial to this file")
    options = parser.parse_args(arguments)
    cases = []
    for number in range(options.first, options.first + options.cases):
        cases.append(
            run_case(
                number,
                seed=options.seed,
                joint=options.joint,
                difficulty=options.difficulty,
                told=options.told,
                smooth=options.smooth,
                camera_curve=options.camera_curve,
                curve_told=not options.curve_unknown,
                size_px=(options.width, options.width * 3 // 4),
                keep=options.keep,
            )
        )
        if sys.stderr.isatty():
            print(f"\r{len(cases)} / {options.cases}", end="", file=sys.stderr)
    print(report(cases))
    if options.json is not None:
        content = {"options": {k: str(v) for k, v in vars(options).items()}, "cases": [asdict(case) for case in cases]}
        options.json.write_text(json.dumps(content, indent=1))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
