"""What a person chose for one call, and the calibration that follows from it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from calibration.model import Calibration, from_pixel_size
from core.errors import UsageError
from inspection.document import as_name
from vision.marks import WeldMarks, parse_marks
from vision.section import Joint

SourceKind = Literal["auto", "macro", "laser", "profile"]
JointChoice = Literal["auto"] | Joint
Region = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of one call of `measure_file`.

    Attributes
    ----------
    joint, source
        Kind of joint and of source, "auto" to have it recognised and told.
    calibration, scale_mm_per_px, scale_from_metadata
        Where the scale of a picture comes from: one of the three.
    thickness_mm
        Nominal plate thickness, compared with the one measured.
    file_units
        Unit of a profile file that names none.
    operator
        Who measures, kept in the result.
    marks
        Toes and plates a person marked, see `vision.marks`.
    region
        (x, y, width, height) of the part of the picture to look at, px.
    inside
        Whether to look inside etched sections: "auto" where they show a fusion line, "on", "off".
    pore_size_mm
        Equivalent diameter from which pores and inclusions are listed.
    tone_curve
        How the picture stores light: "auto" for what the file says of itself, "linear", "srgb".
    outside_diameter_mm
        Of the pipe whose outside is the parent metal; None to see from the profile whether it bends.
    """

    joint: JointChoice = "auto"
    source: SourceKind = "auto"
    calibration: Path | None = None
    scale_mm_per_px: float | None = None
    scale_from_metadata: bool = False
    thickness_mm: float | None = None
    file_units: str | None = None
    operator: str | None = None
    marks: tuple[WeldMarks, ...] | None = None
    region: Region | None = None
    inside: Literal["auto", "on", "off"] = "auto"
    pore_size_mm: float = 0.2
    outside_diameter_mm: float | None = None
    tone_curve: Literal["auto", "linear", "srgb"] = "auto"

    def __post_init__(self) -> None:
        given = [self.calibration is not None, self.scale_mm_per_px is not None, self.scale_from_metadata]
        if sum(given) > 1:
            raise UsageError("a picture has one scale: give one of --calibration, --scale and --scale-from-metadata.")
        if self.source == "laser" and self.calibration is None:
            raise UsageError(
                "--source laser needs the calibration of the rig: give --calibration RIG.json, made by "
                "'toeline calibrate laser'."
            )
        if self.region is not None and (min(self.region[:2]) < 0 or min(self.region[2:]) < 1):
            raise UsageError("--region must lie inside the picture: X,Y,W,H in pixels, W and H at least 1.")


def shared_calibration(settings: Settings) -> Calibration | None:
    """Return the calibration that all files of a call share, None when each brings its own or none is given."""
    if settings.calibration is not None:
        from calibration.file import read_calibration

        calibration: Calibration = read_calibration(settings.calibration)
        return calibration
    if settings.scale_mm_per_px is not None:
        flags = (("scale_as_given", "the pixel size is taken as given; what is unknown about it is in no uncertainty"),)
        return replace(from_pixel_size(settings.scale_mm_per_px), flags=flags)
    return None


def settings_entry(settings: Settings) -> dict[str, Any]:
    """Return the settings as the result document keeps them, so that the measurement can be made again."""
    marks = None
    if settings.marks is not None:
        marks = [_marked(asdict(weld)) for weld in settings.marks]
    return {
        "joint": settings.joint,
        "operator": settings.operator,
        "thickness_mm": settings.thickness_mm,
        "calibration": None if settings.calibration is None else as_name(settings.calibration),
        "scale_mm_per_px": settings.scale_mm_per_px,
        "scale_from_metadata": settings.scale_from_metadata,
        "file_units": settings.file_units,
        "outside_diameter_mm": settings.outside_diameter_mm,
        "tone_curve": settings.tone_curve,
        "inside": settings.inside,
        "pore_size_mm": settings.pore_size_mm,
        "region": None if settings.region is None else list(settings.region),
        "marks": marks,
    }


def _marked(weld: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was marked: a line without points is one that nobody drew."""
    return {key: value for key, value in weld.items() if value is not None and value not in ((), [])}


def settings_of(entry: Mapping[str, Any], source: str) -> Settings:
    """Return the settings under which a result entry was made.

    Parameters
    ----------
    entry
        ``settings`` of an entry of the result document; what is missing counts as not chosen.
    source
        ``source.kind`` of the same entry.
    """
    marks, calibration, region = entry.get("marks"), entry.get("calibration"), entry.get("region")
    if marks is not None:  # written as tuples, read as lists; older results name what nobody marked, too
        welds = [_marked(weld) if isinstance(weld, Mapping) else weld for weld in marks]
        marks = parse_marks({"welds": json.loads(json.dumps(welds))}, "the marks of the result")
    return Settings(
        joint=entry.get("joint", "auto"),
        source=source,  # type: ignore[arg-type]
        calibration=None if calibration is None else Path(calibration),
        scale_mm_per_px=entry.get("scale_mm_per_px"),
        scale_from_metadata=bool(entry.get("scale_from_metadata", False)),
        thickness_mm=entry.get("thickness_mm"),
        file_units=entry.get("file_units"),
        outside_diameter_mm=entry.get("outside_diameter_mm"),
        operator=entry.get("operator"),
        marks=marks,
        region=None if region is None else tuple(region),
        tone_curve=entry.get("tone_curve", "auto"),
        inside=entry.get("inside", "auto"),
        pore_size_mm=entry.get("pore_size_mm", 0.2),
    )


def parse_region(text: str) -> Region:
    """Return (x, y, width, height) from ``X,Y,W,H``."""
    parts = text.split(",")
    try:
        x, y, width, height = (int(part) for part in parts)
    except ValueError:
        raise UsageError(f"--region takes four whole numbers X,Y,W,H in pixels, got {text!r}.") from None
    return x, y, width, height
