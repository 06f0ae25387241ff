"""Draw the sample cloud: 60 mm of a fillet along a gently curving stiffener, as a hand-held scanner gives it.

Run from the root of the checkout: ``python -m sample_images.make_cloud``. The truth is in ``cloud/truth.json``.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.render.cloud import Scan, scan
from benchmarks.render.fillets import FilletShape, tee

FOLDER = Path(__file__).with_name("cloud")
SHAPE = FilletShape(6.0, 7.0, 0.5)
HOW = Scan(length_mm=60.0, per_mm2=24.0, noise_mm=0.1, holes=6, floating=0.003, bend_radius_mm=450.0)
SEED = 20250302


def main() -> None:
    """Write the cloud as a binary PLY, and its truth."""
    FOLDER.mkdir(exist_ok=True)
    drawing = tee(through_thickness_mm=10.0, standing_thickness_mm=8.0, angle_deg=84.0, right=SHAPE)
    cloud = scan(drawing, HOW, SEED, reach_mm=20.0)
    write_ply(FOLDER / "stiffener.ply", cloud.points_mm)
    truth = {
        "length_mm": HOW.length_mm,
        "noise_mm": HOW.noise_mm,
        "bend_radius_mm": HOW.bend_radius_mm,
        "seam": [round(float(part), 6) for part in cloud.seam],
        "air": [round(float(part), 6) for part in cloud.air],
        "tee": {name: round(value, 6) for name, value in drawing.welds[0].values.items()},
    }
    (FOLDER / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


def write_ply(path: Path, points_mm: NDArray[np.float64]) -> None:
    """Write points (N, 3) as single-precision PLY."""
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment units mm\n"
        f"element vertex {len(points_mm)}\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
    )
    path.write_bytes(header.encode() + points_mm.astype("<f4").tobytes())


if __name__ == "__main__":
    main()
