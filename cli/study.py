"""``toeline study``: repeatability and reproducibility of a gauge in the hands of several people."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from core.errors import UsageError

if TYPE_CHECKING:
    from inspection.study import Evaluation, RangeStudy, VarianceStudy
    from inspection.study_design import Design

EPILOG = (
    "Exit status: 0 evaluated, 2 wrong use, 3 a file or a row that cannot be read, "
    "4 a design that cannot be evaluated (not balanced, a single trial): the cells are named."
)

MOST_CELLS = 10


def study(
    file: Annotated[
        Path, typer.Argument(metavar="STUDY.csv", help="Columns part, operator, reading; trial, unit, gauge, quantity.")
    ],
    tolerance: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help='Width of the tolerance: "1 mm", "±0.5 mm", "5 deg".'),
    ] = None,
    limits: Annotated[
        str | None, typer.Option(metavar="LOW..HIGH", help='Its two limits instead: "5 mm..7 mm".')
    ] = None,
    unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="Unit of readings that name none: mm, in or deg.")
    ] = None,
    pool_above: Annotated[
        float, typer.Option(metavar="P", help="Count the interaction as repeatability above this p.")
    ] = 0.05,
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch, for the screen and plot.")] = "metric",
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE|-", help="Write all figures; - is the standard output.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write study.json and the plot into a folder.")
    ] = None,
    plots: Annotated[str, typer.Option(metavar="FORMAT", help="png or svg.")] = "png",
) -> int:
    """Evaluate a study of repeatability and reproducibility: every operator reads every part several times."""
    from cli.compare import tell_bad_rows, write
    from cli.options import choose, make_folder, reading_unit, refuse_overwriting
    from desk.plot_paper import FORMATS
    from desk.study_plot import study_plot
    from inspection.document import as_text, write_bytes
    from inspection.readings import read_study
    from inspection.study import study_by_ranges, study_by_variance
    from inspection.study_design import design_of
    from inspection.study_document import as_document

    choose(units, ("metric", "inch"), "--units")
    choose(plots, FORMATS, "--plots")
    unit = reading_unit(unit)
    if not 0 <= pool_above <= 1:
        raise UsageError(f"--pool-above takes a probability between 0 and 1, got {pool_above:g}.")
    table = None if output is None else output / "study.json"
    picture = None if output is None else output / f"study.{plots}"
    refuse_overwriting([json_file, table, picture], [file])
    width = _width(tolerance, limits)
    read = read_study(file, unit=unit)
    status = tell_bad_rows(read.bad, str(file))
    design = design_of(read)
    if width is not None and width[1] != design.unit:
        named = design.unit or "plain numbers"
        raise UsageError(f"the tolerance is in {width[1]}, the readings are in {named}: name their unit with --unit.")
    share_of = None if width is None else width[0]
    variance, ranges = study_by_variance(design, pool_above=pool_above), study_by_ranges(design)
    text = as_text(as_document(read, design, variance, ranges, share_of))
    if output is not None and picture is not None:
        data = study_plot(design, variance, plots, tolerance=share_of, units=units)
        make_folder(output)
        write(table, text)
        write_bytes(picture, data)
    write(json_file, text)
    if str(json_file) != "-":
        _print(design, variance, ranges, share_of, units, str(file))
        if picture is not None:
            print(f"Written to {output}: study.json, {picture.name}")
    return status


def _width(tolerance: str | None, limits: str | None) -> tuple[float, str] | None:
    """Return the width of the tolerance and its unit."""
    from inspection.readings import parse_reading

    if tolerance is not None and limits is not None:
        raise UsageError("--tolerance and --limits say the same thing: give one of them.")
    if tolerance is not None:
        width, unit = parse_reading(tolerance.strip().removeprefix("±"), name="--tolerance")
        if tolerance.strip().startswith("±"):
            width *= 2
    elif limits is not None:
        low, dots, high = limits.partition("..")
        if not dots:
            raise UsageError(f'--limits takes two limits like "5 mm..7 mm", got {limits!r}.')
        upper, unit = parse_reading(high, name="--limits")
        lower, other = parse_reading(low, default=high.strip().lstrip("+-0123456789., /"), name="--limits")
        if other != unit:
            raise UsageError(f"--limits names a length and an angle: {limits!r}.")
        width = upper - lower
    else:
        return None
    if width <= 0:
        raise UsageError(f"the tolerance must be wider than nothing, got {tolerance or limits!r}.")
    return width, unit


def _print(
    design: Design, variance: VarianceStudy, ranges: RangeStudy, tolerance: float | None, units: str, name: str
) -> None:
    from rich.console import Console

    from desk.agreement_plot import display_unit

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 120)
    parts, operators, trials = design.values.shape
    people = "1 operator" if operators == 1 else f"{operators} operators"
    console.print(f"{name}: {parts} parts, {people}, {trials} trials", style="bold")
    console.print()
    _print_lines(console, variance, *display_unit(design.unit, units))
    for found in (variance, ranges):
        _print_evaluation(console, design, found, tolerance, units)
    for part, operator in ranges.beyond[:MOST_CELLS]:
        console.print(f"  part {part!r} by {operator!r}: the range of the trials is beyond its limit: read it again")
    if len(ranges.beyond) > MOST_CELLS:
        console.print(f"  and {len(ranges.beyond) - MOST_CELLS} more cells; --json lists them all")


def _print_lines(console: Any, variance: VarianceStudy, scale: float, unit: str) -> None:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("analysis of variance")
    squared = f", {unit}²" if unit in ("mm", "in") else ""  # those of angles are left without
    for heading in ("df", f"sum of\nsquares{squared}", f"mean\nsquare{squared}", "F", "p"):
        table.add_column(heading, no_wrap=True, justify="right")
    for lines, title in ((variance.lines, ""), (variance.pooled_lines or (), ", interaction pooled")):
        for line in lines:
            table.add_row(
                line.source + title,
                str(line.degrees_of_freedom),
                f"{line.sum_of_squares * scale**2:.5g}",
                f"{line.mean_square * scale**2:.5g}",
                "-" if line.f is None else f"{line.f:.2f}",
                "-" if line.p is None else ("< 0.001" if line.p < 0.001 else f"{line.p:.3f}"),
            )
    console.print(table)


def _print_evaluation(console: Any, design: Design, found: Evaluation, tolerance: float | None, units: str) -> None:
    from rich import box
    from rich.table import Table

    from desk.agreement_plot import display_unit
    from inspection.study import LABELS

    scale, unit = display_unit(design.unit, units)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(found.method)
    table.add_column("", no_wrap=True)
    for heading in (f"std, {unit}" if unit else "std", "95 %\nconfidence", "% of\ntotal", "% of\nvariance"):
        table.add_column(heading, no_wrap=True, justify="right")
    if tolerance is not None:
        table.add_column("% of\ntolerance", no_wrap=True, justify="right")
    for code, spread in found.spreads.items():
        low_high = spread.interval
        share, contribution = found.share(code), found.contribution(code)
        row = [
            LABELS[code],
            code,
            f"{spread.std * scale:.4f}",
            "-" if low_high is None else f"{low_high[0] * scale:.4f} to {low_high[1] * scale:.4f}",
            "-" if share is None else f"{100 * share:.1f}",
            "-" if contribution is None else f"{100 * contribution:.1f}",
        ]
        if tolerance is not None:
            row.append(f"{100 * found.share_of(code, tolerance):.1f}")
        table.add_row(*row)
    console.print(table)
    categories = found.categories
    told = "no variation of the gauge was seen" if categories is None else f"{int(categories)} ({categories:.2f})"
    console.print(f"  distinct categories: {told}")
    for note in found.notes:
        console.print(f"  {note}")
    console.print()
