"""Where the sections of a seam come from: frames, a video, profile files or a point cloud, one section at a time.

Pictures of a folder are named, not read, here: the process that measures a frame decodes it. Frames of a video and
pages of a TIFF, and sections of a cloud, are handed on as they are made.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from core.errors import NothingMeasurable, ToelineError, UnreadableFile, UsageError
from inspection.document import as_name
from inspection.seam_numbers import told_of_numbers
from inspection.settings import Settings
from vision.frames import PICTURES, frame_files, frame_kind, iterate_frames, natural_key
from vision.profile import Profile
from vision.section import Flag

if TYPE_CHECKING:
    from numpy.typing import NDArray

Kind = Literal["frames", "video", "profiles", "cloud"]
Direction = tuple[float, float, float]
CLOUD_PITCH_MM = 0.5
PROFILES = (".csv", ".npy", ".x3p")
TEXTS = (".txt", ".asc")
"""Profiles, too, in a folder that holds nothing else: beside frames or tables they are notes."""

MULTI_PAGE = (".tif", ".tiff")


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One section to be measured, small enough to be sent to another process.

    Attributes
    ----------
    position_mm
        Its place along the seam, from the first section.
    name
        File name, with page or number where a file holds many.
    path
        File that holds it alone; otherwise ``pixels``, ``profile`` or ``error`` is given.
    flags
        Doubts that the source has about all its sections.
    """

    position_mm: float
    name: str
    path: Path | None = None
    pixels: NDArray[Any] | None = None
    profile: Profile | None = None
    error: ToelineError | None = None
    flags: tuple[Flag, ...] = ()

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A seam to be scanned.

    Attributes
    ----------
    pieces
        Yields the pieces from the numbered one on.
    count
        How many there are, None where only reading it all would tell.
    fingerprint
        Tells whether it is still the same source.
    notes
        What was found out about it, for a person.
    """

    path: Path
    kind: Kind
    pitch_mm: float
    count: int | None
    fingerprint: str
    pieces: Callable[[int], Iterator[Piece]]
    notes: tuple[str, ...] = ()


def seam_source(
    path: Path,
    settings: Settings,
    pitch_mm: float | None,
    *,
    along: Direction | None = None,
    air: Direction | None = None,
    placed: bool = False,
) -> Source:
    """Return what is to be scanned.

    Parameters
    ----------
    pitch_mm
        Distance from section to section. A cloud is cut every 0.5 mm when None is given; frames and profiles do not
        tell how far apart they were taken.
    along, air
        Directions of the seam and of the air in a cloud, where they are known.
    placed
        Whether a table tells where frames or profiles were taken, so that no pitch is needed.

    Raises
    ------
    UnreadableFile
        When it is missing, or neither a folder of frames or profiles, a video, a TIFF nor a cloud.
    UsageError
        When the pitch is missing, or frames come without the calibration of their rig.
    NothingMeasurable
        When a cloud does not tell where its seam runs.
    """
    if not path.exists():
        raise UnreadableFile(f"{path}: there is no such file or folder.")
    kind = kind_of(path)
    if kind in ("frames", "video") and settings.calibration is None:
        raise UsageError(
            "frames of a laser line are in pixels, and nothing in mm can be said of them without the calibration of "
            "the rig: give --calibration RIG.json, made by 'toeline calibrate laser'."
        )
    if kind not in ("frames", "video") and settings.calibration is not None:
        raise UsageError(f"{path}: profiles and clouds are in mm already: leave --calibration out.")
    if kind == "cloud" and placed:
        raise UsageError(f"{path}: a point cloud tells its positions itself: leave --positions out.")
    if kind == "cloud":
        return _cloud(path, settings, CLOUD_PITCH_MM if pitch_mm is None else pitch_mm, along, air)
    if along is not None or air is not None:
        raise UsageError("--along and --air are directions in a point cloud: leave them out for frames and profiles.")
    if pitch_mm is None and placed:
        pitch_mm = 1.0  # until the table tells
    if pitch_mm is None:
        what = "profiles" if kind == "profiles" else "frames"
        raise UsageError(
            f"{what} do not tell how far apart they were taken: give --pitch with the travel from one to the next, "
            'like --pitch "0.5 mm", or --positions with a table of their places.'
        )
    if kind == "profiles":
        return _profiles(path, pitch_mm)
    return _frames(path, kind, pitch_mm)


def kind_of(path: Path) -> Kind:
    """Return what a folder or a file holds.

    Raises
    ------
    UnreadableFile
        When it holds nothing that a seam could be made of, or profiles and pictures mixed.
    """
    if path.is_dir():
        names = [entry.name.lower() for entry in _listed(path)]
        pictures, profiles = (sum(name.endswith(kind) for name in names) for kind in (PICTURES, PROFILES))
        if pictures and profiles:
            raise UnreadableFile(f"{path}: the folder holds pictures and profiles: keep the frames of a seam apart.")
        if not pictures and not profiles and not any(name.endswith(TEXTS) for name in names):
            raise UnreadableFile(f"{path}: the folder holds no frame and no profile.")
        return "frames" if pictures else "profiles"
    kind = frame_kind(path)
    if kind:
        return kind  # type: ignore[return-value]
    from vision.cloud_file import is_cloud

    if is_cloud(path):
        return "cloud"
    if path.is_file() and path.stat().st_size == 0:
        raise UnreadableFile(f"{path}: the file is empty.")
    raise UnreadableFile(
        f"{path}: a seam is scanned from a folder of frames or profiles, a multi-page TIFF, a video (.mp4, .avi) or a "
        "point cloud; a single picture or profile is for 'toeline measure'."
    )


def _listed(folder: Path) -> list[Path]:
    try:
        return [entry for entry in folder.iterdir() if not entry.name.startswith(".")]
    except OSError as error:
        raise UnreadableFile(f"{folder}: the folder cannot be read: {error.strerror or error}.") from None


def _frames(path: Path, kind: Kind, pitch_mm: float) -> Source:
    if not path.is_dir():

        def pieces(first: int) -> Iterator[Piece]:
            for number, frame in enumerate(iterate_frames(path)):
                if number >= first:
                    yield Piece(number * pitch_mm, frame.name, pixels=frame.pixels, error=frame.error)

        return Source(path, kind, pitch_mm, _pages(path), _fingerprint([path]), pieces)
    files = frame_files(path)

    def named(first: int) -> Iterator[Piece]:
        number = 0
        for file in files:
            for piece in _of_file(file):
                if number >= first:
                    place = number * pitch_mm
                    yield Piece(place, piece.name, path=piece.path, pixels=piece.pixels, error=piece.error)
                number += 1

    count, notes = sum(_pages(file) or 1 for file in files), told_of_numbers([file.name for file in files])
    return Source(path, kind, pitch_mm, count, _fingerprint(files), named, notes)


def _of_file(file: Path) -> Iterator[Piece]:
    if (_pages(file) or 1) == 1:
        yield Piece(0.0, file.name, path=file.absolute())
        return
    for frame in iterate_frames(file):
        yield Piece(0.0, frame.name, pixels=frame.pixels, error=frame.error)


def _pages(path: Path) -> int | None:
    """Return how many frames a file holds, None for a video and for a file that cannot be read."""
    suffix = path.suffix.lower()
    if suffix not in MULTI_PAGE:
        return 1 if suffix in PICTURES else None
    import tifffile

    try:
        with tifffile.TiffFile(path) as tiff:
            return len(tiff.pages)
    except Exception:  # tifffile raises many kinds on hostile bytes; the reader of the frame tells what is wrong
        return None


def _profiles(folder: Path, pitch_mm: float) -> Source:
    listed = sorted(_listed(folder), key=lambda entry: natural_key(entry.name))
    tables, texts = ([e for e in listed if e.name.lower().endswith(kind)] for kind in (PROFILES, TEXTS))
    files = tables or texts

    def pieces(first: int) -> Iterator[Piece]:
        for number in range(first, len(files)):
            yield Piece(number * pitch_mm, files[number].name, path=files[number].absolute())

    notes = told_of_numbers([file.name for file in files])
    return Source(folder, "profiles", pitch_mm, len(files), _fingerprint(files), pieces, notes)


def _cloud(path: Path, settings: Settings, pitch_mm: float, along: Direction | None, air: Direction | None) -> Source:
    from vision.cloud import sections
    from vision.cloud_file import read_cloud

    cloud = read_cloud(path, file_units=settings.file_units)
    cut = sections(cloud, pitch_mm, seam=along, air=air, joint=settings.joint)
    info = cut.info
    name = path.name

    def pieces(first: int) -> Iterator[Piece]:
        for number in range(first, len(cut)):
            section = cut.at(number)
            error = None if section.profile is not None else NothingMeasurable(section.reason)
            yield Piece(
                section.position_mm, f"{name} section {number + 1}", profile=section.profile, error=error,
                flags=info.flags,
            )  # fmt: skip

    notes = (
        f"seam {info.length_mm:.1f} mm long, its direction {info.seam_how}",
        f"side of the air {info.air_how}",
        *_sparse(cut.slab_mm, pitch_mm),
        *(flag.message for flag in info.flags),
    )
    digest = hashlib.sha256(f"{cloud.sha256} {along} {air}".encode()).hexdigest()
    return Source(path, "cloud", pitch_mm, len(cut), digest, pieces, notes)


def _sparse(slab_mm: float, pitch_mm: float) -> tuple[str, ...]:
    if slab_mm <= pitch_mm:
        return ()
    return (f"points are few, lie in rows or scatter: each section takes {slab_mm:.1f} mm of the seam",)


def _fingerprint(files: list[Path]) -> str:
    """Return a hash of names, sizes and times of change: reading 10,000 frames for it would take as long as a scan."""
    digest = hashlib.sha256()
    for file in files:
        try:
            about = file.stat()
        except OSError as error:
            raise UnreadableFile(f"{file}: the file cannot be read: {error.strerror or error}.") from None
        digest.update(f"{as_name(file.name)}\0{about.st_size}\0{about.st_mtime_ns}\n".encode())
    return digest.hexdigest()
