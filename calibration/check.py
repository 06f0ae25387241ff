"""A known artefact measured again with an earlier calibration: its bias against a tolerance, as a dated line.

What is tested is the calibration, so its own uncertainty is no part of the test's: that is how well the artefact is
known, how it was laid and where its ends were read (JCGM 106:2012, 8.3.2, guarded acceptance; ISO 14253-5:2015). A bias
that lies within the tolerance only without it shows nothing.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.board import BOARD_REL_STD
from calibration.corners import Board, find_board
from calibration.file import SCHEMA, read_calibration
from calibration.model import Calibration
from calibration.ruler import RULE_REL_STD, calibrate_ruler
from calibration.storage import Door, locked, read_document, write_document
from core.errors import UsageError
from core.geometry import Points
from core.quantity import COVERAGE_FACTOR

Artefact = Literal["points", "ruler", "board", "step"]
CheckOutcome = Literal["passed", "undecided", "not passed"]

END_STD_PX = 0.3
"""Assumption, no source: how well the ends of an artefact are marked or found."""

ARTEFACT_REL_STD = {"ruler": RULE_REL_STD, "board": BOARD_REL_STD}
"""How well the length of an artefact is known that nobody calibrated; a length between points is taken as given."""


@dataclass(frozen=True, slots=True)
class CheckEntry:
    """One check of a calibration.

    Attributes
    ----------
    known_mm, measured_mm, bias_mm
        Length of the artefact, what the calibration says, and the difference.
    expanded_uncertainty_mm
        Of the measured length by the calibration, coverage factor 2.
    test_uncertainty_mm
        Of the bias, by the artefact, its place and its ends alone, coverage factor 2.
    """

    date: str
    artefact: Artefact
    known_mm: float
    measured_mm: float
    bias_mm: float
    tolerance_mm: float
    expanded_uncertainty_mm: float
    operator: str | None = None
    source: str | None = None
    test_uncertainty_mm: float = 0.0

    def __post_init__(self) -> None:
        try:
            datetime.datetime.fromisoformat(self.date)
        except ValueError:
            raise UsageError(f"the date must be given as in 2025-01-31, got {self.date!r}") from None
        for name in ("known_mm", "tolerance_mm"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise UsageError(f"the {name.removesuffix('_mm')} length must be more than 0 mm, got {value!r}")

    @property
    def outcome(self) -> CheckOutcome:
        """Tell whether the bias lies within the tolerance, and does so wherever in its interval it is."""
        if abs(self.bias_mm) > self.tolerance_mm:
            return "not passed"
        return "passed" if abs(self.bias_mm) + self.test_uncertainty_mm <= self.tolerance_mm else "undecided"

    @property
    def passed(self) -> bool:
        """Tell whether the test shows that the bias lies within the tolerance."""
        return self.outcome == "passed"


def check_points(
    calibration: Calibration,
    from_px: tuple[float, float],
    to_px: tuple[float, float],
    length_mm: float,
    tolerance_mm: float,
    *,
    date: str,
    operator: str | None = None,
    source: str | None = None,
) -> CheckEntry:
    """Check a calibration with a known length between two marked points."""
    ends = np.array([from_px, to_px], float)
    return _entry(calibration, ends, length_mm, tolerance_mm, "points", date, operator, source)


def check_ruler(
    calibration: Calibration,
    gray: NDArray[np.uint8],
    spacing_mm: float,
    tolerance_mm: float,
    *,
    date: str,
    operator: str | None = None,
    source: str | None = None,
    region_px: tuple[int, int, int, int] | None = None,
) -> CheckEntry:
    """Check a calibration with a rule, from its first to its last tick seen.

    Raises
    ------
    CalibrationRefused
        When the rule is not found, or the picture has another size than the calibrated one.
    """
    calibration.check_size(gray.shape[1], gray.shape[0])
    seen = calibrate_ruler(gray, spacing_mm, region_px=region_px)
    ends = np.array(seen.provenance["ends_px"], float)
    known = float(str(seen.provenance["length_mm"]))
    return _entry(calibration, ends, known, tolerance_mm, "ruler", date, operator, source)


def check_board(
    calibration: Calibration,
    gray: NDArray[np.uint8],
    board: Board,
    tolerance_mm: float,
    *,
    date: str,
    operator: str | None = None,
    source: str | None = None,
) -> CheckEntry:
    """Check a calibration with a board, between its two corners that lie farthest apart.

    Raises
    ------
    CalibrationRefused
        When the board is not found, or the picture has another size than the calibrated one.
    """
    calibration.check_size(gray.shape[1], gray.shape[0])
    found = find_board(gray, board)
    away = np.linalg.norm(found.board_mm[:, None] - found.board_mm[None], axis=2)
    first, second = np.unravel_index(int(away.argmax()), away.shape)
    ends = found.points_px[[first, second]]
    return _entry(calibration, ends, float(away.max()), tolerance_mm, "board", date, operator, source)


def _entry(
    calibration: Calibration,
    ends_px: Points,
    known_mm: float,
    tolerance_mm: float,
    artefact: Artefact,
    date: str,
    operator: str | None,
    source: str | None,
) -> CheckEntry:
    if not np.isfinite(ends_px).all():
        raise UsageError("the marked points must be numbers")
    ends = calibration.to_mm(ends_px)
    measured = float(np.hypot(*(ends[1] - ends[0])))
    relative = math.hypot(*calibration.relative_components(ends_px).values())
    marked = math.sqrt(2.0) * END_STD_PX * calibration.mm_per_px(ends_px.mean(axis=0))
    expanded = COVERAGE_FACTOR * math.hypot(relative * measured, marked)
    # An artefact is laid into the plane as the target was: by eye, or as well as its offset was given.
    laid = calibration.relative_std.get("plane offset", 0.0)
    test = COVERAGE_FACTOR * math.hypot(math.hypot(ARTEFACT_REL_STD.get(artefact, 0.0), laid) * measured, marked)
    return CheckEntry(
        date, artefact, known_mm, measured, measured - known_mm, tolerance_mm, expanded, operator, source, test
    )


def append_check(path: Path, entry: CheckEntry) -> None:
    """Append a check to a calibration file; every earlier line stays as it is.

    Raises
    ------
    UnreadableFile
        When the file is no sound calibration file.
    UsageError
        When it cannot be written.
    """
    with locked(path):
        read_calibration(path)
        document, _ = read_document(path, SCHEMA, "calibration")
        checks = Door(path, document).sequence("checks")
        line = {**asdict(entry), "passed": entry.passed, "outcome": entry.outcome}
        write_document(path, {**document, "checks": [*checks, line]})
