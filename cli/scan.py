"""``toeline scan``: a seam measured section by section; rows while they come, a summary and drawings at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.limit_options import (
    REJECTED,
    Category,
    ChosenRule,
    Criteria,
    FailOnReject,
    NominalLeg,
    NominalThroat,
    Require,
    Service,
)
from cli.limit_options import Seam as SeamWord
from core.errors import UsageError

if TYPE_CHECKING:
    from inspection.document import Entry
    from inspection.seam import Job
    from inspection.seam_document import Seam
    from inspection.seam_source import Direction, Source

EPILOG = (
    "Exit status: 0 when a section was measured (others may be entries with an error), 2 wrong use, 3 nothing could be "
    "read, 4 nothing measurable in any section, 5 a limit is not met (only with --fail-on-reject), 130 interrupted: "
    "what is there is kept, and the same command goes on. "
    "Laser light can blind: know the class on the laser's label (IEC 60825-1), never look into the beam or its mirror "
    "image on bright metal, and keep the beam off people while the rig travels; class 3R, 3B and 4 need the measures "
    "of your laser safety officer. Values are proposals: a qualified person confirms them, the governing code prevails."
)
INTERRUPTED = 130
FEW = 8
"""Fewer sections than this are measured before other processes have started."""
DOCUMENT, VIEW, WORST = "seam.json", "seam.png", "worst.png"


def scan(
    path: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER|FILE", help="Folder of frames or profiles, multi-page TIFF, video, or point cloud."
        ),
    ],
    joint: Annotated[str, typer.Option(metavar="JOINT", help="auto, tee, lap, butt or groove.")] = "auto",
    calibration: Annotated[
        Path | None, typer.Option(metavar="RIG.json", help="Of the rig, made by toeline calibrate laser.")
    ] = None,
    pitch: Annotated[
        str | None, typer.Option(metavar="LENGTH", help='Travel from section to section: "0.5 mm".')
    ] = None,
    positions: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="Where each section was taken: column position (mm), perhaps source."),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", help="Sections measured at the same time; as many as processors are free."),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Measure on this Dask scheduler: tcp://host:8786.")
    ] = None,
    thickness: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help='Nominal plate thickness, compared, and used by limits: "10 mm".'),
    ] = None,
    units: Annotated[
        str, typer.Option(metavar="SYSTEM", help="metric or inch, for the screen and drawings.")
    ] = "metric",
    file_units: Annotated[str | None, typer.Option(metavar="UNIT", help="Unit of files that name none.")] = None,
    region: Annotated[str | None, typer.Option(metavar="X,Y,W,H", help="Part of the frames to look at.")] = None,
    outside_diameter: Annotated[
        str | None, typer.Option(metavar="LENGTH", help='Of a pipe whose outside is the parent metal: "168.3 mm".')
    ] = None,
    along: Annotated[
        str | None, typer.Option(metavar="DIRECTION", help="Of the seam in a point cloud: x, -z or three numbers.")
    ] = None,
    air: Annotated[
        str | None, typer.Option(metavar="DIRECTION", help="From the metal into the air in a point cloud: z, -x ...")
    ] = None,
    operator: Annotated[str | None, typer.Option(metavar="NAME", help="Who measures; kept in the result.")] = None,
    over: Annotated[
        list[str] | None,
        typer.Option(metavar="LIMIT", help='Count the length over it: "undercut_left 0.5 mm"; may be repeated.'),
    ] = None,
    criteria: Criteria = None,
    require: Require = None,
    nominal_throat: NominalThroat = None,
    nominal_leg: NominalLeg = None,
    category: Category = None,
    service: Service = None,
    seam: SeamWord = None,
    rule: ChosenRule = "guarded",
    fail_on_reject: FailOnReject = False,
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE|-", help="Write the seam file; - is the standard output.")
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write rows while they come, then seam.json, seam.png and worst.png."),
    ] = None,
) -> int:
    """Measure a whole seam, section by section."""
    beside = cluster is None and _is_long(path) and _processes(workers) > 1
    if beside:
        from inspection.workers import get_ready

        get_ready("typer")  # a worker looks at the program it was started by, too
    from cli.limit_options import chosen_limits, limit_files
    from cli.options import choose, make_folder, refuse_overwriting
    from cli.seam_table import print_seam
    from core.units import parse_length_mm, unit_in_mm
    from inspection.document import write_bytes
    from inspection.seam import Job
    from inspection.seam_document import as_chunks, write_chunks
    from inspection.seam_document import seam as seam_of
    from inspection.seam_source import seam_source
    from inspection.seam_summary import parse_threshold
    from inspection.settings import Settings, parse_region, shared_calibration

    choose(units, ("metric", "inch"), "--units")
    if file_units is not None:
        unit_in_mm(file_units, name="--file-units")
    thresholds = [parse_threshold(text) for text in dict.fromkeys(over or [])]
    settings = Settings(
        joint=choose(joint, ("auto", "tee", "lap", "butt", "groove"), "--joint"),  # type: ignore[arg-type]
        calibration=calibration,
        thickness_mm=None if thickness is None else parse_length_mm(thickness, name="--thickness"),
        file_units=file_units,
        operator=operator,
        region=None if region is None else parse_region(region),
        outside_diameter_mm=None
        if outside_diameter is None
        else parse_length_mm(outside_diameter, name="--outside-diameter"),
    )
    by = chosen_limits(criteria, require, rule, units, fail_on_reject, nominal_throat=nominal_throat,
                       nominal_leg=nominal_leg, category=category, service=service, seam=seam)  # fmt: skip
    refuse_overwriting([json_file], [path, calibration, positions, *limit_files(criteria)])
    if output is not None and output.resolve() == path.resolve():
        raise UsageError("--output must be another folder than the one that is scanned.")
    pitch_mm = None if pitch is None else parse_length_mm(pitch, name="--pitch")
    source = seam_source(
        path,
        settings,
        pitch_mm,
        along=_direction(along, "--along"),
        air=_direction(air, "--air"),
        placed=positions is not None,
    )
    if positions is not None:
        from inspection.seam_positions import at_positions, read_positions

        source = at_positions(source, read_positions(positions), pitch_mm)
    job = Job(settings, shared_calibration(settings))
    if job.calibration is not None and job.calibration.kind != "laser":
        raise UsageError(
            f"{calibration}: this is no calibration of a laser rig: make one with 'toeline calibrate laser'."
        )
    if output is not None:
        make_folder(output)
    with ExitStack() as stack:
        folder = output or _scratch(stack)
        rows, status = _scanned(source, job, folder, workers, cluster)
        found = seam_of(source, settings, job.calibration, rows, thresholds, by, complete=status == 0)
        if output is not None:
            view = _view(found, units, beside=beside)
            write_chunks(output / DOCUMENT, as_chunks(found))
            _draw_worst(output / WORST, found, source, job, units)
            if view is not None:
                write_bytes(output / VIEW, view())
        if str(json_file) == "-":
            _to_stdout(as_chunks(found))
        elif json_file is not None:
            write_chunks(json_file, as_chunks(found))
    if str(json_file) != "-":
        print_seam(found.content, units, None if output is None else output)
    if status:
        return status
    if fail_on_reject and any(outcome["does_not_meet"] for outcome in found.content.get("outcomes", ())):
        return REJECTED
    return _status(found)


def _is_long(path: Path) -> bool:
    """Tell whether a source is worth other processes, without looking into it: a folder of many files, or a file."""
    from itertools import islice

    if not path.is_dir():
        return path.is_file()
    try:
        return next(islice(path.iterdir(), FEW - 1, None), None) is not None
    except OSError:  # told by what reads it
        return False


def _processes(workers: int | None) -> int:
    from inspection.workers import workers_of

    return workers_of(workers)


def _view(found: Seam, units: str, *, beside: bool) -> Callable[[], bytes] | None:
    """Return what draws the seam, begun in another process where there may be one, None where there is nothing."""
    from functools import partial

    from desk.seam_view import seam_view
    from inspection.workers import begun

    if len(found.columns) == 0:
        return None
    work = partial(seam_view, found.columns, found.content, units=units)
    return begun(work) if beside else work


def _direction(text: str | None, option: str) -> Direction | None:
    if text is None:
        return None
    from vision.cloud_directions import direction_of

    return direction_of(text, option)


def _scratch(stack: ExitStack) -> Path:
    """Return a folder for the rows of a scan that nobody wants to keep."""
    from tempfile import TemporaryDirectory

    return Path(stack.enter_context(TemporaryDirectory(prefix="toeline-scan-")))


def _scanned(
    source: Source, job: Job, folder: Path, workers: int | None, address: str | None
) -> tuple[Callable[[], Iterator[Entry]], int]:
    """Measure what is not in the folder yet, and return what reads all rows, and 130 when a person stopped it."""
    import sys

    from cli.progress import counted, shown, stepping
    from inspection.seam import scan as sections_of
    from inspection.seam_rows import ROWS, KeptRows, Rows, header
    from inspection.workers import workers_of

    sha256 = None if job.calibration is None else job.calibration.sha256
    wanted = None if workers is None else workers_of(workers)
    with ExitStack() as stack:
        rows = stack.enter_context(Rows(folder, header(source, job.settings, sha256), job.settings.joint))
        left = None if source.count is None else source.count - rows.count
        if rows.count:
            there = counted(rows.count, "section is", "sections are")
            print(f"toeline: {there} there already, going on from the next.", file=sys.stderr)
        processes, pool = 1, None
        if address is not None and left != 0:
            processes, pool = _cluster(stack, address)
        elif left is None or left >= FEW:
            processes = workers_of(None)
        results = sections_of(source, job, first=rows.count, workers=wanted or processes, pool=pool)
        stack.callback(results.close)  # before the cluster it may work on
        bar = shown(left, "measured")
        try:
            for entry in stepping(results, bar):
                rows.add(entry)
        except KeyboardInterrupt:
            return KeptRows(folder / ROWS), INTERRUPTED
    return KeptRows(folder / ROWS), 0


def _cluster(stack: ExitStack, address: str) -> tuple[int, Callable[[int], Executor]]:
    from inspection.seam_cluster import cluster

    return stack.enter_context(cluster(address))


def _draw_worst(target: Path, found: Seam, source: Source, job: Job, units: str) -> None:
    """Draw the worst section once more from its source; an earlier drawing goes when there is none."""
    from core.errors import ToelineError
    from desk.overlay import write_overlay
    from desk.seam_view import for_screen
    from inspection.seam import found_in
    from measurement import measure

    worst = found.content["worst"]
    if worst is None:
        target.unlink(missing_ok=True)
        return
    piece = next(source.pieces(worst["section"]))
    try:
        measured = found_in(job, piece)
    except ToelineError:  # the source has changed since
        return
    pixels = measured.pixels
    values = tuple(measure(weld.section) for weld in measured.found.welds)
    write_overlay(
        target,
        None if pixels is None else for_screen(pixels),
        measured.found,
        values,
        units=units,  # type: ignore[arg-type]
        calibration=job.calibration,
    )


def _to_stdout(chunks: Iterator[str]) -> None:
    from cli.options import mute_stdout

    try:
        for chunk in chunks:
            print(chunk, end="")
    except BrokenPipeError:
        mute_stdout()


def _status(found: Seam) -> int:
    """Return 0 when a weld was measured, else 3 when nothing could be read, 4 when there was nothing to measure."""
    from cli.options import complain

    path, columns = found.content["source"]["path"], found.columns
    if len(columns) > len(columns.errors):
        return 0
    first = next(iter(columns.errors.values()), "there is no section in it")
    read = columns.codes != {"unreadable_file"}
    return complain(f"{path}: no section was measured: {first}", 4 if read else 3)
