"""Draw the four sample pictures and write what is true of them: ``python sample_images/make_samples.py``.

Run from the root of the project. The same seeds give the same pictures.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import cv2

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.render.butts import ButtShape, butt  # noqa: E402
from benchmarks.render.camera import Camera  # noqa: E402
from benchmarks.render.fillets import FilletShape, tee  # noqa: E402
from benchmarks.render.geometry import PlateEnd, Toe  # noqa: E402
from benchmarks.render.grooves import Edge, groove  # noqa: E402
from benchmarks.render.scenario import Scenario, render  # noqa: E402
from benchmarks.render.scene import Exposure, Look  # noqa: E402
from benchmarks.render.targets import Target  # noqa: E402

JPEG_QUALITY = 94
PHOTO = Exposure(blur_px=0.9, read_noise=0.003, shot_noise=0.006, colour=True)

DARK_MOUNT = Look(
    background=0.09, plate=0.66, weld=0.50, haz=0.58, background_tint=(1.04, 1.0, 0.97), metal_tint=(0.94, 0.99, 1.03),
    grain=0.011, weld_texture=0.022, banding=0.008, scratches=3, scratch_depth=0.05, polish_lines=0.006, specks=6,
    light_gradient=0.12, light_angle_deg=140, vignette=0.12,
)  # fmt: skip
WHITE_PAPER = Look(
    background=0.86, plate=0.40, weld=0.30, haz=0.35, background_tint=(0.96, 0.99, 1.0), metal_tint=(1.03, 1.0, 0.97),
    grain=0.012, weld_texture=0.022, banding=0.01, scratches=2, scratch_depth=0.04, polish_lines=0.006, paper=0.006,
    light_gradient=0.10, light_angle_deg=60, vignette=0.10, shadow=0.10, shadow_angle_deg=-50, shadow_reach_mm=0.7,
)  # fmt: skip
GREY_BENCH = Look(
    background=0.34, plate=0.74, weld=0.60, haz=0.68, background_tint=(1.05, 1.0, 0.95), metal_tint=(0.97, 1.0, 1.01),
    grain=0.011, weld_texture=0.02, banding=0.008, scratches=2, scratch_depth=0.05, polish_lines=0.007, specks=10,
    light_gradient=0.14, light_angle_deg=200, vignette=0.10,
)  # fmt: skip


def sample_tee() -> Scenario:
    """Coupon 1: one fillet on a square tee, unequal legs, undercut at the standing plate, beside a rule."""
    shape = FilletShape(6.4, 7.6, 0.55, left=Toe(0.45, 1.3, 0.4), right=Toe(radius_mm=0.3), penetration_mm=1.1)
    drawing = tee(
        through_thickness_mm=10.0, standing_thickness_mm=8.0, right=shape,
        through_left=PlateEnd(26, 3, 0.4), through_right=PlateEnd(30, -2, 0.3), standing=PlateEnd(27, 2, 0.4),
    )  # fmt: skip
    camera = Camera(3000, 2250, 0.028, rotation_deg=3.0, shift_px=(-20.0, 180.0))
    rule = Target("ruler", (-36.5, -24.6), 2.0, square_mm=1.0, length_mm=70.0, width_mm=11.0)
    look = replace(DARK_MOUNT, label="coupon 1", label_at=(0.04, 0.08))
    return Scenario("tee", "normal", 101, drawing, camera, look, PHOTO, 0.006, (rule,))


def sample_double_tee() -> Scenario:
    """Coupon 2: fillets on both sides of a skewed tee, one convex, one hollow, seen at a tilt, beside a board."""
    drawing = tee(
        through_thickness_mm=12.0, standing_thickness_mm=10.0, angle_deg=78.0,
        right=FilletShape(6.0, 6.6, -0.35, penetration_mm=0.9),
        left=FilletShape(7.0, 6.2, 0.7, left=Toe(0.3, 1.0, 0.45), penetration_mm=1.3),
        through_left=PlateEnd(32, 0, 0.5), through_right=PlateEnd(29, 4, 0.3), standing=PlateEnd(26, -3, 0.3),
    )  # fmt: skip
    camera = Camera(
        3000, 2250, 0.028, rotation_deg=-4.0, shift_px=(0.0, -70.0), tilt_deg=3.0, tilt_axis_deg=35.0, distance_mm=380.0
    )
    board = Target("charuco", (-15.0, -29.5), 2.0, corners=(8, 3), square_mm=2.5)
    look = replace(WHITE_PAPER, label="coupon 2", label_at=(0.04, 0.95))
    return Scenario("tee", "normal", 102, drawing, camera, look, PHOTO, 0.006, (board,))


def sample_butt() -> Scenario:
    """Coupon 3: a butt weld with cap and root bead, hi-lo and a little peaking, beside a chessboard."""
    drawing = butt(
        thickness_left_mm=10.0, thickness_right_mm=10.0, offset_mm=0.6, peaking_deg=1.2,
        weld=ButtShape(7.2, 6.6, 1.7, (2.3, 2.1), 0.9, Toe(), Toe(0.5, 1.5, 0.4), passes=3),
        end_left=PlateEnd(32, 2, 0.4), end_right=PlateEnd(31, -3, 0.4),
    )  # fmt: skip
    camera = Camera(3000, 2250, 0.027, rotation_deg=2.0, shift_px=(0.0, -250.0))
    board = Target("chessboard", (-17.0, -34.0), 1.0, corners=(8, 3), square_mm=3.0)
    look = replace(GREY_BENCH, label="coupon 3", label_at=(0.04, 0.95))
    return Scenario("butt", "normal", 103, drawing, camera, look, PHOTO, 0.006, (board,))


def sample_groove() -> Scenario:
    """Joint 4: a V preparation before welding, with hi-lo, beside a rule."""
    drawing = groove(
        thickness_left_mm=12.0, thickness_right_mm=12.0, left=Edge("bevel", 30.0, 1.6), right=Edge("bevel", 32.5, 2.0),
        root_gap_mm=2.8, offset_mm=0.7, end_left=PlateEnd(21, 2, 0.4), end_right=PlateEnd(20, 0, 0.3),
    )  # fmt: skip
    camera = Camera(3000, 2250, 0.028, rotation_deg=-2.5, shift_px=(0.0, -260.0))
    rule = Target("ruler", (-37.0, -32.5), -1.0, square_mm=1.0, length_mm=70.0, width_mm=11.0, paper=0.82, ink=0.1)
    look = replace(DARK_MOUNT, background=0.13, weld=0.66, label="joint 4", label_at=(0.04, 0.08))
    return Scenario("groove", "normal", 104, drawing, camera, look, PHOTO, 0.005, (rule,))


SAMPLES = {"tee": sample_tee, "double_tee": sample_double_tee, "butt": sample_butt, "groove": sample_groove}


def truth() -> dict[str, list[dict[str, float]]]:
    """Return the true values of every weld of every sample, welds left to right in the picture."""
    return {
        name: [{key: round(value, 4) for key, value in weld.values.items()} for weld in make().drawing.welds]
        for name, make in SAMPLES.items()
    }


def main() -> None:
    """Write the pictures and truth.json beside this script."""
    for name, make in SAMPLES.items():
        rendering = render(make())
        cv2.imwrite(str(HERE / f"{name}.jpg"), rendering.picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    (HERE / "truth.json").write_text(json.dumps(truth(), indent=1) + "\n")


if __name__ == "__main__":
    main()
