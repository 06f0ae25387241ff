"""Frames of a laser line from a folder, a multi-page TIFF or a video, one at a time: memory stays flat.

Pixels come as the camera gave them, 8 or 16 bits, grey or colour; nothing is stretched. A broken frame is an entry
with its error and does not stop the others.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.errors import UnreadableFile
from vision import picture_header as header
from vision.picture import MAX_FILE_BYTES, MAX_MEGAPIXELS, decode_frame, read_bytes

PICTURES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff")
VIDEOS = (".mp4", ".avi")


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One frame: (H, W) or (H, W, 3) blue, green, red pixels of 8 or 16 bits, or the error that it gave instead.

    ``name`` is the file's name, with the page or the number where a file holds many. ``sha256`` is that of a
    file that holds this frame alone.
    """

    name: str
    pixels: NDArray[Any] | None
    sha256: str | None = None
    error: UnreadableFile | None = None


def frame_kind(path: Path) -> str:
    """Return "frames" for a folder or a TIFF, "video" for a video, "" for anything else."""
    if path.is_dir() or path.suffix.lower() in (".tif", ".tiff"):
        return "frames"
    return "video" if path.suffix.lower() in VIDEOS else ""


def frame_files(folder: Path) -> list[Path]:
    """Return the pictures of a folder in the order a person would count them: frame2 before frame10.

    Raises
    ------
    UnreadableFile
        When there is no such folder or no picture in it.
    """
    try:
        files = [path for path in folder.iterdir() if path.suffix.lower() in PICTURES and not path.name.startswith(".")]
    except OSError as error:
        raise UnreadableFile(f"{folder}: the folder cannot be read: {error.strerror or error}.") from None
    if not files:
        raise UnreadableFile(f"{folder}: there is no picture in this folder (looked for {', '.join(PICTURES)}).")
    return sorted(files, key=lambda path: natural_key(path.name))


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """Return a key that sorts names as people do: by their words, and by their numbers as numbers."""
    parts = re.split(r"(\d+)", name.lower())
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts if part]


def iterate_frames(path: Path) -> Iterator[Frame]:
    """Yield the frames of a folder, a TIFF of one or many pages, a video or a single picture, in order.

    Raises
    ------
    UnreadableFile
        When the source as a whole cannot be read; a single frame's error is in the frame.
    """
    if path.is_dir():
        for file in frame_files(path):
            yield from _of_file(file, file.name)
    elif path.suffix.lower() in VIDEOS:
        yield from _of_video(path)
    elif path.suffix.lower() in (".tif", ".tiff"):
        yield from _pages(path, path.name)
    else:
        yield read_frame(path)


def count_frames(path: Path) -> int | None:
    """Return how many frames a source holds, None where only reading it all would tell."""
    if path.is_dir():
        return len(frame_files(path))
    return None


def read_frame(path: Path) -> Frame:
    """Read a file that holds one frame.

    Raises
    ------
    UnreadableFile
        When it is missing, damaged, too large or holds several pages.
    """
    if path.suffix.lower() in (".tif", ".tiff"):
        frames = list(_first_two(_pages(path, str(path))))
        if len(frames) > 1:
            raise UnreadableFile(f"{path}: the TIFF holds several pages: save the one that shows the line.")
        if frames[0].error is not None:
            raise frames[0].error
        return frames[0]
    data = read_bytes(path)
    return Frame(path.name, _checked(decode_frame(data, str(path)), str(path)), hashlib.sha256(data).hexdigest())


def _first_two(frames: Iterator[Frame]) -> Iterator[Frame]:
    for _, frame in zip(range(2), frames, strict=False):
        yield frame


def _of_file(path: Path, name: str) -> Iterator[Frame]:
    try:
        if path.suffix.lower() in (".tif", ".tiff"):
            yield from _pages(path, name)
        else:
            yield read_frame(path)
    except UnreadableFile as error:
        yield Frame(name, None, error=error)


def _pages(path: Path, name: str) -> Iterator[Frame]:
    import tifffile

    _check_file(path)
    try:
        tiff = tifffile.TiffFile(path)
    except Exception:  # tifffile raises many kinds on hostile bytes; for the user they are one
        raise header.damaged(str(path)) from None
    with tiff:
        count = len(tiff.pages)
        digest = _digest(path) if count == 1 else None
        for number in range(count):
            called = name if count == 1 else f"{name} page {number + 1}"
            try:
                page = tiff.pages[number].aspage()
                height, width = int(page.imagelength), int(page.imagewidth)
                if height * width > MAX_MEGAPIXELS * 1e6:
                    raise UnreadableFile(f"{called}: the picture is larger than {MAX_MEGAPIXELS} megapixels.")
                pixels = np.asarray(page.asarray())
                if pixels.ndim == 3:
                    pixels = pixels[..., 2::-1] if pixels.shape[2] >= 3 else pixels[..., 0]
                yield Frame(called, _checked(np.ascontiguousarray(pixels), called), digest)
            except UnreadableFile as error:
                yield Frame(called, None, digest, error)
            except Exception:
                yield Frame(called, None, digest, header.damaged(called))


def _of_video(path: Path) -> Iterator[Frame]:
    import cv2

    _check_file(path)
    capture = cv2.VideoCapture(str(path))
    try:
        number = 0
        while True:
            seen, pixels = capture.read()
            if not seen:
                break
            number += 1
            yield Frame(f"{path.name} frame {number}", np.asarray(pixels))
        if number == 0:
            raise UnreadableFile(f"{path}: this is no video that can be decoded: save it as MJPEG, H.264 or pictures.")
        told = int(capture.get(cv2.CAP_PROP_FRAME_COUNT))
        if told > number + 1:
            name = f"{path.name} frame {number + 1}"
            text = f"{path}: the video breaks off after {number} of {told} frames: copy the file again."
            yield Frame(name, None, error=UnreadableFile(text))
    finally:
        capture.release()


def _check_file(path: Path) -> None:
    try:
        size = path.stat().st_size
    except OSError as error:
        raise UnreadableFile(f"{path}: the file cannot be read: {error.strerror or error}.") from None
    if not path.is_file() or size == 0:
        raise UnreadableFile(f"{path}: the file is empty or no regular file.")
    if size > 64 * MAX_FILE_BYTES:
        raise UnreadableFile(f"{path}: the file has {size / 1e9:.0f} GB: split it.")


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _checked(pixels: NDArray[Any], name: str) -> NDArray[Any]:
    if pixels.dtype not in (np.uint8, np.uint16) or pixels.ndim not in (2, 3):
        raise UnreadableFile(f"{name}: a laser frame holds grey or colour pixels of 8 or 16 bits, not {pixels.dtype}.")
    return pixels
