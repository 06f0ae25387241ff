"""Draw the sample rig: eight boards, the laser line on each, a step block and a fillet under the line.

Run from the root of the checkout: ``python -m sample_images.make_rig``. Everything is drawn from the numbers below;
``rig/truth.json`` holds them beside the pictures.
"""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Toe
from benchmarks.render.laser import Light, Rig, stripe_picture
from benchmarks.render.laser_board import ChessBoard, board_picture, poses, steps_profile, stripe_on_board
from benchmarks.render.laser_scene import shot

FOLDER = Path(__file__).with_name("rig")
RIG = Rig(width_px=1024, height_px=544, mm_per_px=0.06, focal_px=2000.0, lift_deg=38.0)
BOARD = ChessBoard(columns=8, rows=5, square_mm=5.0)
LIGHT = Light(amplitude=230.0, sigma_px=1.6, ground=6.0, noise=1.0)
STEP_MM = 5.0


def main() -> None:
    """Write the pictures and their truth."""
    rng = np.random.default_rng(20250301)
    rays = RIG.rays()
    for folder in ("boards", "stripes"):
        (FOLDER / folder).mkdir(parents=True, exist_ok=True)
    for number, pose in enumerate(poses(RIG, BOARD, 8, seed=5), start=1):
        name = f"pose{number}"
        board = board_picture(RIG, BOARD, pose, rng, rays=rays)
        cv2.imwrite(str(FOLDER / "boards" / f"{name}.jpg"), board, [cv2.IMWRITE_JPEG_QUALITY, 92])
        stripe = stripe_on_board(RIG, BOARD, pose, LIGHT, rng, rays=rays)
        cv2.imwrite(str(FOLDER / "stripes" / f"{name}.jpg"), stripe, [cv2.IMWRITE_JPEG_QUALITY, 96])
    step = [RIG.to_px(piece) for piece in np.split(steps_profile(STEP_MM, 18.0, 28.0), 3)]
    cv2.imwrite(str(FOLDER / "step.png"), stripe_picture((RIG.height_px, RIG.width_px), step, LIGHT, rng))
    weld = FilletShape(6.0, 6.5, 0.5, Toe(), Toe(undercut_depth_mm=0.35, undercut_width_mm=1.2))
    drawing = tee(through_thickness_mm=10.0, standing_thickness_mm=8.0, right=weld)
    taken = shot(RIG, drawing, LIGHT, rng)
    cv2.imwrite(str(FOLDER / "tee.png"), taken.frame)
    truth = {
        "step_mm": STEP_MM,
        "mm_per_px": RIG.mm_per_px,
        "tee": {k: round(v, 6) for k, v in taken.weld.values.items()},
    }
    (FOLDER / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
