"""How near its limits the laser line comes: ``python -m benchmarks.stripe --cases 40 --seed 1``.

Four tables: the line's centre against the Cramér-Rao bound; points in mm after each rig's own calibration; welds
under a clean line and under one with reflections, sparks, glow, dropouts and overexposure; time against the
decoding of the same frame as PNG, on one core.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.floors import LINE_FLOORS, SILENT_EXPANDED, Floor
from benchmarks.render.laser import Light, Rig, stripe_picture
from benchmarks.render.laser_board import ChessBoard, calibration_set
from benchmarks.render.laser_scene import random_drawing, seen_values, shot, spoiled
from calibration.board import BOARD_REL_STD
from calibration.corners import Board
from calibration.laser import RigCalibration, calibrate_laser
from calibration.laser_plane import LineView
from calibration.lens import find_boards
from calibration.model import Calibration
from core.errors import ToelineError
from core.quantity import Quantity
from inspection.laser_frame import measure_frame
from measurement import measure
from vision.stripe import Stripe, extract
from vision.stripe_profile import profile_from_stripe

JOINTS = ("tee", "lap", "butt", "groove")
SHEET_BLUR, SHEET = 0.5, 0.87
"""Shares of a line's width that are blur and the thickness of the sheet of light, where both make it up."""

SHAPE = (1088, 2048)
X = np.arange(-20.0, 2069.0)
WAVE = np.column_stack([X, 540 + 150 * np.sin(X / 350)])
"""Slopes up to 0.43, as on plates and faces."""

LOOKS = {
    "sigma 1, noise 2": Light(sigma_px=1.0, noise=2.0),
    "sigma 2, noise 2": Light(noise=2.0),
    "sigma 2, noise 5": Light(),
    "sigma 2, noise 20": Light(noise=20.0),
    "sigma 4, noise 5": Light(sigma_px=4.0),
    "speckle 0.1": Light(speckle=0.1),
    "speckle 0.3": Light(speckle=0.3),
    "speckle 0.6": Light(speckle=0.6),
    "overexposed x 3.5": Light(amplitude=900.0),
    "40 px thick, overexposed": Light(amplitude=600.0, sigma_px=9.0),
}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=30, help="frames of each joint, clean and spoiled")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    centre_table(chosen.seed)
    calibrations = point_table(chosen.seed)
    for name, spoil in (("clean", False), ("spoiled", True)):
        weld_table(name, chosen.cases, chosen.seed, *calibrations["0.045"], spoil=spoil)
    speed_table(chosen.seed, *calibrations["0.045"])


def bound_px(light: Light) -> float:
    """Return the Cramér-Rao bound of a column's centre: 1.062 (noise / height) sqrt(sigma)."""
    return 1.062 * math.hypot(light.noise, math.sqrt(1 / 12)) / light.amplitude * math.sqrt(light.sigma_px)


def off(stripe: Stripe) -> NDArray[np.float64]:
    """Return the error of each point along its column, px."""
    return np.asarray(stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *WAVE.T))


def centre_table(seed: int) -> None:
    """Print the line's centre under each light."""
    print(f"{'light':26} {'rms px':>8} {'bound':>8} {'ratio':>6} {'points':>7} {'within 2 std':>12}  estimator")
    for name, light in LOOKS.items():
        stripe = extract(stripe_picture(SHAPE, WAVE, light, np.random.default_rng(seed)))
        found = off(stripe)
        rms = float(np.sqrt(np.mean(found**2)))
        inside = float(np.mean(np.abs(found) < 2 * stripe.std_px))
        free = light.speckle == 0 and light.amplitude < 255
        bound = bound_px(light)
        ratio = f"{rms / bound:6.2f}" if free else "     -"
        print(f"{name:26} {rms:8.4f} {bound:8.4f} {ratio} {len(found):7d} {100 * inside:10.1f} %  {stripe.estimator}")


def calibrated(
    rig: Rig, light: Light, seed: int, *, square_mm: float | None = None, larger_by: float = 0.0
) -> RigCalibration:
    """Calibrate a drawn rig from eight poses; the squares of its board suit frames of 2048 pixels when not given.

    ``larger_by`` is the share by which the board is larger than what the program is told.
    """
    told_mm = square_mm or round(rig.mm_per_px / 0.009, 1)
    drawn = ChessBoard(square_mm=told_mm * (1 + larger_by))
    _, boards, stripes = calibration_set(rig, drawn, light, count=8, seed=seed)
    names = [f"pose {i}" for i in range(8)]
    found, served, left_out = find_boards(boards, Board("chessboard", drawn.columns, drawn.rows, told_mm), names)
    lines = [(name, extract(picture), board) for name, picture, board in zip(names, stripes, boards, strict=True)]
    views = [LineView(name, line.points_px, line.std_px, line.width_px, board) for name, line, board in lines]
    return calibrate_laser(found, served, views, boards[0].shape, left_out=left_out)


def several_calibrations(rig: Rig, seed: int, count: int) -> list[Calibration]:
    """Calibrate a rig from so many boards, which are as true to size as the program takes boards to be."""
    off = np.random.default_rng((seed, count)).normal(0.0, BOARD_REL_STD, count)
    return [
        calibrated(rig, Light(), seed + number, larger_by=float(share)).calibration for number, share in enumerate(off)
    ]


def point_table(seed: int) -> dict[str, tuple[Rig, Calibration]]:
    """Print how far profile points lie from the truth after each rig's own calibration."""
    print(f"\n{'rig, light':32} {'rms mm':>8} {'reprojection px':>16} {'plane um':>9}")
    rigs: dict[str, tuple[Rig, Calibration]] = {}
    for scale in (0.03, 0.045, 0.06):
        for label, light in (
            ("", Light()),
            (", speckle 0.3", Light(speckle=0.3)),
            (", overexposed", Light(amplitude=900)),
        ):
            rig = Rig(mm_per_px=scale)
            made = calibrated(rig, light, seed)
            rigs.setdefault(f"{scale}", (rig, made.calibration))
            name = f"{scale} mm per pixel{label}"
            rms = _points_rms(rig, made.calibration, light, seed)
            lens = made.lens_fit.calibration.rms_px
            print(f"{name:32} {rms:8.4f} {lens:16.3f} {1000 * made.plane_fit.rms_mm:9.1f}")
    return rigs


def _points_rms(rig: Rig, calibration: Calibration, light: Light, seed: int) -> float:
    """Return the distance of points across a drawn V profile, up to a rigid motion, rms mm."""
    half = 0.45 * rig.width_px * rig.mm_per_px
    true = np.array([[-half, 0.1 * half], [0.0, -0.1 * half], [half, 0.12 * half]])
    picture = stripe_picture(SHAPE, rig.to_px(true), light, np.random.default_rng(seed))
    points = profile_from_stripe(extract(picture), calibration).points_mm
    # The frame of the calibration is its own: lay it on the drawing by marks anywhere in the field.
    marks = np.array([[-0.8 * half, 0.0], [0.8 * half, 0.0], [0.0, 0.3 * half], [0.0, -0.2 * half]])
    seen = calibration.to_mm(rig.to_px(marks))
    left, _, right = np.linalg.svd((seen - seen.mean(axis=0)).T @ (marks - marks.mean(axis=0)))
    placed = (points - seen.mean(axis=0)) @ (left @ right) + marks.mean(axis=0)
    slope = np.where(placed[:, 0] < 0, -0.2, 0.22)
    error = (placed[:, 1] - np.interp(placed[:, 0], *true.T)) * np.cos(np.arctan(slope))
    return float(np.sqrt(np.mean(error[np.abs(placed[:, 0]) > 0.2] ** 2)))


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one frame against its truth; ``floor`` is what it may be off by."""

    where: str
    name: str
    true: float
    measured: float
    expanded: float
    floor: float
    flagged: bool

    @property
    def error(self) -> float:
        """Measured minus true value."""
        return self.measured - self.true

    @property
    def covered(self) -> bool:
        """Whether the truth lies in the interval."""
        return abs(self.error) <= self.expanded

    @property
    def silently_wrong(self) -> bool:
        """Whether it is far beyond floor and interval, and nothing was said about the weld."""
        return abs(self.error) > max(self.floor, SILENT_EXPANDED * self.expanded) and not self.flagged


def weld_readings(
    cases: int, seed: int, rig: Rig, calibrations: Sequence[Calibration], *, spoil: bool
) -> tuple[list[Reading], int]:
    """Return the values of random welds under the line, and how many frames of ``4 cases`` gave any.

    The calibrations of the rig take turns.
    """
    readings: list[Reading] = []
    measured = 0
    for joint in JOINTS:
        for case in range(cases):
            rng = np.random.default_rng((seed, case, JOINTS.index(joint)))
            drawing = random_drawing(joint, rng, 60.0)
            light = Light(amplitude=float(rng.uniform(120, 240)), sigma_px=float(rng.uniform(1.5, 3.0)),
                          noise=float(rng.uniform(1, 6)))  # fmt: skip
            if case % 2:  # half of the lines are a sheet's thickness with some blur, half are all blur
                light = replace(light, sigma_px=SHEET_BLUR * light.sigma_px, sheet_px=SHEET * light.sigma_px)
            taken = shot(rig, drawing, light, rng, turn_deg=float(rng.normal(0, 3)))
            frame = taken.frame
            if spoil:
                frame = stripe_picture(SHAPE, taken.pieces_px, spoiled(light, rng, taken.pieces_px, rig), rng)
            try:
                weld = measure_frame(frame, calibrations[case % len(calibrations)], joint=joint).found.welds[0]  # type: ignore[arg-type]
            except ToelineError:
                continue
            measured += 1
            values = measure(weld.section)
            flagged = bool(weld.section.flags)
            for quantity, true in seen_values(taken.weld.values).items():
                got = values.get(quantity)
                if not isinstance(got, Quantity):
                    continue
                readings.append(
                    Reading(
                        f"{joint} {case}",
                        quantity,
                        true,
                        got.value,
                        got.expanded_uncertainty or 0.0,
                        LINE_FLOORS.get(quantity, Floor(0.1)).at(true),
                        flagged,
                    )
                )
    return readings, measured


def weld_table(name: str, cases: int, seed: int, rig: Rig, calibration: Calibration, *, spoil: bool) -> None:
    """Print errors of welds against the truth, and how many frames gave nothing or something silently wrong."""
    readings, measured = weld_readings(cases, seed, rig, [calibration], spoil=spoil)
    by_name: dict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        by_name[reading.name].append(reading)
    silent = [reading for reading in readings if reading.silently_wrong]
    total = cases * len(JOINTS)
    share = 100 * measured / total
    print(f"\n{name}: {measured} of {total} frames measured ({share:.1f} %), {len(silent)} values silently wrong")
    print(f"{'value':26} {'n':>4} {'95 % of errors':>14} {'within floor':>12} {'in interval':>11}")
    for quantity, found in sorted(by_name.items()):
        errors = np.array([abs(reading.error) for reading in found])
        good = 100 * np.mean([abs(reading.error) <= reading.floor for reading in found])
        covered = 100 * np.mean([abs(reading.error) <= reading.expanded for reading in found])
        print(f"{quantity:26} {len(found):4d} {np.percentile(errors, 95):14.3f} {good:10.1f} % {covered:9.1f} %")
    for reading in silent[:12]:
        print(
            f"  silently wrong: {reading.where} {reading.name}: {reading.true:.2f} measured as "
            f"{reading.measured:.2f} +- {reading.expanded:.2f}"
        )


def best_of(work: Callable[[], object], repeats: int = 9) -> float:
    """Return the shortest time of a piece of work, ms."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * min(times)


def speed_table(seed: int, rig: Rig, calibration: Calibration) -> None:
    """Print the time from pixels to profile and to measured values, against decoding the frame as PNG."""
    print(f"\n{'frame 2048 x 1088':20} {'decode ms':>9} {'profile ms':>10} {'ratio':>6} {'all ms':>8} {'ratio':>6}")
    rng = np.random.default_rng(seed)
    for name, light in (("noisy", Light()), ("dark", Light(noise=0.0, ground=4.0)), ("speckled", Light(speckle=0.3))):
        for joint in JOINTS:
            frame = shot(rig, random_drawing(joint, np.random.default_rng(seed), 60.0), light, rng).frame
            data = cv2.imencode(".png", frame)[1]
            decode = best_of(lambda data=data: cv2.imdecode(data, cv2.IMREAD_UNCHANGED))
            profile = best_of(lambda frame=frame: profile_from_stripe(extract(frame), calibration))

            def whole(frame: NDArray[np.uint8] = frame, joint: str = joint) -> None:
                for weld in measure_frame(frame, calibration, joint=joint).found.welds:  # type: ignore[arg-type]
                    measure(weld.section)

            every = best_of(whole)
            ratios = f"{profile:10.1f} {profile / decode:6.2f} {every:8.1f} {every / decode:6.2f}"
            print(f"{name + ', ' + joint:20} {decode:9.1f} {ratios}")


if __name__ == "__main__":
    main()
