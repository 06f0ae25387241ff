"""A known artefact measured again with an earlier calibration: its bias against a tolerance, as a dated line."""

from __future__ import annotations

import datetime
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.board import LARGEST_RESIDUAL_PX
from calibration.corners import Board, find_board
from calibration.file import SCHEMA, read_calibration
from calibration.model import Calibration
from calibration.ruler import calibrate_ruler
from calibration.storage import Door, locked, read_document, write_document
from core.errors import UsageError
from core.geometry import Points
from core.quantity import COVERAGE_FACTOR

Artefact = Literal["points", "ruler", "board", "step"]


@dataclass(frozen=True, slots=True)
class CheckEntry:
    """One check of a calibration.

    Attributes
    ----------
    known_mm, measured_mm, bias_mm
        Length of the artefact, what the calibration says, and the difference.
    expanded_uncertainty_mm
        Of the measured length by the calibration, coverage factor 2.
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
    def passed(self) -> bool:
        """Tell whether the bias lies within the tolerance."""
        return abs(self.bias_mm) <= self.tolerance_mm


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
    marked = math.sqrt(2.0) * LARGEST_RESIDUAL_PX * calibration.mm_per_px(ends_px.mean(axis=0))
    expanded = COVERAGE_FACTOR * math.hypot(relative * measured, marked)
    return CheckEntry(date, artefact, known_mm, measured, measured - known_mm, tolerance_mm, expanded, operator, source)


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
        line = {**asdict(entry), "passed": entry.passed}
        write_document(path, {**document, "checks": [*checks, line]})
