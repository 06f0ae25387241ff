"""Clouds of known truth, cut into sections and measured: ``python -m benchmarks.cloud --cases 15 --seed 1``.

Prints the error that 95 % of the sections do not exceed, beside the floor, and the share of intervals that hold.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.cloud import Scan, scan
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import Drawing, PlateEnd
from benchmarks.render.grooves import Edge, groove
from core.errors import NothingMeasurable
from core.quantity import Quantity
from measurement import measure
from vision.cloud import Cloud, sections
from vision.find_profile import find_welds_in_profile

FLOORS = {
    "reinforcement": 0.04, "misalignment": 0.04, "convexity": 0.04, "leg_left": 0.08, "leg_right": 0.08,
    "cap_width": 0.08, "root_gap": 0.08, "joint_angle": 0.3, "bevel_angle_left": 0.3, "bevel_angle_right": 0.3,
    "throat": None, "angular_misalignment": None,
}  # fmt: skip
ENDS = {"through_left": PlateEnd(25), "through_right": PlateEnd(35), "standing": PlateEnd(35)}
FAR = {"end_left": PlateEnd(40), "end_right": PlateEnd(40)}
LENGTH_MM, NOISE_MM = 12.0, (0.1, 0.15)


def drawn(joint: str, rng: np.random.Generator) -> Drawing:
    """Return a joint of random dimensions."""
    among = rng.uniform
    if joint == "tee":
        weld = FilletShape(among(5, 9), among(5, 9), among(-0.5, 0.8))
        return tee(through_thickness_mm=10, standing_thickness_mm=8, angle_deg=among(70, 110), right=weld, **ENDS)
    if joint == "lap":
        upper = among(9, 14)
        weld = FilletShape(upper * among(0.5, 0.7), upper * among(0.5, 0.8), among(0, 0.6))
        far = {"lower_end": PlateEnd(40), "upper_end": PlateEnd(40)}
        return lap(lower_thickness_mm=10, upper_thickness_mm=upper, weld=weld, **far)
    if joint == "butt":
        weld = ButtShape(among(5, 8), among(5, 8), among(1, 2.5))
        offset, peak = among(-1, 1), among(-2, 2)
        return butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, offset_mm=offset, peaking_deg=peak, **FAR)
    edges = [Edge("bevel", among(20, 35), among(1, 2)) for _ in range(2)]
    gap, offset = among(1.2, 4), among(-0.5, 0.5)
    return groove(
        thickness_left_mm=10,
        thickness_right_mm=10,
        left=edges[0],
        right=edges[1],
        root_gap_mm=gap,
        offset_mm=offset,
        **FAR,
    )


def trial(
    joint: str, seed: int, slabs: tuple[float, ...], noise_mm: tuple[float, float] = NOISE_MM
) -> dict[float, list[dict[str, tuple[float, float]] | None]]:
    """Return error and expanded uncertainty of every value of every section, None for one that gave nothing."""
    rng = np.random.default_rng([seed, 77])
    drawing = drawn(joint, rng)
    how = Scan(length_mm=LENGTH_MM, per_mm2=25.0, noise_mm=float(rng.uniform(*noise_mm)), behind_mm=9.0)
    cloud = scan(drawing, how, seed)
    truth = drawing.welds[0].values
    found = {}
    for slab in slabs:
        rows: list[dict[str, tuple[float, float]] | None] = []
        for section in sections(Cloud(cloud.points_mm), slab, joint=joint, seam=-cloud.seam):  # type: ignore[arg-type]
            try:
                if section.profile is None:
                    raise NothingMeasurable(section.reason)
                weld = find_welds_in_profile(section.profile, joint=joint).welds[0]  # type: ignore[arg-type]
            except NothingMeasurable:
                rows.append(None)
                continue
            values = measure(weld.section)
            rows.append(
                {
                    name: (value.value - truth[name], value.expanded_uncertainty or 0.0)
                    for name, value in values.items()
                    if name in FLOORS and name in truth and isinstance(value, Quantity)
                }
            )
        found[slab] = rows
    return found


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=15)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--slab", type=float, nargs="+", default=[1.0, 3.0])
    parser.add_argument("--noise", type=float, nargs=2, default=NOISE_MM)
    chosen = parser.parse_args()
    for joint in ("tee", "lap", "butt", "groove"):
        by_slab = defaultdict(list)
        for number in range(chosen.cases):
            found = trial(joint, 1000 * chosen.seed + number, tuple(chosen.slab), tuple(chosen.noise))
            for slab, rows in found.items():
                by_slab[slab] += rows
        for slab, rows in by_slab.items():
            missed = sum(row is None for row in rows)
            print(f"{joint}, slab {slab:g} mm: {len(rows)} sections, {missed} without a weld")
            for name, floor in FLOORS.items():
                pairs = np.array([row[name] for row in rows if row is not None and name in row])
                if len(pairs):
                    off = np.abs(pairs[:, 0])
                    wanted = "-" if floor is None else f"{floor:g}"
                    print(
                        f"  {name:22s} 95 % within {np.percentile(off, 95):6.3f}  wanted {wanted:5s} "
                        f"intervals hold {100 * np.mean(off <= pairs[:, 1]):5.1f} %  "
                        f"median U {np.median(pairs[:, 1]):.3f}"
                    )


if __name__ == "__main__":
    main()
