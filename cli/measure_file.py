"""One file measured and drawn: the piece of work that `toeline measure` and `toeline watch` hand to a process."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calibration.model import Calibration
    from inspection.gauges import Readings
    from inspection.outcomes import Judgement
    from inspection.picture import Inspection
    from inspection.settings import Settings


@dataclass(frozen=True, slots=True)
class Job:
    """What is the same for all files of a call.

    Attributes
    ----------
    settings, calibration
        How to measure; the calibration is that of the settings, read once.
    by
        Limits to judge by, None for none.
    units
        "metric" or "inch", for drawings.
    gauges
        Whether to model hand gauges.
    """

    settings: Settings
    calibration: Calibration | None
    by: Judgement | None
    units: str
    gauges: bool


@dataclass(frozen=True, slots=True)
class Task:
    """One file, and where its drawings go; the gauges are drawn into ``overlay`` or into a drawing of their own.

    ``points`` is where the points of a laser line go.
    """

    path: Path
    drawing: Path | None = None
    overlay: Path | None = None
    gauge_drawing: Path | None = None
    points: Path | None = None

    def __str__(self) -> str:
        return str(self.path)


@dataclass(frozen=True, slots=True)
class Done:
    """What became of one file: its entry, its exit status, and the sentence that says why it gave nothing."""

    entry: dict[str, Any]
    status: int
    complaint: str | None


def measure_file(job: Job, task: Task) -> Done:
    """Measure one file, judge it and draw it.

    Raises
    ------
    UsageError, UnreadableFile
        When the settings do not serve the file, or a drawing cannot be written.
    """
    from inspection.gauges import with_gauges
    from inspection.outcomes import judged
    from inspection.picture import inspect_file

    inspection = inspect_file(task.path, job.settings, job.calibration)
    inspection, taken = with_gauges(inspection) if job.gauges else (inspection, ())
    entry = inspection.entry if job.by is None else judged(inspection.entry, job.by)
    for target, gauges in ((task.drawing, ()), (task.overlay, taken), (task.gauge_drawing, taken)):
        if target is not None:
            _draw(target, task.path, inspection, job.units, gauges)
    if task.points is not None:
        _write_points(task.points, inspection)
    return Done(entry, *_complaint(task.path, inspection))


def lost(task: Task, error: Exception, status: int) -> Done:
    """Return what stands for a file whose worker process died."""
    from inspection.document import as_name

    entry: dict[str, Any] = {
        "source": {"path": as_name(task.path), "sha256": None, "kind": "macro", "width_px": None, "height_px": None},
        "calibration": None,
        "settings": {"joint": "auto", "operator": None},
        "welds": [],
        "error": {"code": "worker_died", "message": str(error)},
    }
    return Done(entry, status, str(error))


def _complaint(path: Path, inspection: Inspection) -> tuple[int, str | None]:
    if inspection.error is None:
        return 0, None
    message = str(inspection.error)
    return inspection.error.exit_status, message if message.startswith(str(path)) else f"{path}: {message}"


def _write_points(target: Path, inspection: Inspection) -> None:
    from core.errors import UsageError
    from inspection.line_points import write_line_points

    if inspection.error is not None:
        return
    if inspection.line is None or inspection.calibration is None:
        raise UsageError("--points writes the points of a laser line: leave it out for photographs and profiles.")
    write_line_points(target, inspection.line, inspection.calibration)


def _draw(target: Path, path: Path, inspection: Inspection, units: str, gauges: Readings) -> None:
    if inspection.found is None:
        return
    from desk.overlay import write_overlay
    from vision.picture import read_colour

    picture = None if inspection.calibration is None else read_colour(path)
    write_overlay(
        target,
        picture,
        inspection.found,
        inspection.measured,
        units=units,  # type: ignore[arg-type]
        calibration=inspection.calibration,
        gauges=gauges,
    )
