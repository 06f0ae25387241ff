"""The whole way for a laser rig: two folders of pictures to its calibration, and a step block to its height."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.corners import Board
from calibration.file import Origin
from calibration.laser import RigCalibration, calibrate_laser
from calibration.laser_plane import LineView
from calibration.lens import find_boards
from calibration.model import Calibration
from core.errors import CalibrationRefused, NothingMeasurable, ToelineError, UnreadableFile
from vision.frames import frame_files, read_frame
from vision.picture import read_picture
from vision.profile import Profile
from vision.stripe import extract
from vision.stripe_profile import check_frame, profile_from_stripe


@dataclass(frozen=True, slots=True, eq=False)
class CalibratedRig:
    """A rig's calibration with where it came from and the size of its pictures (width, height)."""

    rig: RigCalibration
    origin: Origin
    size_px: tuple[int, int]


def calibrate_rig(
    boards: Path, stripes: Path, board: Board, *, date: str, operator: str | None = None
) -> CalibratedRig:
    """Calibrate a rig from a folder of boards and a folder of stripes on the same boards under the same names.

    Raises
    ------
    UnreadableFile
        When a folder cannot be read.
    CalibrationRefused
        When lens or plane are not determined, with what to do.
    """
    board_files, stripe_files = frame_files(boards), frame_files(stripes)
    digest = hashlib.sha256()
    left_out: list[tuple[str, str]] = []
    grays: list[NDArray[np.uint8]] = []
    names: list[str] = []
    for path in board_files:
        try:
            picture = read_picture(path)
        except UnreadableFile as error:
            left_out.append((f"{boards.name}/{path.name}", str(error)))
            continue
        digest.update(picture.sha256.encode())
        grays.append(picture.gray8)
        names.append(path.name)
    if not grays:
        raise CalibrationRefused(f"{boards}: none of the {len(board_files)} pictures of boards can be read")
    shapes = {gray.shape for gray in grays}
    if len(shapes) > 1:
        sizes = ", ".join(sorted(f"{s[1]} x {s[0]}" for s in shapes))
        raise CalibrationRefused(
            f"{boards}: the pictures have different sizes ({sizes} px): take all with one camera setting"
        )
    found, served, unseen = find_boards(grays, board, names)
    left_out += [(f"{boards.name}/{name}", reason) for name, reason in unseen]
    by_name = dict(zip(names, grays, strict=True))
    lines = list(_lines(stripe_files, stripes, by_name, grays[0].shape, left_out, digest))
    rig = calibrate_laser(found, served, lines, grays[0].shape, left_out=left_out)
    height, width = grays[0].shape
    origin = Origin(f"{boards.name} and {stripes.name}", digest.hexdigest(), date, operator)
    return CalibratedRig(rig, origin, (width, height))


def _lines(
    files: list[Path],
    folder: Path,
    boards: dict[str, NDArray[np.uint8]],
    shape: tuple[int, ...],
    left_out: list[tuple[str, str]],
    digest: hashlib._Hash,
) -> Iterator[LineView]:
    """Yield the line of each stripe picture; what does not serve is left out with its reason."""
    stems = {Path(name).stem: name for name in boards}
    for path in files:
        name = path.name if path.name in boards else stems.get(path.stem)
        called = f"{folder.name}/{path.name}"
        if name is None:
            left_out.append((called, "there is no board picture of this name"))
            continue
        try:
            frame = read_frame(path)
            assert frame.pixels is not None
            digest.update((frame.sha256 or "").encode())
            if frame.pixels.shape[:2] != tuple(shape[:2]):
                size = f"{frame.pixels.shape[1]} x {frame.pixels.shape[0]}"
                raise CalibrationRefused(f"{called} has {size} px and the boards {shape[1]} x {shape[0]}")
            stripe = extract(frame.pixels)
        except CalibrationRefused:
            raise
        except ToelineError as error:
            left_out.append((called, str(error)))
            continue
        yield LineView(name, stripe.points_px, stripe.std_px, stripe.width_px, boards[name])


def stripe_profile(path: Path, calibration: Calibration) -> Profile:
    """Return the profile that one laser frame shows.

    Raises
    ------
    UnreadableFile, NothingMeasurable, CalibrationRefused
    """
    frame = read_frame(path)
    if frame.pixels is None:
        raise NothingMeasurable(f"{path}: the frame holds no picture")
    check_frame(calibration, frame.pixels.shape)
    return profile_from_stripe(extract(frame.pixels), calibration)
