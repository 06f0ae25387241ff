"""Draw the etched sample and write what is true inside it: ``python sample_images/make_etched.py``.

Run from the root of the project. The same seed gives the same picture.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.render.camera import Camera  # noqa: E402
from benchmarks.render.etch import EtchedSection, random_section  # noqa: E402
from benchmarks.render.etch_paint import Etch, EtchedPicture, paint_etched  # noqa: E402

JPEG_QUALITY = 92
ETCH = Etch(
    background=0.92, parent=0.58, haz=0.47, weld=0.27, weld_grain="columnar", weld_grain_mm=0.14, weld_texture=0.035,
    parent_grain_mm=0.05, parent_texture=0.02, haz_feather_mm=0.15, fusion_blur_px=2.0, blur_px=0.9, uneven=0.03,
    rolling=0.01, band_strength=0.25, noise=0.005, jpeg_quality=None,
)  # fmt: skip


def etched_tee() -> tuple[EtchedSection, EtchedPicture]:
    """Coupon 5: a tee welded on both sides, etched, with a few pores."""
    rng = np.random.default_rng(505)
    section = random_section(rng, "double_tee", pores=3)
    x0, y0, x1, y1 = section.drawing.metal.bounds
    scale = 0.028
    plain = Camera(2000, 1500, scale, -2.0)
    shift = plain.centre_px - plain.to_px(np.array([[(x0 + x1) / 2, (y0 + y1) / 2]]))[0]
    camera = Camera(2000, 1500, scale, -2.0, (float(shift[0]), float(shift[1])))
    return section, paint_etched(section, ETCH, camera, rng)


def truth() -> dict[str, object]:
    """Return the true values of both welds, left to right, and the size of a pixel."""
    section, picture = etched_tee()
    return {
        "mm_per_px": picture.camera.mm_per_px,
        "welds": [{name: round(value, 4) for name, value in weld.values.items()} for weld in section.welds],
        "pores": [
            [{"long_mm": round(p.long_mm, 4), "short_mm": round(p.short_mm, 4), "dark": p.dark} for p in weld.pores]
            for weld in section.welds
        ],
    }


def main() -> None:
    """Write the picture and its truth beside this script."""
    _, picture = etched_tee()
    cv2.imwrite(str(HERE / "etched-tee.jpg"), picture.picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    (HERE / "etched-truth.json").write_text(json.dumps(truth(), indent=1) + "\n")


if __name__ == "__main__":
    main()
