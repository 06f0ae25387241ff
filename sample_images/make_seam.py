"""Draw a short seam for the sample rig: a fillet weld of a tee seen by the laser line at every millimetre.

Run from the root of the checkout: ``python -m sample_images.make_seam``. An undercut grows and goes along the right
toe, the legs wander, and the laser fails in two frames; ``seam/truth.json`` holds what is true of each.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Toe
from benchmarks.render.laser import stripe_picture
from benchmarks.render.laser_scene import shot
from sample_images.make_rig import LIGHT, RIG

FOLDER = Path(__file__).with_name("seam")
FRAMES = 24
PITCH_MM = 1.0
DARK = (17, 18)
DEEPEST_MM = 0.7


def shape_at(position_mm: float) -> FilletShape:
    """Return the weld at a place along the seam."""
    depth = DEEPEST_MM * math.exp(-(((position_mm - 8.0) / 2.6) ** 2))
    toe = Toe(undercut_depth_mm=depth, undercut_width_mm=1.0 + 2.4 * depth) if depth > 0.08 else Toe()
    return FilletShape(
        6.2 + 0.3 * math.sin(position_mm / 3.5), 6.6 + 0.25 * math.cos(position_mm / 4.1), 0.4, Toe(), toe
    )


def main() -> None:
    """Write the frames and their truth."""
    rng = np.random.default_rng(20250412)
    FOLDER.mkdir(exist_ok=True)
    sections = []
    for number in range(FRAMES):
        position = number * PITCH_MM
        drawing = tee(through_thickness_mm=10.0, standing_thickness_mm=8.0, right=shape_at(position))
        taken = shot(RIG, drawing, LIGHT, rng)
        dark = number in DARK
        frame = stripe_picture((RIG.height_px, RIG.width_px), [], LIGHT, rng) if dark else taken.frame
        name = f"frame{number + 1:02d}.jpg"
        cv2.imwrite(str(FOLDER / name), frame, [cv2.IMWRITE_JPEG_QUALITY, 92])
        values = None if dark else {key: round(value, 6) for key, value in taken.weld.values.items()}
        sections.append({"source": name, "position_mm": position, "values": values})
    truth = {"pitch_mm": PITCH_MM, "sections": sections}
    (FOLDER / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
