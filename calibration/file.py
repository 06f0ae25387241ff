"""The calibration file: readable JSON that holds everything needed to map points, and where it came from."""

from __future__ import annotations

import datetime
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.lensfile import lens_from_document, lens_to_document
from calibration.model import Calibration
from calibration.storage import Door, is_json_number, read_document, write_document
from core.errors import UsageError

SCHEMA = "toeline.calibration/1"
KINDS = ("scale", "points", "ruler", "board", "resolution", "laser")
SOURCES = ("scale", "tilt", "lens", "plane offset")


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a calibration comes from: picture name and hash, ISO 8601 date, operator."""

    source: str
    sha256: str
    date: str
    operator: str | None = None

    def __post_init__(self) -> None:
        try:
            datetime.datetime.fromisoformat(self.date)
        except ValueError:
            raise UsageError(
                f"the date must be given as in 2025-01-31 or 2025-01-31T12:00:00, got {self.date!r}"
            ) from None


def write_calibration(path: Path, calibration: Calibration, origin: Origin | None = None) -> None:
    """Write a calibration; checks and, without a new origin, the origin of a calibration read are kept.

    Raises
    ------
    UsageError
        When the file cannot be written, or when nobody says where the calibration comes from.
    """
    provenance = dict(calibration.provenance)
    kept, checks = provenance.pop("origin", None), provenance.pop("checks", [])
    told = asdict(origin) if origin is not None else kept
    if told is None:
        raise UsageError("a calibration file needs the picture it comes from, its hash and the date")
    covariance = calibration.px_to_mm_covariance
    at = np.array(calibration.centre_px)
    write_document(
        path,
        {
            "schema": SCHEMA,
            "kind": calibration.kind,
            "origin": told,
            "mm_per_px_at_centre": calibration.mm_per_px(at),
            "relative_standard_uncertainty": float(np.hypot.reduce(list(calibration.relative_std.values()) or [0.0])),
            "relative_std": dict(calibration.relative_std),
            "centre_px": list(calibration.centre_px),
            "picture_size_px": None if calibration.size_px is None else list(calibration.size_px),
            "px_to_mm": calibration.px_to_mm.tolist(),
            "px_to_mm_covariance": None if covariance is None else covariance.tolist(),
            "lens_growth_per_px2": calibration.lens_growth_per_px2,
            "lens": None if calibration.lens is None else lens_to_document(calibration.lens),
            "flags": [{"code": code, "message": message} for code, message in calibration.flags],
            "provenance": provenance,
            "checks": checks,
        },
    )


def read_calibration(path: Path) -> Calibration:
    """Read a calibration file; what is not right about it is refused in one sentence.

    ``provenance`` of the result also holds "origin" and "checks".

    Raises
    ------
    UnreadableFile
    """
    document, sha256 = read_document(path, SCHEMA, "calibration")
    door = Door(path, document)
    kind = door.text("kind")
    if kind not in KINDS:
        raise door.refuse(f"{kind!r} is no kind of calibration")
    centre = door.array("centre_px", (2,))
    px_to_mm = door.array("px_to_mm", (3, 3))
    _check_homography(door, px_to_mm, centre)
    covariance = None
    if document.get("px_to_mm_covariance") is not None:
        covariance = door.array("px_to_mm_covariance", (9, 9))
        if np.abs(covariance - covariance.T).max() > 1e-9 * np.abs(covariance).max() or covariance.diagonal().min() < 0:
            raise door.refuse("'px_to_mm_covariance' is no covariance")
    lens = None if document.get("lens") is None else lens_from_document(Door(path, door.mapping("lens")))
    return Calibration(
        kind,
        px_to_mm,
        _relative_std(door),
        (float(centre[0]), float(centre[1])),
        door.number("lens_growth_per_px2", 0.0, 1.0),
        lens,
        sha256,
        _flags(door),
        {**door.mapping("provenance"), "origin": door.mapping("origin"), "checks": door.sequence("checks")},
        covariance,
        _size(door),
    )


def _size(door: Door) -> tuple[int, int] | None:
    """Return the size of the calibrated picture; files from before it was kept do not tell it."""
    if door.document.get("picture_size_px") is None:
        return None
    width, height = door.array("picture_size_px", (2,))
    if min(width, height) < 1 or width != int(width) or height != int(height):
        raise door.refuse("'picture_size_px' is no size of a picture")
    return int(width), int(height)


def _check_homography(door: Door, px_to_mm: NDArray[np.float64], centre: NDArray[np.float64]) -> None:
    around = centre + np.array([[-0.5, 0.0], [0.5, 0.0], [0.0, -0.5], [0.0, 0.5]])
    mapped = np.column_stack([around, np.ones(4)]) @ px_to_mm.T
    depth = mapped[:, 2]
    if np.abs(depth).min() < 1e-9 or np.ptp(np.sign(depth)) != 0:
        raise door.refuse("'px_to_mm' cannot be turned round")
    plane = mapped[:, :2] / depth[:, None]
    across, down = plane[1] - plane[0], plane[3] - plane[2]
    area = float(across[0] * down[1] - across[1] * down[0])
    if not 1e-14 < abs(area) < 1e4:
        raise door.refuse("'px_to_mm' gives no possible size of a pixel")
    if area > 0:
        raise door.refuse("'px_to_mm' mirrors the picture (x goes right and y up in mm)")


def _relative_std(door: Door) -> dict[str, float]:
    parts: dict[str, float] = {}
    for source, value in door.mapping("relative_std").items():
        if source not in SOURCES or not is_json_number(value) or not 0 <= float(str(value)) <= 1:
            raise door.refuse(f"the relative uncertainty {source!r} is not from 0 to 1 of a known source")
        parts[source] = float(str(value))
    if "scale" not in parts:
        raise door.refuse("the relative uncertainty of the scale is missing")
    return parts


def _flags(door: Door) -> tuple[tuple[str, str], ...]:
    flags = []
    for entry in door.sequence("flags"):
        if not isinstance(entry, dict):
            raise door.refuse("'flags' holds something else than flags")
        flag = Door(door.path, entry)
        flags.append((flag.text("code", 80), flag.text("message")))
    return tuple(flags)
