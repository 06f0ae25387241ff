"""``toeline measure``: pictures or profiles in; table, result file and overlay out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
from core.errors import UsageError

if TYPE_CHECKING:
    from inspection.gauges import Readings
    from inspection.picture import Inspection
    from inspection.settings import Settings

EPILOG = (
    "Exit status: 0 measured, 2 wrong use, 3 unreadable file, 4 nothing measurable, 5 a limit is not met "
    "(only with --fail-on-reject). "
    "Values are proposals: a qualified person confirms them, and the governing code prevails. "
    "Etchants are dangerous: their preparation and use belong to trained staff, by the laboratory's own instructions "
    "and the safety data sheets."
)
OVERLAY_SUFFIXES = (".png", ".svg")


def measure(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Pictures, or profiles (.csv, .npy).")],
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
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE|-", help="Write the result file; - is the standard output.")
    ] = None,
    gauges: Annotated[
        bool, typer.Option("--gauges", help="Model what hand gauges would read here, and draw them.")
    ] = False,
    overlay: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw what was measured into a .png or .svg.")
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
) -> int:
    """Measure the welds in photographs of sections or in profile files."""
    from cli.gauges import print_gauges
    from cli.limit_options import chosen_limits, limit_files
    from cli.options import choose, mute_stdout, refuse_overwriting
    from cli.records import Keeper
    from cli.table import print_inspection
    from inspection.document import as_text, document, write_text
    from inspection.gauges import with_gauges
    from inspection.outcomes import judged, rejected
    from inspection.picture import inspect_file, needs_scale, source_kind
    from inspection.settings import shared_calibration

    choose(units, ("metric", "inch"), "--units")
    if overlay is not None and len(files) > 1:
        raise UsageError("--overlay draws one file: use --output DIR for several.")
    if records is None and (template is not None or no_picture):
        raise UsageError("--template and --no-picture are about records: name the store with --records.")
    if overlay is not None and overlay.suffix.lower() not in OVERLAY_SUFFIXES:
        raise UsageError(f"--overlay {str(overlay)!r} must end in .png or .svg.")
    settings = _settings(joint, source, calibration, scale, scale_from_metadata, thickness, file_units, operator, marks,
                         region, inside, pore_size)  # fmt: skip
    by = chosen_limits(criteria, require, rule, units, fail_on_reject, nominal_throat=nominal_throat,
                       nominal_leg=nominal_leg, category=category, service=service, seam=seam)  # fmt: skip
    drawings = _drawings(files, overlay, output)
    results = [json_file, None if output is None else output / "result.json"]
    gauge_drawings = [_gauge_drawing(path) if gauges and output is not None else None for path in drawings]
    refuse_overwriting([*results, *drawings, *gauge_drawings], [*files, calibration, marks, *limit_files(criteria)])
    pictures = [path for path in files if source_kind(path, settings) != "profile"]
    shared = shared_calibration(settings)
    if pictures and shared is None and not settings.scale_from_metadata:
        raise needs_scale(settings)
    if output is not None:
        _make_folder(output)
    keeper = None if records is None else Keeper(records, template, operator)
    entries: list[dict[str, Any]] = []
    status = 0
    for path, drawing, gauge_drawing in zip(files, drawings, gauge_drawings, strict=True):
        inspection = inspect_file(path, settings, shared)
        inspection, taken = with_gauges(inspection) if gauges else (inspection, ())
        entry = inspection.entry if by is None else judged(inspection.entry, by)
        entries.append(entry)
        status = max(status, _report(path, inspection))
        for target in _targets(drawing, overlay if output is not None else None):
            _draw(target, path, inspection, units, taken if target == overlay else ())
        if gauge_drawing is not None:
            _draw(gauge_drawing, path, inspection, units, taken)
        if str(json_file) != "-":
            try:
                print_inspection(entry, units)
                if gauges:
                    print_gauges(entry, units)
            except BrokenPipeError:
                mute_stdout()
    text = as_text(document(entries))
    for result in results:
        if result is not None and str(result) == "-":
            print(text, end="")
        elif result is not None:
            write_text(result, text)
    if keeper is not None:
        with keeper:
            keeper.keep(entries, with_picture=not no_picture, to_stderr="-" in map(str, results))
    return REJECTED if fail_on_reject and rejected(entries) else status


def _settings(
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


def _targets(*paths: Path | None) -> list[Path]:
    return [path for path in paths if path is not None]


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--output {path}: the folder cannot be made: {error.strerror}.") from None


def _report(path: Path, inspection: Inspection) -> int:
    """Say in one line why a file gave nothing, and return its exit status."""
    from cli.options import complain

    if inspection.error is None:
        return 0
    message = str(inspection.error)
    return complain(message if message.startswith(str(path)) else f"{path}: {message}", inspection.error.exit_status)


def _draw(target: Path, path: Path, inspection: Inspection, units: str, gauges: Readings = ()) -> None:
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
