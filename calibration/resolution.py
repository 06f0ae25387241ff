"""Pixel size from what a scanner or a microscope wrote into the file: accepted with a flag, never trusted alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.model import Calibration, from_pixel_size
from core.errors import CalibrationRefused, UnreadableFile

METADATA_REL_STD = 0.01
"""Assumption, no source: scanners and microscope objectives keep their nominal size within about 1 %."""

SCREEN_DPI = (72.0, 96.0)
"""Written by programs that know nothing of the size: 72 and 96 dots per inch are screens."""

SMALLEST_MM, LARGEST_MM = 1e-5, 0.5
LARGEST_XY_DIFFERENCE = 0.001
UNITS_MM = {
    "nm": 1e-6, "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "\\u00b5m": 1e-3, "micron": 1e-3, "microns": 1e-3, "mm": 1.0,
    "cm": 10.0, "dm": 100.0, "m": 1000.0, "inch": 25.4, "inches": 25.4, "in": 25.4,
}  # fmt: skip
CAMERA_TAGS = (0x829A, 0x829D, 0x920A)
"""EXIF exposure time, f-number, focal length: a camera wrote the file, its resolution is that of a print."""


@dataclass(frozen=True, slots=True)
class PixelSize:
    """Size of a pixel across and down, and the field of the file that says so."""

    x_mm: float
    y_mm: float
    field: str


def calibrate_resolution(path: Path) -> Calibration:
    """Return the scale that the metadata of a picture file gives.

    Raises
    ------
    UnreadableFile
        When the file cannot be read.
    CalibrationRefused
        When there is no size in it, or none that can be meant for the part.
    """
    size = _pixel_size(path)
    _plausible(size, path.name)
    mm_per_px = math.sqrt(size.x_mm * size.y_mm)
    plain = from_pixel_size(mm_per_px, relative_std=METADATA_REL_STD, kind="resolution")
    message = f"the scale is what the file says ({size.field}: {mm_per_px:.6g} mm per pixel), not a measured target"
    return Calibration(
        plain.kind,
        plain.px_to_mm,
        plain.relative_std,
        flags=(("scale_from_metadata", message),),
        provenance={"field": size.field, "x_mm_per_px": size.x_mm, "y_mm_per_px": size.y_mm},
    )


def _plausible(size: PixelSize, name: str) -> None:
    if not (math.isfinite(size.x_mm) and math.isfinite(size.y_mm)) or min(size.x_mm, size.y_mm) <= 0:
        raise CalibrationRefused(f"the pixel size that {name} states ({size.field}) is no size: use a ruler or a board")
    if abs(size.x_mm / size.y_mm - 1) > LARGEST_XY_DIFFERENCE:
        raise CalibrationRefused(
            f"{name} states pixels of {size.x_mm:.5g} x {size.y_mm:.5g} mm ({size.field}), which are not square: use a "
            "ruler or a board"
        )
    dpi = 25.4 / size.x_mm
    if any(abs(dpi / screen - 1) < 0.005 for screen in SCREEN_DPI):
        raise CalibrationRefused(
            f"{name} states {dpi:.0f} dots per inch ({size.field}), which programs write without knowing the size: use "
            "a ruler or a board"
        )
    if not SMALLEST_MM <= size.x_mm <= LARGEST_MM:
        raise CalibrationRefused(
            f"{name} states pixels of {size.x_mm:.3g} mm ({size.field}), which cannot be meant for a weld section: use "
            "a ruler or a board"
        )


def _pixel_size(path: Path) -> PixelSize:
    try:
        with path.open("rb") as file:
            start = file.read(4)
    except OSError as error:
        raise UnreadableFile(f"{path} cannot be read: {error.strerror or error}") from None
    size = _tiff_size(path) if start[:2] in (b"II", b"MM") else _other_size(path)
    if size is None:
        raise CalibrationRefused(f"{path.name} does not state the size of a pixel: use a ruler, a board or --scale")
    return size


def _other_size(path: Path) -> PixelSize | None:
    from PIL import Image

    try:
        with Image.open(path) as picture:
            info: dict[Any, Any] = dict(picture.info)
            kind = picture.format
            exif = picture.getexif()
            camera = any(tag in exif or tag in exif.get_ifd(0x8769) for tag in CAMERA_TAGS)
    except Exception as error:  # Pillow raises many kinds on damaged files
        raise UnreadableFile(f"{path.name} cannot be read as a picture ({type(error).__name__})") from None
    if camera:
        raise CalibrationRefused(
            f"{path.name} was taken by a camera, whose stated resolution is that of a print, not of the part: use a "
            "ruler or a board"
        )
    if kind == "PNG" and info.get("dpi") and min(info["dpi"]) > 0:
        return PixelSize(25.4 / info["dpi"][0], 25.4 / info["dpi"][1], "PNG pHYs")
    if kind == "JPEG" and info.get("jfif_unit") in (1, 2) and min(info.get("jfif_density", (0, 0))) > 0:
        unit = 25.4 if info["jfif_unit"] == 1 else 10.0
        return PixelSize(unit / info["jfif_density"][0], unit / info["jfif_density"][1], "JFIF density")
    if kind == "BMP" and info.get("dpi") and min(info["dpi"]) > 0:
        return PixelSize(25.4 / info["dpi"][0], 25.4 / info["dpi"][1], "BMP resolution")
    return None


def _tiff_size(path: Path) -> PixelSize | None:
    import tifffile

    try:
        with tifffile.TiffFile(path) as file:
            if file.is_ome and file.ome_metadata:
                size = _ome_size(file.ome_metadata)
                if size is not None:
                    return size
            tags = file.pages.first.tags
            values = {
                name: tags[name].value for name in ("XResolution", "YResolution", "ResolutionUnit") if name in tags
            }
            unit_name = (file.imagej_metadata or {}).get("unit") if file.is_imagej else None
    except Exception as error:  # tifffile raises many kinds on damaged files
        raise UnreadableFile(f"{path.name} cannot be read as a TIFF file ({type(error).__name__})") from None
    try:
        x, y = (values[name][0] / values[name][1] for name in ("XResolution", "YResolution"))
    except (KeyError, ZeroDivisionError, TypeError, IndexError):
        return None
    if x <= 0 or y <= 0:
        return None
    if unit_name is not None:
        unit = UNITS_MM.get(str(unit_name).strip().lower())
        return None if unit is None else PixelSize(unit / x, unit / y, "ImageJ unit and XResolution")
    unit = {2: 25.4, 3: 10.0}.get(int(values.get("ResolutionUnit", 2)))
    return None if unit is None else PixelSize(unit / x, unit / y, "TIFF XResolution")


def _ome_size(text: str) -> PixelSize | None:
    """Return PhysicalSizeX and Y of an OME-XML description; without a unit they are in µm by its schema."""
    from xml.etree import ElementTree

    if len(text) > 5_000_000 or "<!DOCTYPE" in text or "<!ENTITY" in text:
        return None
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError:
        return None
    pixels = next((node for node in root.iter() if node.tag.rsplit("}", 1)[-1] == "Pixels"), None)
    if pixels is None or "PhysicalSizeX" not in pixels.attrib:
        return None
    try:
        x = float(pixels.attrib["PhysicalSizeX"])
        y = float(pixels.attrib.get("PhysicalSizeY", pixels.attrib["PhysicalSizeX"]))
    except ValueError:
        return None
    units = [UNITS_MM.get(pixels.attrib.get(f"PhysicalSize{a}Unit", "µm").lower()) for a in "XY"]
    if units[0] is None or units[1] is None:
        return None
    return PixelSize(x * units[0], y * units[1], "OME PhysicalSizeX")
