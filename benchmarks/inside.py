"""Figures for the inside of etched sections.

``python -m benchmarks.inside [--cases 56] [--seed 100] [--blank 28] [--stains]``

Random etched sections of every kind of joint are drawn, measured through the program's own functions and
compared with what is true: fusion lines (and how well they can be found at all, `fusion_bound`), values with their
intervals, pores; then with five clicks of a person on each line, then on sections without any etch.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Point

from benchmarks.fusion_bound import bound_px
from benchmarks.render.etch import JOINTS
from benchmarks.render.etch_paint import EtchedPicture, etched_picture
from benchmarks.render.stains import stained
from calibration.model import Calibration
from core.errors import NothingMeasurable
from core.geometry import Points
from core.quantity import Quantity
from measurement import measure
from vision.find import find_welds
from vision.found import FoundWeld, FoundWelds
from vision.fusion import look_inside
from vision.fusion_line import FusionLine
from vision.marks import WeldMarks

CLEAR_CONTRAST = 0.2
CLICK_STDS_PX = (2.0, 8.0)
"""A person's clicks lie off the line by so much: with care, and at a glance."""
FLOORS = {"mm": (0.1, 0.03), "mm2": (0.0, 0.02), "percent": (0.0, 0.05)}
"""Absolute and relative floor of an error by unit; the larger one counts."""


@dataclass
class Figures:
    """What was counted for pictures of one range of contrast."""

    lines: int = 0
    claimed: int = 0
    wrong_kind: int = 0
    rms_px: list[float] = field(default_factory=list)
    bound_px: list[float] = field(default_factory=list)
    clicked_rms_px: dict[float, list[float]] = field(default_factory=lambda: defaultdict(list))
    errors: dict[str, list[tuple[float, float, bool]]] = field(default_factory=lambda: defaultdict(list))
    absent: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    pores: int = 0
    pores_found: int = 0
    pores_false: int = 0
    pore_area: list[float] = field(default_factory=list)


def calibration_of(picture: EtchedPicture) -> Calibration:
    """Return the calibration that the drawn camera has."""
    homography = np.linalg.inv(picture.camera.mm_to_px)
    return Calibration("scale", homography / homography[2, 2], {"scale": 0.001})


def rms_to(line: Points, truth: Points) -> float:
    """Return the rms distance of a line's points from the true line, by shapely, in the unit of both."""
    true = LineString(truth)
    return float(np.sqrt(np.mean([true.distance(Point(*point)) ** 2 for point in line])))


def true_line(line: FusionLine, lines: Sequence[Points]) -> Points | None:
    """Return the true line that a found one stands for, None where there is none of its kind."""
    kinds = {"whole": 0, "root side": 1, "left": 0, "right": 1}
    index = kinds[line.side]
    return lines[index] if index < len(lines) else None


def well_outlined(picture: EtchedPicture, found: FoundWelds) -> bool:
    """Tell whether the outside was found right: the inside cannot be judged where it was not."""
    if len(found.welds) != len(picture.section.welds):
        return False
    for weld, lines in zip(found.welds, picture.fusion_px, strict=True):
        face = weld.section.face
        if face is None:
            return False
        ends = calibration_of(picture).to_px(np.array([face.toe_left, face.toe_right]))
        rim = np.vstack([line[[0, -1]] for line in lines])
        if max(float(np.min(np.hypot(*(rim - end).T))) for end in ends) * picture.camera.mm_per_px > 0.4:
            return False
    return True


def clicks(
    rng: np.random.Generator, lines: Sequence[Points], count: int = 5, std_px: float = 8.0
) -> tuple[tuple[float, float], ...]:
    """Return points that a person puts on each line, each off by ``std_px`` in all."""
    marked = []
    for line in lines:
        for at in (np.arange(count) + 0.5) / count * (len(line) - 1):
            x, y = line[round(float(at))] + std_px / np.sqrt(2) * rng.standard_normal(2)
            marked.append((float(x), float(y)))
    return tuple(marked)


def judge(figures: Figures, picture: EtchedPicture, index: int, weld: FoundWeld) -> None:
    """Count one weld."""
    truth, lines = picture.truth[index], picture.fusion_px[index]
    inside = weld.section.inside
    figures.lines += 1
    if inside is None or not inside.lines:
        return
    figures.claimed += 1
    kinds = [true_line(line, lines) for line in inside.lines]
    through = "left" in {line.side for line in inside.lines}
    if any(kind is None for kind in kinds) or through != (picture.section.joint in ("single_v", "double_v")):
        figures.wrong_kind += 1
        return
    for line, true in zip(inside.lines, kinds, strict=True):
        if true is not None:
            figures.rms_px.append(rms_to(line.points_px, true))
            figures.bound_px.append(bound_px(picture.etch, true, picture.camera.mm_per_px))
    for name, value in measure(weld.section).items():
        if name not in truth:
            continue
        if not isinstance(value, Quantity):
            figures.absent[name] += 1
            continue
        error = value.value - truth[name]
        absolute, relative = FLOORS[value.unit]
        limit = max(absolute, relative * abs(truth[name]))
        figures.errors[name].append(
            (error, abs(error) / max(limit, 1e-9), abs(error) <= (value.expanded_uncertainty or 0))
        )
    spots = list(inside.indications or ())
    pixel = picture.camera.mm_per_px
    for pore in picture.section.welds[index].pores:
        at = picture.camera.to_px(np.array([pore.centre_mm]))[0]
        near = [spot for spot in spots if np.hypot(*(np.array(spot.centre_px) - at)) * pixel < 0.3]
        tone = 0.05 if pore.dark else min(1.0, picture.etch.weld + 0.35)
        if abs(tone - picture.etch.weld) < max(0.15, 4 * picture.etch.weld_texture):
            spots = [spot for spot in spots if spot not in near]
            continue
        figures.pores += 1
        if near:
            figures.pores_found += 1
            figures.pore_area.append(near[0].area_mm2 / pore.shape.area - 1)
            spots.remove(near[0])
    figures.pores_false += len(spots)


def run(cases: int, seed: int, *, size: tuple[int, int], stains: bool = False) -> tuple[dict[str, Figures], int]:
    """Return the figures by range of contrast, and how many pictures were not outlined right.

    ``stains`` puts some on the metal after it was outlined: the inside alone is asked.
    """
    groups = {f"contrast {CLEAR_CONTRAST:g} and more": Figures(), f"contrast under {CLEAR_CONTRAST:g}": Figures()}
    skipped = 0
    for case in range(seed, seed + cases):
        picture = etched_picture(case, JOINTS[case % len(JOINTS)], pores=4, width_px=size[0], height_px=size[1])
        calibration = calibration_of(picture)
        try:
            found = find_welds(picture.picture, calibration)
        except NothingMeasurable:
            skipped += 1
            continue
        if not well_outlined(picture, found):
            skipped += 1
            continue
        figures = list(groups.values())[0 if picture.etch.contrast >= CLEAR_CONTRAST else 1]
        if stains:
            rng = np.random.default_rng([case, 7])
            picture = replace(picture, picture=stained(picture, list(found.outline_px), rng))
        looked = look_inside(picture.picture, found, calibration)
        for index, weld in enumerate(looked.welds):
            judge(figures, picture, index, weld)
        for std_px in CLICK_STDS_PX:
            rng = np.random.default_rng(case)
            marks = [WeldMarks(fusion=clicks(rng, lines, std_px=std_px)) for lines in picture.fusion_px]
            led = look_inside(picture.picture, found, calibration, marks)
            figures.clicked_rms_px[std_px] += [
                99.0 if true is None else rms_to(line.points_px, true)
                for weld, lines in zip(led.welds, picture.fusion_px, strict=True)
                for line in (weld.section.inside.lines if weld.section.inside else ())
                for true in (true_line(line, lines),)
            ]
    return groups, skipped


def false_claims(cases: int, seed: int) -> tuple[int, int]:
    """Return how many welds of sections without an etch were looked into, and in how many a line was claimed."""
    looked = claimed = 0
    for case in range(seed, seed + cases):
        picture = etched_picture(case, JOINTS[case % len(JOINTS)], blank=True, width_px=1600, height_px=1200)
        calibration = calibration_of(picture)
        try:
            found = look_inside(picture.picture, find_welds(picture.picture, calibration), calibration)
        except NothingMeasurable:
            continue
        for weld in found.welds:
            if weld.section.inside is not None:
                looked += 1
                claimed += bool(weld.section.inside.lines)
    return looked, claimed


def report(name: str, figures: Figures) -> None:
    """Print the figures of one range of contrast."""
    print(f"\n{name}: {figures.lines} welds, {figures.claimed} with a line, {figures.wrong_kind} of them read wrongly")
    lines = {"line": (figures.rms_px, 1.5)}
    for std_px, rms in figures.clicked_rms_px.items():
        lines[f"with five clicks that are off by {std_px:g} px"] = (rms, 1.0)
    for words, (values, limit) in lines.items():
        if values:
            print(
                f"  {words}, rms: median {_at(values, 50):.2f} px, 90 % {_at(values, 90):.2f}, 95 % "
                f"{_at(values, 95):.2f}; over {limit:g} px: {_share_over(values, limit)}"
            )
    if figures.bound_px:
        bound, ratio = figures.bound_px, np.array(figures.rms_px) / np.array(figures.bound_px)
        print(
            f"  bound of the rms: median {_at(bound, 50):.2f} px, 90 % {_at(bound, 90):.2f}; over 1.5 px: "
            f"{_share_over(bound, 1.5)}, over 1 px: {_share_over(bound, 1.0)}; rms over bound: median "
            f"{_at(ratio, 50):.2f}, 90 % {_at(ratio, 90):.2f}"
        )
    for value, errors in figures.errors.items():
        table = np.array(errors, float)
        print(
            f"  {value}: n {len(table)}, |error| median {np.median(np.abs(table[:, 0])):.3f}, 90 % "
            f"{_at(np.abs(table[:, 0]), 90):.3f}; within the floor {100 * np.mean(table[:, 1] <= 1):.0f} %; "
            f"interval covers {100 * np.mean(table[:, 2]):.0f} %; not given {figures.absent[value]}"
        )
    area = f", area 90 % within {100 * _at(np.abs(figures.pore_area), 90):.0f} %" if figures.pore_area else ""
    print(f"  pores: {figures.pores_found} of {figures.pores} found, {figures.pores_false} false{area}")


def _share_over(values: Sequence[float], limit: float) -> str:
    over = int(np.count_nonzero(np.array(values) > limit))
    return f"{over} of {len(values)} ({100 * over / len(values):.0f} %)"


def _at(values: Sequence[float] | NDArray[np.float64], percent: float) -> float:
    return float(np.percentile(np.asarray(values), percent))


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.inside", description=__doc__)
    parser.add_argument("--cases", type=int, default=56)
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--blank", type=int, default=28, help="sections without an etch")
    parser.add_argument("--width", type=int, default=2200)
    parser.add_argument("--stains", action="store_true", help="put stains on the metal near the fusion lines")
    options = parser.parse_args(arguments)
    groups, skipped = run(
        options.cases, options.seed, size=(options.width, options.width * 3 // 4), stains=options.stains
    )
    for name, figures in groups.items():
        report(name, figures)
    print(f"\nnot outlined right and left out: {skipped} of {options.cases} pictures")
    looked, claimed = false_claims(options.blank, options.seed + 10_000)
    print(f"sections without an etch: a line claimed in {claimed} of {looked} welds")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
