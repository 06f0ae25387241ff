"""Photographs of drawings, with the calibration that belongs to them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.camera import Camera
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing, PlateEnd
from benchmarks.render.scene import Exposure, Look, paint
from calibration.model import Calibration, from_pixel_size
from core.geometry import Points
from vision.find import find_welds
from vision.found import FoundWeld

BRIGHT = Look(scratches=3)
DARK = Look(background=0.86, plate=0.34, weld=0.28, haz=0.31, scratches=3, scratch_depth=-0.05)
LOOKS = {"bright on dark": BRIGHT, "dark on bright": DARK}


@dataclass(frozen=True, slots=True, eq=False)
class Photograph:
    """A grey picture, its calibration, and where the truth lies in it."""

    gray: NDArray[np.uint8]
    calibration: Calibration
    camera: Camera
    drawing: Drawing

    def truth_px(self) -> list[dict[str, Points]]:
        """Return the true points of each weld, welds from left to right in the picture."""
        welds = [{k: self.camera.to_px(p)[0] for k, p in w.points_mm.items()} for w in self.drawing.welds]
        return sorted(welds, key=lambda points: float(np.mean([p[0] for p in points.values()])))


Photographer = Callable[..., Photograph]


@pytest.fixture(scope="session")
def photograph() -> Photographer:
    """Return a function that photographs a drawing, its focus in the middle of the picture."""

    def take(
        drawing: Drawing,
        *,
        rotation_deg: float = 0.0,
        look: str = "bright on dark",
        size_px: tuple[int, int] = (1200, 900),
        mm_per_px: float = 0.045,
        blur_px: float = 0.8,
        seed: int = 0,
    ) -> Photograph:
        camera = Camera(*size_px, mm_per_px, rotation_deg)
        off = camera.centre_px - camera.to_px(np.array([drawing.focus_mm]))[0]
        camera = Camera(*size_px, mm_per_px, rotation_deg, (float(off[0]) + 0.37, float(off[1]) - 0.21))
        exposure = Exposure(blur_px=blur_px)
        gray = paint(drawing, camera, LOOKS[look], exposure, np.random.default_rng(seed), roughness_mm=0.004)
        return Photograph(np.asarray(gray, np.uint8), from_pixel_size(mm_per_px), camera, drawing)

    return take


@pytest.fixture(scope="session")
def fillet(photograph: Photographer) -> FoundWeld:
    """Return the only weld of a photographed tee: legs of 6.2 and 7.1 mm on plates of 9 and 8 mm."""
    ends = {"through_left": PlateEnd(14), "through_right": PlateEnd(17), "standing": PlateEnd(15)}
    shape = FilletShape(6.2, 7.1, bulge_mm=0.5)
    photo = photograph(tee(through_thickness_mm=9, standing_thickness_mm=8, right=shape, **ends))
    return find_welds(photo.gray, photo.calibration).welds[0]
