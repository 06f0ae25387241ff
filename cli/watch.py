"""``toeline watch``: pictures measured as they arrive in a folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.limit_options import Category, ChosenRule, Criteria, NominalLeg, NominalThroat, Require, Seam, Service
from core.errors import UnreadableFile, UsageError

if TYPE_CHECKING:
    from cli.measure_file import Done, Job
    from cli.records import Keeper

EPILOG = (
    "Stop it with Ctrl-C. A picture is measured when it has lain unchanged for a second; one that was measured before, "
    "by its name and content, is left alone, so the command can be started again at any time. "
    "Values are proposals: a qualified person confirms them, and the governing code prevails."
)
RESULTS = "results.jsonl"


def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where a camera or a scanner puts its pictures.")],
    output: Annotated[
        Path, typer.Option(metavar="DIR", help="Where results and overlays go: a result file for each picture.")
    ],
    joint: Annotated[str, typer.Option(metavar="JOINT", help="auto, tee, lap, butt or groove.")] = "auto",
    source: Annotated[str, typer.Option(metavar="KIND", help="auto, macro, laser or profile.")] = "auto",
    calibration: Annotated[Path | None, typer.Option(metavar="CAL.json", help="Made by toeline calibrate.")] = None,
    scale: Annotated[str | None, typer.Option(metavar="LENGTH", help='Size of one pixel: "0.02 mm".')] = None,
    scale_from_metadata: Annotated[
        bool, typer.Option("--scale-from-metadata", help="Take the pixel size from the picture file (flagged).")
    ] = False,
    thickness: Annotated[str | None, typer.Option(metavar="LENGTH", help='Nominal plate thickness: "10 mm".')] = None,
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch, for the screen.")] = "metric",
    operator: Annotated[str | None, typer.Option(metavar="NAME", help="Who measures; kept in the result.")] = None,
    criteria: Criteria = None,
    require: Require = None,
    nominal_throat: NominalThroat = None,
    nominal_leg: NominalLeg = None,
    category: Category = None,
    service: Service = None,
    seam: Seam = None,
    rule: ChosenRule = "guarded",
    gauges: Annotated[bool, typer.Option("--gauges", help="Model what hand gauges would read here.")] = False,
    records: Annotated[
        str | None,
        typer.Option(metavar="STORE", help='Keep each weld in this store: a file, a postgresql:// URL or "default".'),
    ] = None,
    template: Annotated[
        Path | None, typer.Option(metavar="FILE.toml", help="Job, drawing, welder, etchant ... kept with the records.")
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Stop when all that is there has been measured.")] = False,
) -> int:
    """Measure pictures as they arrive in a folder, until it is stopped."""
    from cli.limit_options import chosen_limits
    from cli.measure import settings_of_options
    from cli.measure_file import Job
    from cli.options import choose, make_folder
    from cli.records import Keeper
    from inspection.picture import needs_scale
    from inspection.settings import shared_calibration

    choose(units, ("metric", "inch"), "--units")
    if not folder.is_dir():
        raise UnreadableFile(f"{folder}: there is no such folder to watch.")
    if output.resolve() == folder.resolve():
        raise UsageError("--output must be another folder than the one that is watched.")
    if records is None and template is not None:
        raise UsageError("--template is about records: name the store with --records.")
    settings = settings_of_options(joint, source, calibration, scale, scale_from_metadata, thickness, None, operator,
                                   None, None, "auto", "0.2 mm", None, "auto")  # fmt: skip
    by = chosen_limits(criteria, require, rule, units, False, nominal_throat=nominal_throat,
                       nominal_leg=nominal_leg, category=category, service=service, seam=seam)  # fmt: skip
    shared = shared_calibration(settings)
    if shared is None and not scale_from_metadata and source != "profile":
        raise needs_scale(settings)
    make_folder(output)
    keeper = None if records is None else Keeper(records, template, operator)
    job = Job(settings, shared, by, units, gauges)
    if keeper is None:
        return _watch(job, folder, output, None, once=once)
    with keeper:
        return _watch(job, folder, output, keeper, once=once)


def _watch(job: Job, folder: Path, output: Path, keeper: Keeper | None, *, once: bool) -> int:
    """Measure what arrives; return the worst status of what was measured in this call."""
    from inspection.arrivals import Arrivals, watched

    known = _known(output / RESULTS)
    status = 0
    print(f"Watching {folder}. Stop with Ctrl-C.", flush=True)
    for path in watched(Arrivals(folder), once=once):
        done = _measured(job, path, output, known, keeper)
        if done is not None:
            status = max(status, done.status)
    return status


def _measured(job: Job, path: Path, output: Path, known: set[tuple[str, str]], keeper: Keeper | None) -> Done | None:
    """Measure one picture unless it was measured before; keep its record, its result file and its line in the list.

    The line comes last: what a stop leaves undone is done again, and records are never kept twice.
    """
    import hashlib

    from cli.measure_file import Task, measure_file
    from cli.options import complain
    from cli.table import print_inspection
    from inspection.document import as_text, document, write_text
    from vision.picture import read_bytes

    try:
        digest = hashlib.sha256(read_bytes(path)).hexdigest()
    except UnreadableFile as error:
        complain(str(error), error.exit_status)
        return None
    if (path.name, digest) in known:
        return None
    done = measure_file(job, Task(path, drawing=output / f"{path.name}-overlay.png"))
    if done.complaint is not None:
        complain(done.complaint, done.status)
    print_inspection(done.entry, job.units)
    if keeper is not None:
        keeper.keep([done.entry], with_picture=True)
    write_text(output / f"{path.name}.json", as_text(document([done.entry])))
    _append(output / RESULTS, {"picture": path.name, "sha256": digest, "result": f"{path.name}.json",
                               "welds": len(done.entry["welds"]), "error": done.entry["error"]})  # fmt: skip
    known.add((path.name, digest))
    return done


def _known(path: Path) -> set[tuple[str, str]]:
    """Return name and content of what the list says was measured; a line cut off by a crash does not count."""
    from inspection.document import as_name

    known = set()
    try:
        lines = path.read_bytes().decode("utf-8", "replace").splitlines() if path.exists() else []
    except OSError as error:
        raise UnreadableFile(f"{as_name(path)}: the file cannot be read: {error.strerror}.") from None
    for line in lines:
        try:
            entry = json.loads(line)
            known.add((str(entry["picture"]), str(entry["sha256"])))
        except (ValueError, KeyError, TypeError, RecursionError):
            continue
    return known


def _append(path: Path, line: dict[str, Any]) -> None:
    """Add a line, on a line of its own even after one that was cut off."""
    try:
        whole = not path.exists() or path.stat().st_size == 0 or path.read_bytes()[-1:] == b"\n"
        with path.open("ab") as file:
            file.write((b"" if whole else b"\n") + json.dumps(line).encode() + b"\n")
    except OSError as error:
        raise UnreadableFile(f"{path}: the file cannot be written: {error.strerror}.", code="unwritable_file") from None
