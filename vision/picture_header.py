"""What a picture file says about itself, read from its bytes before anything is decoded.

A decoder may fill a damaged file with grey, or fill the memory with a bomb, without a word. The few bytes
that say kind, size, number of pictures and end of file are therefore read here first. Layouts: JPEG
(ITU-T T.81, annex B), PNG (W3C, third edition, chapters 5 and 11), BMP (BITMAPFILEHEADER), Exif 2.32 (4.6).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from core.errors import UnreadableFile
from vision.tone import ToneCurve

START_OF_FRAME = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
ORIENTATION_TAG = 0x0112
EXIF_TAG, COLOUR_SPACE_TAG, FOCAL_35_TAG = 0x8769, 0xA001, 0xA405
SRGB_PROFILES = (b"sRGB", b"Display P3", b"s\0R\0G\0B", b"D\0i\0s\0p\0l\0a\0y\0 \0P\x003")
"""Names in colour profiles (ICC.1) whose tones lie on the sRGB curve, in both ways of writing text."""
HEIC_SEQUENCE_BRANDS = frozenset({b"msf1", b"hevc", b"hevx"})
HEIC_BRANDS = HEIC_SEQUENCE_BRANDS | {b"heic", b"heix", b"heim", b"heis", b"mif1"}


@dataclass(frozen=True, slots=True)
class Header:
    """Kind, declared size (as stored, before it is turned) and Exif orientation 1 to 8 of a picture file.

    ``curve`` is the tone curve that the file itself states: "srgb", "linear" or "unknown". ``focal_35_mm`` is the focal
    length that it names, as of a picture 43.3 mm across its corners, None when it names none.
    """

    kind: str
    width_px: int
    height_px: int
    orientation: int = 1
    curve: ToneCurve = "unknown"
    focal_35_mm: int | None = None


def sniff(data: bytes) -> str | None:
    """Return the kind of a picture file by its first bytes, None when it is no known picture."""
    if data[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "png"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "tiff"
    if data[:2] == b"BM" and len(data) > 26:
        return "bmp"
    if data[:6] in (b"GIF87a", b"GIF89a"):
        return "gif"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "webp"
    if data[4:8] == b"ftyp":
        return "heic" if data[8:12] in HEIC_BRANDS else {b"avif": "avif", b"avis": "avif"}.get(data[8:12])
    return None


def jpeg_header(data: bytes, name: str) -> Header:
    """Read the markers of a JPEG up to its first scan, and make sure that it has an end."""
    size: tuple[int, int, int] | None = None
    orientation = 1
    focal = None
    curve: ToneCurve = "unknown"
    for marker, body, end in _jpeg_segments(data, name):
        if marker in START_OF_FRAME and len(body) >= 6:
            height, width = struct.unpack(">HH", body[1:5])
            size = (width, height, body[5])
        elif marker == 0xE1 and body[:6] == b"Exif\0\0":
            orientation = exif_orientation(body[6:])
            curve = "srgb" if exif_says_srgb(body[6:]) else curve
            focal = exif_focal_35_mm(body[6:])
        elif marker == 0xE2 and body[:12] == b"ICC_PROFILE\0" and profile_says_srgb(body):
            curve = "srgb"
        elif marker == 0xDA:
            if size is None:
                break
            # Inside a scan FF is always followed by 00 or a restart marker: FF D9 is the end of the picture.
            if data.find(b"\xff\xd9", end) < 0:
                raise truncated(name)
            if size[2] == 4:
                raise cmyk(name)
            return Header("jpeg", size[0], size[1], orientation, curve, focal)
    raise truncated(name)


def _jpeg_segments(data: bytes, name: str) -> Iterator[tuple[int, bytes, int]]:
    position = 2
    while position + 4 <= len(data):
        if data[position] != 0xFF:
            raise damaged(name)
        marker = data[position + 1]
        if marker == 0xFF or marker == 0x01 or 0xD0 <= marker <= 0xD8:
            position += 1 if marker == 0xFF else 2
            continue
        if marker == 0xD9:
            return
        length = struct.unpack(">H", data[position + 2 : position + 4])[0]
        end = position + 2 + length
        if length < 2:
            raise damaged(name)
        if end > len(data):
            raise truncated(name)
        yield marker, data[position + 4 : end], end
        position = end


def png_header(data: bytes, name: str) -> Header:
    """Walk the chunks of a PNG: size, orientation, checksums, end; refuse an animation."""
    width = height = 0
    orientation = 1
    curve: ToneCurve = "unknown"
    position = 8
    view = memoryview(data)
    while position + 12 <= len(data):
        (length,) = struct.unpack(">I", data[position : position + 4])
        kind = data[position + 4 : position + 8]
        end = position + 12 + length
        if end > len(data):
            raise truncated(name)
        if zlib.crc32(view[position + 4 : end - 4]) != struct.unpack(">I", data[end - 4 : end])[0]:
            raise damaged(name)
        if kind == b"IHDR" and length >= 8:
            width, height = struct.unpack(">II", data[position + 8 : position + 16])
        elif kind == b"acTL":
            raise animated(name)
        elif kind == b"eXIf":
            orientation = exif_orientation(data[position + 8 : end - 4])
        elif kind == b"sRGB" or (kind == b"iCCP" and profile_says_srgb(data[position + 8 : position + 88])):
            curve = "srgb"
        elif kind == b"gAMA" and length == 4:
            curve = _GAMMAS.get(struct.unpack(">I", data[position + 8 : end - 4])[0], curve)
        elif kind == b"IEND":
            return Header("png", width, height, orientation, curve)
        position = end
    raise truncated(name)


def bmp_header(data: bytes, name: str) -> Header:
    """Read size and compression of a BMP, and make sure that all its rows are there."""
    pixels_at, header_size = struct.unpack("<II", data[10:18])
    if header_size == 12:
        width, height, _, bits = struct.unpack("<HHHH", data[18:26])
        compression = 0
    elif len(data) >= 34:
        width, height, _, bits, compression = struct.unpack("<iiHHI", data[18:34])
    else:
        raise truncated(name)
    height = abs(height)
    if compression in (0, 3) and len(data) < pixels_at + height * ((width * bits + 31) // 32 * 4):
        raise truncated(name)
    return Header("bmp", max(width, 0), height)


_GAMMAS: dict[int, ToneCurve] = {45455: "srgb", 100000: "linear"}
"""Values of a PNG's gAMA chunk: 1/2.2 and 1, times 100000."""


def profile_says_srgb(profile: bytes) -> bool:
    """Say whether a colour profile, or its name, is one with the sRGB curve."""
    return any(name in profile for name in SRGB_PROFILES)


def exif_says_srgb(tiff: bytes) -> bool:
    """Say whether an Exif block names sRGB as its colour space (Exif 2.32, 4.6.5, ColorSpace 1)."""
    start = _exif_entry(tiff, None, EXIF_TAG)
    return start is not None and _exif_entry(tiff, start, COLOUR_SPACE_TAG) == 1


def exif_focal_35_mm(tiff: bytes) -> int | None:
    """Return the focal length that an Exif block names (Exif 2.32, 4.6.5, FocalLengthIn35mmFilm; 0 is unknown)."""
    start = _exif_entry(tiff, None, EXIF_TAG)
    value = None if start is None else _exif_entry(tiff, start, FOCAL_35_TAG)
    return value if value is not None and 5 <= value <= 2000 else None


def _exif_entry(tiff: bytes, start: int | None, wanted: int) -> int | None:
    """Return the value of a SHORT or LONG entry of one directory, the first one when no start is given."""
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    if order is None or len(tiff) < 14:
        return None
    if start is None:
        (start,) = struct.unpack(order + "I", tiff[4:8])
    if start + 2 > len(tiff):
        return None
    (count,) = struct.unpack(order + "H", tiff[start : start + 2])
    for entry in range(start + 2, min(start + 2 + 12 * count, len(tiff) - 11), 12):
        tag, kind = struct.unpack(order + "HH", tiff[entry : entry + 4])
        if tag == wanted and kind in (3, 4):
            size, code = (2, "H") if kind == 3 else (4, "I")
            return int(struct.unpack(order + code, tiff[entry + 8 : entry + 8 + size])[0])
    return None


def exif_orientation(tiff: bytes) -> int:
    """Return the orientation (1 to 8) of an Exif block, 1 when it names none."""
    value = _exif_entry(tiff, None, ORIENTATION_TAG)
    return value if value is not None and 1 <= value <= 8 else 1


def truncated(name: str) -> UnreadableFile:
    return UnreadableFile(f"{name}: the picture is truncated, its end is missing: copy the file again.")


def damaged(name: str) -> UnreadableFile:
    return UnreadableFile(f"{name}: the picture is damaged and cannot be decoded: copy the file again.")


def cmyk(name: str) -> UnreadableFile:
    return UnreadableFile(f"{name}: a CMYK picture has no defined grey values: save it as RGB or grey.")


def animated(name: str) -> UnreadableFile:
    return UnreadableFile(f"{name}: the picture is animated: save the one frame that shows the section.")
