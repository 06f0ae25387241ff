"""``toeline measure``: pictures or profiles in; table, result file and overlay out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

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
    Seam,
    Service,
)
from core.errors import UnreadableFile, UsageError

if TYPE_CHECKING:
    from cli.measure_file import Job, Task
    from cli.records import Keeper
    from inspection.settings import Settings

EPILOG = (
    "Exit status: 0 measured, 2 wrong use, 3 unreadable file, 4 nothing measurable, 5 a limit is not met "
    "(only with --fail-on-reject). "
    "Values are proposals: a qualified person confirms them, and the governing code prevails. "
    "Etchants are dangerous: their preparation and use belong to trained staff, by the laboratory's own instructions "
    "and the safety data sheets."
)
OVERLAY_SUFFIXES = (".png", ".svg")
FEW = 4
"""Fewer files than this are done before another process has started."""
INTERRUPTED = 130
Result = TypeVar("Result")


def measure(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Pictures, profiles (.csv, .npy), or folders of them.")
    ],
    joint: Annotated[str, typer.Option(metavar="JOINT", help="auto, tee, lap, butt or groove.")] = "auto",
    source: Annotated[str, typer.Option(metavar="KIND", help="auto, macro, laser or profile.")] = "auto",
    calibration: Annotated[Path | None, typer.Option(metavar="CAL.json", help="Made by toeline calibrate.")] = None,
    scale: Annotated[str | None, typer.Option(metavar="LENGTH", help='Size of one pixel: "0.02 mm".')] = None,
    scale_from_metadata: Annotated[
        bool, typer.Option("--scale-from-metadata", help="Take the pixel size from the picture file (flagged).")
    ] = False,
    thickness: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help='Nominal plate thickness, compared, and used by limits: "10 mm".'),
    ] = None,
    units: Annotated[
        str, typer.Option(metavar="SYSTEM", help="metric or inch, for the screen and the overlay.")
    ] = "metric",
    file_units: Annotated[str | None, typer.Option(metavar="UNIT", help="Unit of a profile that names none.")] = None,
    outside_diameter: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help='Pipe whose outside carries the weld, for profiles and lines: "168.3 mm".'),
    ] = None,
    operator: Annotated[str | None, typer.Option(metavar="NAME", help="Who measures; kept in the result.")] = None,
    marks: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Toes and plate points marked by a person (JSON).")
    ] = None,
    region: Annotated[str | None, typer.Option(metavar="X,Y,W,H", help="Part of the picture to look at.")] = None,
    criteria: Criteria = None,
    require: Require = None,
    nominal_throat: NominalThroat = None,
    nominal_leg: NominalLeg = None,
    category: Category = None,
    service: Service = None,
    seam: Seam = None,
    rule: ChosenRule = "guarded",
    fail_on_reject: FailOnReject = False,
    inside: Annotated[
        str, typer.Option(metavar="WHEN", help="Fusion line, penetration, pores of an etched section: auto, on or off.")
    ] = "auto",
    pore_size: Annotated[
        str, typer.Option(metavar="LENGTH", help="Equivalent diameter from which pores and inclusions are listed.")
    ] = "0.2 mm",
    tone_curve: Annotated[
        str,
        typer.Option(metavar="CURVE", help="How the picture stores light: auto (what the file says), linear, srgb."),
    ] = "auto",
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE|-", help="Write the result file; - is the standard output.")
    ] = None,
    gauges: Annotated[
        bool, typer.Option("--gauges", help="Model what hand gauges would read here, and draw them.")
    ] = False,
    overlay: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw what was measured into a .png or .svg.")
    ] = None,
    points: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Write the points of a laser line, in mm, into a table.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write result.json and one overlay a file into a folder.")
    ] = None,
    records: Annotated[
        str | None,
        typer.Option(metavar="STORE", help='Keep each weld in this store: a file, a postgresql:// URL or "default".'),
    ] = None,
    template: Annotated[
        Path | None, typer.Option(metavar="FILE.toml", help="Job, drawing, welder, etchant ... kept with the records.")
    ] = None,
    no_picture: Annotated[
        bool, typer.Option("--no-picture", help="Keep the hash of the picture in the records, not the picture.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option(metavar="N", help="Files measured at the same time; as many as processors are free.")
    ] = None,
) -> int:
    """Measure the welds in photographs of sections or in profile files."""
    from cli.limit_options import chosen_limits, limit_files
    from cli.measure_file import Job, Task
    from cli.options import choose, make_folder, refuse_overwriting
    from cli.records import Keeper
    from inspection.batch import files_in
    from inspection.document import as_text, document, write_text
    from inspection.outcomes import rejected
    from inspection.picture import needs_scale, source_kind
    from inspection.settings import shared_calibration
    from inspection.workers import workers_of

    choose(units, ("metric", "inch"), "--units")
    several = any(path.is_dir() for path in files)
    files = files_in(files)
    if overlay is not None and len(files) > 1:
        raise UsageError("--overlay draws one file: use --output DIR for several.")
    if points is not None and len(files) > 1:
        raise UsageError("--points writes the line of one frame: give one file.")
    if records is None and (template is not None or no_picture):
        raise UsageError("--template and --no-picture are about records: name the store with --records.")
    if overlay is not None and overlay.suffix.lower() not in OVERLAY_SUFFIXES:
        raise UsageError(f"--overlay {str(overlay)!r} must end in .png or .svg.")
    settings = settings_of_options(joint, source, calibration, scale, scale_from_metadata, thickness, file_units,
                                   operator, marks, region, inside, pore_size, outside_diameter,
                                   tone_curve)  # fmt: skip
    by = chosen_limits(criteria, require, rule, units, fail_on_reject, nominal_throat=nominal_throat,
                       nominal_leg=nominal_leg, category=category, service=service, seam=seam)  # fmt: skip
    drawings = _drawings(files, overlay, output)
    results = [json_file, None if output is None else output / "result.json"]
    gauge_drawings = [_gauge_drawing(path) if gauges and output is not None else None for path in drawings]
    written = [*results, *drawings, *gauge_drawings, points]
    refuse_overwriting(written, [*files, calibration, marks, *limit_files(criteria)])
    pictures = [path for path in files if source_kind(path, settings) != "profile"]
    shared = shared_calibration(settings)
    if pictures and shared is None and not settings.scale_from_metadata:
        raise needs_scale(settings)
    if output is not None:
        make_folder(output)
    keeper = None if records is None else Keeper(records, template, operator)
    job = Job(settings, shared, by, units, gauges)
    tasks = [
        Task(path, None if drawing == overlay else drawing, overlay, gauge_drawing, points)
        for path, drawing, gauge_drawing in zip(files, drawings, gauge_drawings, strict=True)
    ]
    quiet = "-" in map(str, results)
    processes = 1 if workers is None and len(tasks) < FEW else workers_of(workers)
    with keeper or nullcontext():
        entries, status = _measured(job, tasks, processes, keeper, quiet, with_picture=not no_picture)
    text = as_text(document(entries))
    for result in results:
        if result is not None and str(result) == "-":
            print(text, end="")
        elif result is not None:
            write_text(result, text)
    if several:
        _sum_up(entries)
    return REJECTED if fail_on_reject and rejected(entries) else status


def _measured(
    job: Job, tasks: list[Task], workers: int, keeper: Keeper | None, quiet: bool, *, with_picture: bool
) -> tuple[list[dict[str, Any]], int]:
    """Measure the files, print and keep each as it comes, and return their entries and the worst status."""
    from cli.gauges import print_gauges
    from cli.measure_file import lost, measure_file
    from cli.options import complain, mute_stdout
    from cli.progress import printing, shown, stepping
    from cli.table import print_inspection
    from inspection.batch import in_order

    entries: list[dict[str, Any]] = []
    status = 0
    bar = shown(len(tasks), "measured")
    results = in_order(partial(measure_file, job), tasks, workers)
    for task, result in zip(tasks, _until_interrupted(stepping(results, bar)), strict=False):
        done = lost(task, result, result.exit_status) if isinstance(result, UnreadableFile) else result
        entries.append(done.entry)
        status = max(status, done.status)
        with printing(bar):
            if done.complaint is not None:
                complain(done.complaint, done.status)
            if not quiet:
                try:
                    print_inspection(done.entry, job.units)
                    if job.gauges:
                        print_gauges(done.entry, job.units)
                except BrokenPipeError:
                    mute_stdout()
            if keeper is not None:
                keeper.keep([done.entry], with_picture=with_picture, to_stderr=quiet)
    return entries, status if len(entries) == len(tasks) else INTERRUPTED


def _until_interrupted(results: Iterator[Result]) -> Iterator[Result]:
    """Yield results until a person stops the program: what is there by then is still written."""
    with suppress(KeyboardInterrupt):
        yield from results


def _sum_up(entries: list[dict[str, Any]]) -> None:
    """Say on the standard error what became of a folder."""
    import sys

    from cli.progress import counted

    failed = [entry["source"]["path"] for entry in entries if entry["error"] is not None]
    welds = sum(len(entry["welds"]) for entry in entries)
    measured = counted(len(entries) - len(failed), "file", "files")
    print(f"{measured} of {len(entries)} measured, {counted(welds, 'weld', 'welds')}.", file=sys.stderr)
    for path in failed:
        print(f"  not measured: {path}", file=sys.stderr)


def settings_of_options(
    joint: str,
    source: str,
    calibration: Path | None,
    scale: str | None,
    scale_from_metadata: bool,
    thickness: str | None,
    file_units: str | None,
    operator: str | None,
    marks: Path | None,
    region: str | None,
    inside: str,
    pore_size: str,
    outside_diameter: str | None,
    tone_curve: str,
) -> Settings:
    """Turn the options into settings, each checked."""
    from cli.options import choose
    from core.units import parse_length_mm, unit_in_mm
    from inspection.settings import Settings, parse_region
    from vision.marks import read_marks

    if file_units is not None:
        unit_in_mm(file_units, name="--file-units")
    return Settings(
        joint=choose(joint, ("auto", "tee", "lap", "butt", "groove"), "--joint"),  # type: ignore[arg-type]
        source=choose(source, ("auto", "macro", "laser", "profile"), "--source"),  # type: ignore[arg-type]
        calibration=calibration,
        scale_mm_per_px=None if scale is None else parse_length_mm(scale, name="--scale"),
        scale_from_metadata=scale_from_metadata,
        thickness_mm=None if thickness is None else parse_length_mm(thickness, name="--thickness"),
        file_units=file_units,
        operator=operator,
        marks=None if marks is None else read_marks(marks),
        region=None if region is None else parse_region(region),
        inside=choose(inside, ("auto", "on", "off"), "--inside"),  # type: ignore[arg-type]
        pore_size_mm=parse_length_mm(pore_size, name="--pore-size"),
        outside_diameter_mm=None
        if outside_diameter is None
        else parse_length_mm(outside_diameter, name="--outside-diameter"),
        tone_curve=choose(tone_curve, ("auto", "linear", "srgb"), "--tone-curve"),  # type: ignore[arg-type]
    )


def _drawings(files: list[Path], overlay: Path | None, output: Path | None) -> list[Path | None]:
    """Return where each file's overlay goes; equal names from different folders are numbered."""
    if output is None:
        return [overlay] * len(files)
    names: list[Path | None] = []
    seen: dict[str, int] = {}
    for path in files:
        seen[path.stem] = seen.get(path.stem, 0) + 1
        number = f"-{seen[path.stem]}" if seen[path.stem] > 1 else ""
        names.append(output / f"{path.stem}{number}-overlay.png")
    return names


def _gauge_drawing(drawing: Path | None) -> Path | None:
    return None if drawing is None else drawing.with_name(drawing.name.replace("-overlay.png", "-gauges.png"))
