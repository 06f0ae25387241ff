"""Rules before lenses that nobody calibrated: long and short ones, and ones that bend."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.plane import PlaneOffset
from calibration.ruler import calibrate_ruler

IN_PLANE = PlaneOffset(0.0, 300.0, 0.0)


@pytest.mark.parametrize("focal_px", [1000.0, 2600.0, 6500.0])
def test_a_tilt_is_allowed_for_whatever_the_lens(draw, focal_px):
    """Ticks converge more before a phone's lens than before a long one, and how strongly each tilt shortens is open."""
    for tilt in ((7.0, 0.0), (-5.0, 5.0), (0.0, 6.0)):
        raster, raster_px_per_mm, first = draw.rule(60, 1.0)
        view = draw.view(*tilt, 5.0, 16.0, focal_px, (620.0, 480.0), (first[0] + 29.5, first[1]))
        gray = draw.seen(raster, raster_px_per_mm, view, (1250, 950))
        named = PlaneOffset(0.0, 300.0, 0.0, focal_35_mm=focal_px / np.hypot(1250.0, 950.0) * 43.27)
        errors = []
        for plane in (IN_PLANE, named):
            calibration = calibrate_ruler(gray, 1.0, plane=plane)
            ends = draw.through(view, np.array([[first[0] + 29.5, first[1] - 12.0], [first[0] + 29.5, first[1] - 2.0]]))
            found = calibration.to_mm(ends)
            parts = calibration.relative_components(ends)
            expanded = 2 * np.hypot(parts["scale"], parts["tilt"])
            errors.append((abs(float(np.hypot(*(found[1] - found[0]))) / 10.0 - 1), expanded))
        assert all(error < 0.001 + expanded < 0.026 for error, expanded in errors)
        assert errors[1][1] < 0.008, "the file names the focal length"


def test_a_fine_rule_that_a_lens_bends_is_a_rule(draw):
    """Its ticks lie 0.9 px off an even spacing and 0.05 px off a smooth one: no print does."""
    raster, raster_px_per_mm, first = draw.rule(120, 1.0)
    view = draw.view(0.0, 0.0, 2.0, 9.5, 2600.0, (620.0, 480.0), (first[0] + 59.5, first[1]))
    gray = draw.seen(raster, raster_px_per_mm, view, (1250, 950))
    y, x = np.indices(gray.shape, np.float32)
    middle = np.array([(gray.shape[1] - 1) / 2, (gray.shape[0] - 1) / 2])
    bend = 1 - 0.019 * ((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / float(middle @ middle)
    maps = (middle[0] + (x - middle[0]) * bend, middle[1] + (y - middle[1]) * bend)
    bent = cv2.remap(gray, *(m.astype(np.float32) for m in maps), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    calibration = calibrate_ruler(bent, 1.0)
    assert calibration.provenance["residual_rms_px"] > 0.1 + 0.06 * 9.5
    for start in (35, 55, 75):
        ends_mm = np.array([[first[0] + start, first[1]], [first[0] + start + 10.0, first[1]]])
        ideal = draw.through(view, ends_mm)
        seen = (
            middle + (ideal - middle) * (1 + 0.019 * np.sum((ideal - middle) ** 2, axis=1) / (middle @ middle))[:, None]
        )
        found = calibration.to_mm(seen)
        expanded = 2 * np.hypot.reduce(list(calibration.relative_components(seen).values()))
        assert abs(float(np.hypot(*(found[1] - found[0]))) / 10.0 - 1) < expanded < 0.03
