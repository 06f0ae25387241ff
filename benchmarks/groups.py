"""Accuracy by kind of picture and size of pixel, as entries of the report: photographs, laser frames, the inside."""

from __future__ import annotations

import multiprocessing
from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import cv2
import numpy as np

from benchmarks import inside, stripe
from benchmarks.accuracy import rows, run_case
from benchmarks.compare import Case, Trial
from benchmarks.floors import FLOORS, LINE_FLOORS, MEASURED_SHARE, Floor
from benchmarks.render.laser import Rig
from benchmarks.render.random_looks import GROUNDS
from benchmarks.render.scenario import JOINTS

Entry = dict[str, Any]
KINDS = ("normal", "hard", "smooth", "camera")
"""*Smooth* surfaces do not wander; a *camera* stores light on a curve, which the program is told."""

PIXELS_MM = ((0.015, 0.025), (0.025, 0.04), (0.04, 0.06))
STATED_PIXELS_MM = (0.025, 0.04)
"""The floors are set for pixels of this size; at others they are shown for comparison."""

RIGS = 4
"""Boards of the size the program is told, within what it takes for their uncertainty: one alone says little of that."""

LEAST_VALUES = 8
"""Fewer values say nothing about a 95th percentile: such a row is not judged."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One picture to draw and measure."""

    number: int
    seed: int
    kind: str
    pixel_mm: tuple[float, float]
    size_px: tuple[int, int]
    ground: str = ""


def measured(wanted: Wanted) -> Case:
    """Draw and measure one picture, on one thread."""
    cv2.setNumThreads(1)
    return run_case(
        wanted.number,
        seed=wanted.seed,
        joint=JOINTS[wanted.number % len(JOINTS)],
        difficulty="hard" if wanted.kind == "hard" else "normal",
        smooth=wanted.kind == "smooth",
        camera_curve=wanted.kind == "camera",
        mm_per_px=wanted.pixel_mm,
        size_px=wanted.size_px,
        ground=wanted.ground,
    )


Drawn = Sequence[tuple[Wanted, Case]]


def photograph_cases(cases: int, seed: int, *, width_px: int, workers: int = 2) -> Drawn:
    """Draw and measure ``cases`` pictures of every kind and pixel size."""
    wanted = [
        Wanted(number + 10_000 * size + 1_000 * step, seed, kind, pixel, (width_px, width_px * 3 // 4))
        for size, pixel in enumerate(PIXELS_MM)
        for step, kind in enumerate(KINDS)
        for number in range(cases)
    ]
    return _measured(wanted, workers)


def _measured(wanted: Sequence[Wanted], workers: int) -> Drawn:
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        return list(zip(wanted, pool.map(measured, wanted, chunksize=2), strict=True))


def grounds(cases: int, seed: int, *, width_px: int, workers: int = 2) -> list[Entry]:
    """Return groups of pictures of sections that lie on what is not plain, or in deep shadow."""
    wanted = [
        Wanted(number + 100_000 + 1_000 * at, seed, "normal", STATED_PIXELS_MM, (width_px, width_px * 3 // 4), ground)
        for at, ground in enumerate(GROUNDS)
        for number in range(cases)
    ]
    drawn = _measured(wanted, workers)
    return [
        photograph_group([case for want, case in drawn if want.ground == ground], ground, STATED_PIXELS_MM, "all")
        for ground in GROUNDS
    ]


def photographs(cases_of: Drawn) -> list[Entry]:
    """Return the groups of every kind and pixel size, and those of each joint and kind."""
    groups = []
    for pixel in PIXELS_MM:
        for kind in KINDS:
            chosen = [case for want, case in cases_of if (want.kind, want.pixel_mm) == (kind, pixel)]
            groups.append(photograph_group(chosen, kind, pixel, "all"))
    for joint in JOINTS:
        for kind in KINDS:
            chosen = [case for want, case in cases_of if want.kind == kind and case.joint == joint]
            groups.append(photograph_group(chosen, kind, (PIXELS_MM[0][0], PIXELS_MM[-1][1]), joint))
    return groups


def coverage(cases_of: Drawn) -> list[Entry]:
    """Return for every value how often its interval held the truth, over all sizes of pixels and both sides together.

    What is not there (no undercut, a flat face) is measured as 0 within a bound and tells nothing of how wide the
    interval of something is: such values are counted apart.
    """
    order = {name: index for index, name in enumerate(FLOORS)}
    by_name: dict[str, list[tuple[Wanted, Trial]]] = defaultdict(list)
    for name, want, trial in sorted(
        ((trial.name, want, trial) for want, case in cases_of for trial in case.trials),
        key=lambda each: order.get(each[0], len(order)),
    ):
        by_name[without_side(name)].append((want, trial))
    entries = []
    for name, trials in by_name.items():
        seen = [(want, trial) for want, trial in trials if trial.measured is not None]
        there = [(want, trial) for want, trial in seen if abs(trial.true) > NOTHING]
        absent = [trial for _, trial in seen if abs(trial.true) <= NOTHING]
        entries.append(
            {
                "name": name,
                "n": len(there),
                "coverage": _held([trial for _, trial in there]),
                **_interval_ratios(there),
                "by_kind": {kind: _held([trial for want, trial in there if want.kind == kind]) for kind in KINDS},
                "absent": len(absent),
                "absent_held": _held(absent),
            }
        )
    return entries


def without_side(name: str) -> str:
    """Return the name of a value without the side it is of: both sides are measured alike."""
    return name.removesuffix("_left").removesuffix("_right")


HALF_NORMAL = np.array([NormalDist().inv_cdf(0.5 + (step + 0.5) / 200) for step in range(100)])
"""A hundred quantiles of the size of a normal error of standard deviation 1."""


LEAST_ALIKE = 5
"""Fewer values of one kind of picture and size of pixel do not tell what is usual for them."""


def _interval_ratios(drawn: Sequence[tuple[Wanted, Trial]]) -> Entry:
    """Return the median interval over the median error, and what it were if each interval was stated exactly (k = 2).

    It is 2.97 where all intervals are equal, more where pictures differ in how well they can be measured. Errors and
    intervals are taken in what is usual for their own kind of picture and size of pixel, and once more all together.
    """
    if not drawn:
        return {"interval_ratio": None, "exact_ratio": None, "pooled_ratio": None}
    by_kind: dict[tuple[str, tuple[float, float]], list[Trial]] = defaultdict(list)
    for want, trial in drawn:
        by_kind[want.kind, want.pixel_mm].append(trial)
    widths, errors = [np.empty(0)], [np.empty(0)]
    for trials in by_kind.values():
        stated = np.array([trial.expanded or 0.0 for trial in trials])
        usual = float(np.median(stated))
        if len(trials) >= LEAST_ALIKE and usual > 0:
            widths.append(stated / usual)
            errors.append(np.array([abs(trial.error) for trial in trials]) / usual)
    found = np.concatenate(widths)
    exact = np.median(np.outer(found / 2, HALF_NORMAL)) if len(found) else 0.0
    stated, off = np.array([(trial.expanded or 0.0, abs(trial.error)) for _, trial in drawn]).T
    return {
        "interval_ratio": _over(np.median(found), np.median(np.concatenate(errors))) if len(found) else None,
        "exact_ratio": _over(np.median(found), exact) if len(found) else None,
        "pooled_ratio": _over(np.median(stated), np.median(off)),
    }


def _over(interval: float | np.floating[Any], error: float | np.floating[Any]) -> float | None:
    return _number(float(interval) / float(error) if error else np.nan)


NOTHING = 1e-6
"""A true value below this is nothing, in mm, degrees or mm²."""


def _held(trials: Sequence[Trial | stripe.Reading]) -> float | None:
    return float(np.mean([trial.covered for trial in trials])) if trials else None


def photograph_group(cases: Sequence[Case], kind: str, pixel_mm: tuple[float, float], joint: str) -> Entry:
    """Return one group of photographs as an entry of the report."""
    trials = [trial for case in cases for trial in case.trials if trial.measured is not None]
    quantities = [
        {
            "name": row.name,
            "n": row.n,
            "bias": _number(row.bias),
            "rms": _number(row.rms),
            "p95": _number(row.p95),
            **_floor(row.name),
            "within_floor": _number(row.within_floor),
            "coverage": _number(row.covered),
            "median_error": _number(row.median_error),
            "median_interval": _number(row.median_expanded),
            "not_measured": _number(row.not_measurable),
            "silent": row.silent,
        }
        for row in rows(cases)
    ]
    return {
        "source": "photograph",
        "kind": kind,
        "joint": joint,
        "pixel_mm": list(pixel_mm),
        "pictures": len(cases),
        "measured": sum(case.measured for case in cases),
        "extra_welds": sum(case.extra_welds for case in cases),
        "silent_pictures": sum(any(trial.silently_wrong for trial in case.trials) for case in cases),
        "values": len(trials),
        "coverage": _held(trials),
        "there": len(there := [trial for trial in trials if abs(trial.true) > NOTHING]),
        "there_coverage": _held(there),
        "quantities": quantities,
    }


def laser(cases: int, seed: int) -> list[Entry]:
    """Return the groups of laser frames: clean and spoiled, a rig of 0.045 mm per pixel calibrated several times."""
    cv2.setNumThreads(1)
    rig = Rig(mm_per_px=0.045)
    calibrations = stripe.several_calibrations(rig, seed, RIGS)
    groups = []
    for kind, spoil in (("clean", False), ("spoiled", True)):
        readings, found = stripe.weld_readings(cases, seed, rig, calibrations, spoil=spoil)
        by_name: dict[str, list[stripe.Reading]] = defaultdict(list)
        for reading in readings:
            by_name[reading.name].append(reading)
        order = {name: index for index, name in enumerate(FLOORS)}
        groups.append(
            {
                "source": "laser",
                "kind": kind,
                "joint": "all",
                "pixel_mm": [0.045, 0.045],
                "pictures": cases * len(stripe.JOINTS),
                "measured": found,
                "extra_welds": None,
                "silent_pictures": len({reading.where for reading in readings if reading.silently_wrong}),
                "values": len(readings),
                "coverage": _held(readings),
                "there": len(there := [reading for reading in readings if abs(reading.true) > NOTHING]),
                "there_coverage": _held(there),
                "quantities": [
                    laser_quantity(name, by_name[name]) for name in sorted(by_name, key=lambda n: order.get(n, 999))
                ],
            }
        )
    return groups


def laser_quantity(name: str, readings: Sequence[stripe.Reading]) -> Entry:
    """Return one value of laser frames as an entry of the report."""
    errors = np.array([reading.error for reading in readings])
    return {
        "name": name,
        "n": len(readings),
        **_spread(errors),
        **_floor(name, LINE_FLOORS),
        "within_floor": float(np.mean([abs(r.error) <= r.floor for r in readings])),
        "coverage": _held(readings),
        "median_interval": float(np.median([r.expanded for r in readings])),
        "not_measured": None,
        "silent": sum(r.silently_wrong for r in readings),
    }


def the_inside(cases: int, blank: int, seed: int, *, width_px: int) -> Entry:
    """Return what became of the inside of etched sections, as an entry of the report."""
    groups, skipped = inside.run(cases, seed, size=(width_px, width_px * 3 // 4))
    looked, claimed = inside.false_claims(blank, seed + 10_000)
    return {
        "pictures": cases,
        "not_outlined": skipped,
        "blank_welds": looked,
        "blank_claimed": claimed,
        "groups": [inside_group(name, figures) for name, figures in groups.items()],
    }


def inside_group(name: str, figures: inside.Figures) -> Entry:
    """Return one range of contrast."""
    return {
        "name": name,
        "welds": figures.lines,
        "claimed": figures.claimed,
        "wrong_kind": figures.wrong_kind,
        "line_rms_px": _quantiles(figures.rms_px),
        "line_within_1_5_px": _share(figures.rms_px, 1.5),
        # the farther off a person clicks, the harder: the worst of what is tried
        "clicked_rms_px": _quantiles(figures.clicked_rms_px[max(inside.CLICK_STDS_PX)]),
        "clicked_within_1_px": _share(figures.clicked_rms_px[max(inside.CLICK_STDS_PX)], 1.0),
        "pores": figures.pores,
        "pores_found": figures.pores_found,
        "pores_false": figures.pores_false,
        "quantities": [
            {
                "name": quantity,
                "n": len(errors),
                **_spread(np.array([error for error, _, _ in errors])),
                "within_floor": float(np.mean([share <= 1 for _, share, _ in errors])),
                "coverage": float(np.mean([covered for _, _, covered in errors])),
                "not_given": figures.absent[quantity],
            }
            for quantity, errors in figures.errors.items()
        ],
    }


def missed(group: Entry) -> list[str]:
    """Return what of a group misses what was set, as short phrases; empty when nothing does."""
    found = []
    if group["pictures"] and group["measured"] < MEASURED_SHARE * group["pictures"]:
        found.append(f"{group['measured']} of {group['pictures']} measured")
    if group["silent_pictures"]:
        found.append(f"{group['silent_pictures']} with a silently wrong value")
    for item in group["quantities"]:
        judged = item["floor_stated"] and item["n"] >= LEAST_VALUES
        if judged and item["within_floor"] is not None and item["within_floor"] < 0.95:
            found.append(f"{item['name']} within its floor in {100 * item['within_floor']:.0f} % of {item['n']}")
    return found


def _floor(name: str, floors: Mapping[str, Floor] = FLOORS) -> Entry:
    floor = floors.get(name, Floor(np.nan, stated=False))
    return {"floor": _number(floor.absolute), "floor_relative": floor.relative, "floor_stated": floor.stated}


def _spread(errors: np.ndarray[Any, Any]) -> Entry:
    return {
        "bias": float(errors.mean()),
        "rms": float(np.sqrt(np.mean(errors**2))),
        "p95": float(np.quantile(np.abs(errors), 0.95)),
        "median_error": float(np.median(np.abs(errors))),
    }


def _quantiles(values: Sequence[float]) -> Entry | None:
    if not values:
        return None
    return {"n": len(values), **{f"p{q}": float(np.percentile(values, q)) for q in (50, 90, 95)}}


def _share(values: Sequence[float], limit: float) -> float | None:
    return float(np.mean(np.array(values) <= limit)) if values else None


def _number(value: Any) -> float | None:
    """Return a number that JSON can hold: None for one that is not finite."""
    return float(value) if np.isfinite(value) else None
