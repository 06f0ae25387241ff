"""The other sides of the two plates of a butt weld, for their thickness."""

from __future__ import annotations

from core.fitting import LineFit
from vision.butt_pairs import ButtPair
from vision.joints import opposite_run
from vision.plate_line import fit_plate
from vision.runs import Run, part_of
from vision.structure import Shape


def opposite_fits(shape: Shape, face: ButtPair) -> tuple[LineFit | None, LineFit | None]:
    """Return the lines of the other sides of the left and of the right plate, None where one is not seen.

    Where a root is flush, or none is there, both other sides may be one straight run, although plates offset by less
    than a run may stray are two plates still: each line rests on what lies behind its own plate.
    """
    left, right = (opposite_run(shape.points, run, shape.runs) for run in (face.first, face.second))
    if left is not None and left is right:
        left, right = _parted(shape, left, face)
    return _fit(shape, left), _fit(shape, right)


def _parted(shape: Shape, other: Run, face: ButtPair) -> tuple[Run, Run]:
    """Return the parts of a run behind the left and behind the right plate, the whole where one would be too short."""
    count = len(shape.points)
    line, at = face.first.line, shape.points[other.indices(count)]
    along = line.along(at)
    ends = line.along(shape.points[[face.first.stop % count, face.second.start % count]])
    # The outline runs on below the plates the other way: behind the right one first.
    last_right = int((along > ends[1]).sum()) - 1
    first_left = len(along) - int((along < ends[0]).sum())
    right = part_of(shape.points, other, 0, last_right)
    left = part_of(shape.points, other, first_left, len(along) - 1)
    return (other, other) if left is None or right is None else (left, right)


def _fit(shape: Shape, run: Run | None) -> LineFit | None:
    if run is None:
        return None
    fit, _ = fit_plate(shape.points, run, shape.detail, toe_at_stop=True)
    return fit
