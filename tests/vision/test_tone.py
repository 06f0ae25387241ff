"""The tone curve: what a file says of it, edges placed in light, and the doubt that is left."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from vision.outline import refine_outline
from vision.picture import read_picture
from vision.tone import edge_doubt_px, light_table

DARK, BRIGHT, BLUR = 0.08, 0.72, 1.0


def stored(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1: light 0 to 1 as sRGB values 0 to 1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def disc(radius: float, *, curve: bool, tones: tuple[float, float] = (DARK, BRIGHT)) -> np.ndarray:
    """A disc, bright as a rule, blurred in light; tones, outside and inside, are those of the stored picture."""
    y, x = np.mgrid[:400, :400]
    cover = np.clip(radius + 0.5 - np.hypot(x - 200.3, y - 199.6), 0, 1).astype(np.float32)
    decode = (lambda v: float(np.interp(v, np.arange(256) / 255, light_table() / 255))) if curve else float
    light = cv2.GaussianBlur(decode(tones[0]) + (decode(tones[1]) - decode(tones[0])) * cover, (0, 0), BLUR)
    return np.asarray(np.rint(255 * (stored(light) if curve else light)), np.uint8)


def ring(radius: float) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 800, endpoint=False)
    return np.column_stack([200.3 + radius * np.cos(t), 199.6 + radius * np.sin(t)])


def found_radius(gray: np.ndarray, curve: str) -> tuple[float, float]:
    outline = refine_outline(gray, ring(121.0), 5.0, curve=curve)  # type: ignore[arg-type]
    return float(np.hypot(*(outline.points_px - [200.3, 199.6]).T).mean()), outline.tone_doubt_px


def test_table_is_that_of_the_standard() -> None:
    """IEC 61966-2-1: encoding what was decoded gives every value back; 0.5 is a light of 0.214 (handbook value)."""
    table = light_table()
    assert np.abs(255 * stored(table / 255.0) - np.arange(256)).max() < 0.01
    assert np.interp(127.5, np.arange(256), table) / 255 == pytest.approx(0.2140, abs=2e-4)


def test_edges_are_placed_in_light() -> None:
    told, doubt = found_radius(disc(120.0, curve=True), "srgb")
    assert told == pytest.approx(120.0, abs=0.02)
    assert 0 < doubt < 0.1
    linear, none = found_radius(disc(120.0, curve=False), "linear")
    assert linear == pytest.approx(120.0, abs=0.03)
    assert none == 0


@pytest.mark.parametrize("tones", [(0.08, 0.72), (0.72, 0.08), (0.31, 0.88)])
def test_light_is_interpolated_and_not_what_is_stored(tones: tuple[float, float]) -> None:
    """Bright metal or dark: the outline moves by less than 0.02 px, of which the curved edge's blur makes up 0.004."""
    radius, _ = found_radius(disc(120.0, curve=True, tones=tones), "srgb")
    assert radius == pytest.approx(120.0, abs=0.02)


def test_an_unknown_curve_is_within_its_doubt_and_matters() -> None:
    radius, doubt = found_radius(disc(120.0, curve=True), "unknown")
    assert radius - 120.0 > 0.4
    assert radius - 120.0 < 2 * doubt
    proportional, as_wide = found_radius(disc(120.0, curve=False), "unknown")
    assert proportional == pytest.approx(120.0, abs=0.03)
    assert as_wide > 0.25


def test_doubt_grows_with_contrast_and_spread() -> None:
    assert edge_doubt_px("unknown", 20, 180, 1.0) == pytest.approx(0.61 / 3**0.5, abs=0.02)
    assert edge_doubt_px("unknown", 20, 180, 2.0) > 1.9 * edge_doubt_px("unknown", 20, 180, 1.0)
    assert edge_doubt_px("unknown", 100, 180, 1.0) < 0.5 * edge_doubt_px("unknown", 20, 180, 1.0)
    assert edge_doubt_px("linear", 20, 180, 1.0) == 0
    assert edge_doubt_px("unknown", 90, 90, 1.0) == 0


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_with(*chunks: bytes) -> bytes:
    data = io.BytesIO()
    Image.fromarray(np.full((20, 20), 90, np.uint8)).save(data, "PNG")
    plain = data.getvalue()
    return plain[:33] + b"".join(chunks) + plain[33:]


def jpeg(**options: object) -> bytes:
    data = io.BytesIO()
    Image.fromarray(np.full((20, 20), 90, np.uint8)).save(data, "JPEG", **options)
    return data.getvalue()


def exif(colour_space: int) -> bytes:
    block = Image.Exif()
    block.get_ifd(0x8769)[0xA001] = colour_space
    return block.tobytes()


PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@pytest.mark.parametrize(
    ("name", "data", "curve"),
    [
        ("plain.png", png_with(), "unknown"),
        ("srgb.png", png_with(chunk(b"sRGB", b"\0")), "srgb"),
        ("gamma.png", png_with(chunk(b"gAMA", struct.pack(">I", 45455))), "srgb"),
        ("light.png", png_with(chunk(b"gAMA", struct.pack(">I", 100000))), "linear"),
        ("odd.png", png_with(chunk(b"gAMA", struct.pack(">I", 60000))), "unknown"),
        ("named.png", png_with(chunk(b"iCCP", b"sRGB IEC61966-2.1\0\0" + zlib.compress(PROFILE))), "srgb"),
        ("plain.jpg", jpeg(), "unknown"),
        ("exif.jpg", jpeg(exif=exif(1)), "srgb"),
        ("other.jpg", jpeg(exif=exif(65535)), "unknown"),
        ("profile.jpg", jpeg(icc_profile=PROFILE), "srgb"),
    ],
)
def test_what_a_file_says(name: str, data: bytes, curve: str, tmp_path: Path) -> None:
    """PNG third edition 11.3.2 (gAMA, iCCP, sRGB), Exif 2.32 4.6.5 (ColorSpace), ICC.1."""
    path = tmp_path / name
    path.write_bytes(data)
    assert read_picture(path).curve == curve


def test_a_tiff_says_it_by_its_profile(tmp_path: Path) -> None:
    path = tmp_path / "profile.tif"
    Image.fromarray(np.full((20, 20), 90, np.uint8)).save(path, icc_profile=PROFILE)
    assert read_picture(path).curve == "srgb"
    Image.fromarray(np.full((20, 20), 90, np.uint8)).save(path)
    assert read_picture(path).curve == "unknown"


def test_a_damaged_profile_says_nothing(tmp_path: Path) -> None:
    path = tmp_path / "cut.jpg"
    path.write_bytes(jpeg(exif=b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + b"\x69\x87\x04\0"))
    assert read_picture(path).curve == "unknown"
