"""A seam scanned: each section measured on its own, in order, with memory that does not grow with the seam.

A section that gives nothing is an entry with its error and stops no other.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import tee
from typing import TYPE_CHECKING, Any

from calibration.model import Calibration
from core.errors import ToelineError, UnreadableFile, UsageError
from inspection.batch import in_order
from inspection.document import Entry, as_name, error_entry, flag_entries
from inspection.seam_source import Piece, Source
from inspection.settings import Settings
from inspection.workers import process_pool
from vision.section import Flag

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from vision.found import FoundWelds

DECIMALS = 6
TOGETHER = 4
"""Sections whose files are named to a worker in one message."""


@dataclass(frozen=True, slots=True)
class Job:
    """What is the same for all sections: the settings, and the rig's calibration where the source is frames."""

    settings: Settings
    calibration: Calibration | None


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredPiece:
    """The welds of one section, with the frame where there is one."""

    found: FoundWelds
    pixels: NDArray[Any] | None


def scan(
    source: Source,
    job: Job,
    *,
    first: int = 0,
    workers: int = 1,
    pool: Callable[[int], Executor] | None = None,
) -> Generator[Entry, None, None]:
    """Yield the entries of a seam's sections in order, from the numbered one on.

    Parameters
    ----------
    workers
        Processes that measure at the same time.
    pool
        Makes the executor for a number of workers: processes of this machine when left out.
    """
    together = TOGETHER if workers > 1 and pool is None else 1
    sent, told = tee(_batches(source.pieces(first), together))
    for result in in_order(partial(_measure_batch, job), sent, workers, pool=pool):
        batch = next(told)
        if not isinstance(result, UnreadableFile):
            yield from result
        elif len(batch.pieces) == 1:
            yield _worker_died(batch.pieces[0], result)
        else:
            # One of them killed the process: each is tried by itself.
            single = in_order(partial(measure_piece, job), batch.pieces, 1, pool=process_pool)
            for piece, entry in zip(batch.pieces, single, strict=True):
                yield _worker_died(piece, entry) if isinstance(entry, UnreadableFile) else entry


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
    """Sections that are sent to a worker together: to send one takes longer than to name it."""

    pieces: tuple[Piece, ...]

    def __str__(self) -> str:
        return str(self.pieces[0])


def _batches(pieces: Iterable[Piece], together: int) -> Iterator[_Batch]:
    """Put sections that are only named together; those that are handed on as pixels or points stay alone."""
    named: list[Piece] = []
    for piece in pieces:
        only_named = piece.pixels is None and piece.profile is None
        if only_named:
            named.append(piece)
        if named and (not only_named or len(named) == together):
            yield _Batch(tuple(named))
            named = []
        if not only_named:
            yield _Batch((piece,))
    if named:
        yield _Batch(tuple(named))


def _measure_batch(job: Job, batch: _Batch) -> list[Entry]:
    return [measure_piece(job, piece) for piece in batch.pieces]


def _worker_died(piece: Piece, error: UnreadableFile) -> Entry:
    return _entry(piece, None, {"code": "worker_died", "message": as_name(str(error))})


def measure_piece(job: Job, piece: Piece) -> Entry:
    """Measure one section and return its entry; whatever is wrong with it is in the entry."""
    from inspection.picture import weld_entry
    from measurement import measure

    try:
        found = found_in(job, piece).found
    except UsageError:
        raise
    except ToelineError as error:
        return _entry(piece, None, error_entry(error))
    flags = piece.flags
    if len(found.welds) > 1:
        text = f"the section shows {len(found.welds)} welds: the left one is followed along the seam"
        flags = (*flags, Flag("several_welds", text))
    weld = found.welds[0]
    entry = weld_entry("1", weld, measure(weld.section), job.calibration, job.settings)
    entry["flags"] += flag_entries(flags)
    return _entry(piece, entry, None)


def found_in(job: Job, piece: Piece) -> MeasuredPiece:
    """Find the welds of one section.

    Raises
    ------
    ToelineError
        When it cannot be read or shows no weld.
    """
    if piece.error is not None:
        raise piece.error
    joint, outside_mm = job.settings.joint, job.settings.outside_diameter_mm
    if piece.profile is not None:
        from inspection.gap_doubt import with_gaps
        from vision.find_profile import find_welds_in_profile

        found = find_welds_in_profile(piece.profile, joint=joint, outside_diameter_mm=outside_mm)
        return MeasuredPiece(with_gaps(found, piece.profile), None)
    if job.calibration is None:
        from inspection.gap_doubt import with_gaps
        from vision.profile_file import read_profile
        from vision.profile_side import find_welds_in_file

        assert piece.path is not None
        file = read_profile(piece.path, file_units=job.settings.file_units)
        found = find_welds_in_file(file, joint=joint, outside_diameter_mm=outside_mm)
        return MeasuredPiece(with_gaps(found, file.profile), None)
    from inspection.laser_frame import measure_frame

    pixels = piece.pixels
    if pixels is None:
        from vision.frames import read_frame

        assert piece.path is not None
        pixels = read_frame(piece.path).pixels
        assert pixels is not None
    measured = measure_frame(
        pixels, job.calibration, joint=joint, region=job.settings.region, outside_diameter_mm=outside_mm
    )
    return MeasuredPiece(measured.found, pixels)


def _entry(piece: Piece, weld: Entry | None, error: Entry | None) -> Entry:
    return {
        "position_mm": round(piece.position_mm, DECIMALS),
        "source": as_name(piece.name),
        "weld": weld,
        "error": error,
    }
