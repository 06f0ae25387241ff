"""Picture files to arrays: decoded once in grey for measuring, and in colour only for showing.

The picture frame is that after Exif orientation, turned here in one way for every kind of file.
"""

from __future__ import annotations

import hashlib
import io
import stat
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile
from vision import picture_header as header
from vision.picture_header import Header
from vision.tone import ToneCurve

MAX_MEGAPIXELS = 100
MAX_FILE_BYTES = 1 << 30
KINDS = "JPEG, PNG, TIFF, BMP or HEIC"


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A decoded picture.

    Attributes
    ----------
    gray8
        (H, W) uint8. For JPEG the luma of the file itself; for 16 bits a linear stretch between the
        0.05 and 99.95 percentiles, so that a dark exposure keeps its detail.
    path, sha256, kind
        Where it came from, the hash of the file's bytes, and "jpeg", "png", "tiff", "bmp" or "heic".
    curve
        The tone curve that the file states, "unknown" when it says nothing.
    focal_35_mm
        The focal length that a camera wrote into the file, as of a picture 43.3 mm across its corners.
    """

    gray8: NDArray[np.uint8]
    path: str
    sha256: str
    kind: str
    curve: ToneCurve = "unknown"
    focal_35_mm: int | None = None

    @property
    def width_px(self) -> int:
        return int(self.gray8.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.gray8.shape[0])


def read_picture(path: str | Path) -> Picture:
    """Read a picture file in grey for measuring.

    Raises
    ------
    UnreadableFile
        When the file is missing, not a picture, damaged, animated, CMYK, empty or too large.
    """
    data = read_bytes(path)
    head, pixels = _decode(data, str(path), colour=False)
    turned, digest = _turn(pixels, head.orientation), hashlib.sha256(data).hexdigest()
    return Picture(turned, str(path), digest, head.kind, head.curve, head.focal_35_mm)


def read_colour(path: str | Path) -> NDArray[np.uint8]:
    """Read a picture file in colour for showing, (H, W, 3) uint8 RGB, in the same frame as `read_picture`."""
    head, pixels = _decode(read_bytes(path), str(path), colour=True)
    return _turn(pixels, head.orientation)


def decode_frame(data: bytes, name: str) -> NDArray[Any]:
    """Decode the bytes of a PNG, JPEG or BMP as they are, (H, W) or (H, W, 3) blue, green, red; 8 or 16 bits.

    Raises
    ------
    UnreadableFile
        When they are no such picture, damaged or too large.
    """
    kind = header.sniff(data)
    readers = {"jpeg": header.jpeg_header, "png": header.png_header, "bmp": header.bmp_header}
    if kind not in readers:
        raise _unsupported(data, kind, name)
    head = readers[kind](data, name)
    _check_size(head.width_px, head.height_px, name)
    return _turn(_cv2_decode(data, cv2.IMREAD_ANYDEPTH | cv2.IMREAD_ANYCOLOR | cv2.IMREAD_IGNORE_ORIENTATION, name),
                 head.orientation)  # fmt: skip


def read_bytes(path: str | Path) -> bytes:
    """Return the bytes of a regular file of a sensible size, or say in one sentence why not."""
    try:
        about = Path(path).stat()
        if stat.S_ISDIR(about.st_mode):
            raise UnreadableFile(f"{path}: this is a folder: name a file in it.")
        if not stat.S_ISREG(about.st_mode):
            raise UnreadableFile(f"{path}: this is not a regular file: copy its content into one.")
        if about.st_size == 0:
            raise UnreadableFile(f"{path}: the file is empty.")
        if about.st_size > MAX_FILE_BYTES:
            raise UnreadableFile(
                f"{path}: the file has {about.st_size / 1e6:.0f} MB, the limit is {MAX_FILE_BYTES / 1e6:.0f} MB: "
                "save a smaller picture."
            )
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise UnreadableFile(f"{path}: there is no such file.") from None
    except PermissionError:
        raise UnreadableFile(f"{path}: there is no permission to read this file.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UnreadableFile(f"{path}: the file cannot be read: {reason}.") from None


def _decode(data: bytes, name: str, *, colour: bool) -> tuple[Header, NDArray[np.uint8]]:
    kind = header.sniff(data)
    if kind == "tiff":
        return _decode_tiff(data, name, colour)
    if kind == "heic":
        return _decode_heic(data, name, colour)
    readers = {"jpeg": header.jpeg_header, "png": header.png_header, "bmp": header.bmp_header}
    if kind not in readers:
        raise _unsupported(data, kind, name)
    head = readers[kind](data, name)
    _check_size(head.width_px, head.height_px, name)
    if kind == "jpeg":
        flag = cv2.IMREAD_COLOR_RGB if colour else cv2.IMREAD_GRAYSCALE
        return head, _cv2_decode(data, flag | cv2.IMREAD_IGNORE_ORIENTATION, name)
    return _eight_bits(head, _cv2_decode(data, cv2.IMREAD_UNCHANGED, name), colour)


def _eight_bits(head: Header, pixels: NDArray[Any], colour: bool) -> tuple[Header, NDArray[np.uint8]]:
    """Return eight bits, and of deeper pixels, stretched to them, no word of the curve: it is not theirs any more."""
    stretched = pixels.dtype != np.uint8
    if stretched and head.curve == "srgb":
        head = replace(head, curve="unknown")
    return head, _to_eight_bits(pixels, colour)


def _cv2_decode(data: bytes, flag: int, name: str) -> NDArray[Any]:
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flag)
    except (cv2.error, MemoryError):
        pixels = None
    if pixels is None or pixels.size == 0:
        raise header.damaged(name)
    return np.asarray(pixels)


def _decode_tiff(data: bytes, name: str, colour: bool) -> tuple[Header, NDArray[np.uint8]]:
    import tifffile

    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            # Smaller copies of the same picture (NewSubfileType, bit 0) are no pages of their own.
            pages = [page for page in tiff.pages if not int(page.aspage().subfiletype) & 1]
            page = (pages or [tiff.pages[0]])[0].aspage()
            tag = page.tags.get(header.ORIENTATION_TAG)
            orientation = int(tag.value) if tag is not None and 1 <= int(tag.value) <= 8 else 1
            ends = [int(at) + int(size) for at, size in zip(page.dataoffsets, page.databytecounts, strict=False)]
            photometric = int(page.photometric)
            bits = int(page.bitspersample)
            profile = page.tags.get(34675)
            curve: ToneCurve = "srgb" if profile and header.profile_says_srgb(bytes(profile.value)) else "unknown"
            head = Header("tiff", int(page.imagewidth), int(page.imagelength), orientation, curve)
    except UnreadableFile:
        raise
    except Exception:  # tifffile raises many kinds on hostile bytes; for the user they are one
        raise header.damaged(name) from None
    if len(pages) > 1:
        raise UnreadableFile(f"{name}: the TIFF holds {len(pages)} pages: save the one that shows the section.")
    _check_size(head.width_px, head.height_px, name)
    if photometric == 5:
        raise header.cmyk(name)
    if not ends or max(ends) > len(data):
        raise header.truncated(name)
    if bits < 8:
        return head, _decode_bilevel(data, name, colour)
    if tag is not None and orientation != 1:
        # The decoder turns some TIFFs and fails on others: told that there is nothing to turn, it does not.
        order = "little" if data[:2] == b"II" else "big"
        at = int(tag.valueoffset)
        data = data[:at] + (1).to_bytes(2, order) + data[at + 2 :]  # type: ignore[arg-type]
    pixels = _cv2_decode(data, cv2.IMREAD_UNCHANGED, name)
    if photometric == 0 and pixels.dtype != np.uint8:
        pixels = pixels.max() - pixels
    return _eight_bits(head, pixels, colour)


def _decode_bilevel(data: bytes, name: str, colour: bool) -> NDArray[np.uint8]:
    import warnings

    from PIL import Image

    try:
        with warnings.catch_warnings(action="error"), Image.open(io.BytesIO(data)) as image:
            return np.asarray(image.convert("RGB" if colour else "L"))
    except (OSError, ValueError, SyntaxError, Warning):
        raise header.damaged(name) from None


def _decode_heic(data: bytes, name: str, colour: bool) -> tuple[Header, NDArray[np.uint8]]:
    if data[8:12] in header.HEIC_SEQUENCE_BRANDS:
        raise header.animated(name)
    import pillow_heif

    try:
        heif = pillow_heif.open_heif(io.BytesIO(data))
        width, height = heif.size
        _check_size(width, height, name)
        # The library has turned the picture already, as HEIF says; its Exif orientation is only a copy.
        pixels = np.asarray(heif)
        exif = bytes(heif.info.get("exif") or b"").removeprefix(b"Exif\0\0")
    except UnreadableFile:
        raise
    except (OSError, ValueError, RuntimeError, SyntaxError, EOFError):
        raise header.damaged(name) from None
    if pixels.ndim == 3:
        pixels = pixels[..., [2, 1, 0, 3][: pixels.shape[2]]]
    # Phones write it, and all of them on a curve like that of sRGB (common practice, no source).
    focal = header.exif_focal_35_mm(exif) if exif else None
    return _eight_bits(Header("heic", width, height, curve="srgb", focal_35_mm=focal), pixels, colour)


def _to_eight_bits(pixels: NDArray[Any], colour: bool) -> NDArray[np.uint8]:
    """Return grey (H, W) or RGB (H, W, 3) of what a decoder gave: grey, BGR or BGRA of any depth."""
    if pixels.ndim == 3 and pixels.shape[2] == 1:
        pixels = pixels[..., 0]
    if pixels.dtype != np.uint8:
        pixels = _stretch(pixels)
    if pixels.ndim == 3 and pixels.shape[2] == 4:
        pixels = _on_white(pixels)
    if pixels.ndim == 2:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB) if colour else pixels, np.uint8)
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB if colour else cv2.COLOR_BGR2GRAY), np.uint8)


def _stretch(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Stretch deep pixels to 8 bits between two percentiles, the same for every colour; alpha stays whole."""
    step = max(1, int(np.sqrt(pixels.shape[0] * pixels.shape[1] / 250_000)))
    light = pixels[..., :3] if pixels.ndim == 3 else pixels
    sample = light[::step, ::step].astype(np.float32)
    sample = sample[np.isfinite(sample)]
    low, high = np.percentile(sample, [0.05, 99.95]) if sample.size else (0.0, 0.0)
    gain = 255.0 / (high - low) if high > low else 0.0
    deep = np.nan_to_num(pixels.astype(np.float32), nan=float(low), posinf=float(high), neginf=float(low))
    eight: NDArray[np.uint8] = np.clip((deep - np.float32(low)) * np.float32(gain) + 0.5, 0, 255).astype(np.uint8)
    if pixels.ndim == 3 and pixels.shape[2] == 4 and pixels.dtype == np.uint16:
        eight[..., 3] = pixels[..., 3] >> 8
    return eight


def _on_white(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    alpha = pixels[..., 3:]
    if alpha.min() == 255:
        return np.ascontiguousarray(pixels[..., :3])
    share: NDArray[np.float32] = alpha.astype(np.float32) / np.float32(255)
    blended = pixels[..., :3] * share + 255 * (1 - share) + 0.5
    return np.asarray(blended, np.uint8)


def _turn(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn a picture as stored into one as seen (Exif 2.32, table 6, orientation)."""
    if orientation in (5, 7):
        pixels = np.asarray(cv2.transpose(pixels), np.uint8)
    flips = {2: 1, 4: 0, 7: -1}
    turns = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if orientation in flips:
        return np.asarray(cv2.flip(pixels, flips[orientation]))
    if orientation in turns:
        return np.asarray(cv2.rotate(pixels, turns[orientation]))
    return pixels


def _check_size(width_px: int, height_px: int, name: str) -> None:
    if width_px <= 0 or height_px <= 0:
        raise UnreadableFile(f"{name}: the picture has no pixels ({width_px} x {height_px}).")
    if width_px * height_px > MAX_MEGAPIXELS * 1e6:
        raise UnreadableFile(
            f"{name}: the picture declares {width_px} x {height_px} pixels, the limit is {MAX_MEGAPIXELS} megapixels: "
            "crop it or save it smaller."
        )


def _unsupported(data: bytes, kind: str | None, name: str) -> UnreadableFile:
    if kind is None:
        return UnreadableFile(f"{name}: this is not a picture: give {KINDS}.")
    # A second image descriptor of a GIF follows a frame's end and a graphic control; WebP names its animation.
    if (kind == "gif" and data.count(b"\x21\xf9\x04") > 1) or (kind == "webp" and b"ANIM" in data[:64]):
        return header.animated(name)
    return UnreadableFile(f"{name}: {kind.upper()} pictures are not read: save it as {KINDS}.")
