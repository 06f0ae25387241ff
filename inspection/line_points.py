"""The points of a laser line in mm as a table: what was measured on, for other programs and for later years."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from calibration.model import Calibration
from inspection.document import write_text
from vision.stripe import Stripe
from vision.stripe_profile import profile_from_stripe
from vision.stripe_share import steadied

HEADINGS = ("x_mm", "y_mm", "std_mm", "column_px", "row_px", "missing_after_mm")


def write_line_points(path: Path, stripe: Stripe, calibration: Calibration) -> None:
    """Write each point of a line with its standard uncertainty across the surface, and how much is missing after it.

    These are the best single places: neighbours on smooth stretches share what they know (`vision.stripe_share`), so a
    fit to them must not take them for independent. The values of a weld rest on the points as they were found.

    Raises
    ------
    UnreadableFile
        When the file cannot be written.
    """
    profile = profile_from_stripe(steadied(stripe), calibration)
    assert profile.points_px is not None
    missing = np.zeros(len(profile.points_mm))
    for gap in profile.gaps:
        if 0 <= gap.after < len(missing) - 1:
            missing[gap.after] = gap.length_mm
    table = io.StringIO()
    rows = csv.writer(table, lineterminator="\n")
    rows.writerow(HEADINGS)
    for point, std, pixel, gap_mm in zip(profile.points_mm, profile.std_mm, profile.points_px, missing, strict=True):
        numbers = (*point, std, *pixel, gap_mm)
        rows.writerow([f"{number:.4f}" for number in numbers])
    write_text(path, table.getvalue())
