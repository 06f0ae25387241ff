"""What the perspective of a rule says of a tilt, and what an unknown lens feigns of it."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.askew import seen_tilt
from calibration.distance import likely_focal

SIZE = (2000, 1500)
MIDDLE = np.array([999.5, 749.5])
ALONG, NOISE = np.array([1.0, 0.0]), np.array([1e-8, 1e-8])
BENT_PER_PX = 2.0 * 0.005 * 600.0 / (1000.0**2 + 750.0**2)
"""Change of the scale across a rule 600 px beside the middle; the lens displaces the corners by half a percent."""


def test_a_rule_in_the_middle_is_believed():
    likely = likely_focal(0.03, SIZE)
    seen = seen_tilt(likely, np.array([0.0, 1e-5]), NOISE, MIDDLE, ALONG, SIZE)
    assert seen.camera_matrix[0, 0] == pytest.approx(likely.seen_askew(1e-5, 1e-8).making_tilt_px, rel=1e-3)
    assert seen.feigned_rad.max() == pytest.approx(0.0, abs=1e-9)


def test_what_a_lens_feigns_beside_the_middle_is_no_tilt_before_a_long_lens():
    """Under a microscope the plane hardly recedes: half a percent of distortion looks like a tilt of degrees."""
    likely = likely_focal(0.0005, SIZE)
    perspective = np.array([0.0, BENT_PER_PX])
    middle, beside = (
        seen_tilt(likely, perspective, NOISE, MIDDLE + np.array([0.0, off_px]), ALONG, SIZE) for off_px in (0.0, 600.0)
    )
    tilt_of = [float(seen.camera_matrix[0, 0]) * BENT_PER_PX for seen in (middle, beside)]
    assert tilt_of[1] < 0.8 * tilt_of[0]
    assert 0.5 * tilt_of[1] ** 2 < 2.0 * tilt_of[1] ** 2 * beside.focal_std, "no tilt at all lies in the interval"
    assert beside.focal_std > middle.focal_std
