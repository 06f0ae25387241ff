"""``toeline compare``: readings of hand gauges against results; table, result file and plots out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from core.errors import NothingMeasurable, ToelineError, UsageError

if TYPE_CHECKING:
    from inspection.comparison import Compared, Comparison, Group
    from inspection.pairing import Pair

EPILOG = (
    "Exit status: 0 compared, 2 wrong use, 3 a file or a row that cannot be read (the rest is compared all the same), "
    "4 nothing to compare. Readings carry their unit: 3/8 in, 9.5 mm, 37°."
)
MOST_LINES = 10
MOST_NUMBERS = 50
MOST_ROWS = 60
MOST_FAR = 5
SIGNIFICANT = 0.05
NO_STAR = "\N{NO-BREAK SPACE}"
"""Holds the place of a star, so that decimal points stand in one column."""


def compare(
    readings: Annotated[
        Path,
        typer.Argument(
            metavar="READINGS.csv", help="Columns source, quantity, reading; weld, gauge, operator, unit, date, note."
        ),
    ],
    more: Annotated[
        list[Path] | None, typer.Argument(metavar="RESULT.json", help="More result files.", show_default=False)
    ] = None,
    results: Annotated[
        list[Path] | None,
        typer.Option(metavar="RESULT.json", help="Written by toeline measure; may be repeated.", show_default=False),
    ] = None,
    records: Annotated[
        str | None,
        typer.Option(
            metavar="STORE",
            help='Compare with records, too: a file, a postgresql:// URL or "default". Rejected ones are left out.',
        ),
    ] = None,
    unit: Annotated[
        str | None, typer.Option(metavar="UNIT", help="Unit of readings that name none: mm, in or deg.")
    ] = None,
    sides: Annotated[
        str, typer.Option(metavar="HOW", help="together: left and right are one quantity; or apart.")
    ] = "together",
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch, for the screen and plots.")] = "metric",
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE|-", help="Write all figures; - is the standard output.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write agreement.json and one plot a quantity into a folder.")
    ] = None,
    plots: Annotated[str, typer.Option(metavar="FORMAT", help="png or svg.")] = "png",
) -> int:
    """Compare readings of hand gauges with results: bias and limits of agreement by quantity, gauge and operator."""
    from cli.options import choose, make_folder, reading_unit, refuse_overwriting
    from desk.plot_paper import FORMATS
    from inspection.comparison import as_document
    from inspection.comparison import compare as compare_readings
    from inspection.document import as_text, write_bytes
    from inspection.readings import read_readings

    choose(sides, ("together", "apart"), "--sides")
    choose(units, ("metric", "inch"), "--units")
    unit = reading_unit(unit)
    choose(plots, FORMATS, "--plots")
    files = [*(results or ()), *(more or ())]
    if not files and records is None:
        raise UsageError(
            "--results RESULT.json or --records STORE is needed: what was measured on the pictures read by hand."
        )
    table = None if output is None else output / "agreement.json"
    refuse_overwriting([json_file, table], [readings, *files])
    read = read_readings(readings, unit=unit)
    entries, status = _entries(files)
    if records is not None:
        entries += _recorded(records)
    compared = compare_readings(read, entries, sides_apart=sides == "apart")
    status = max(status, _complain(compared, str(readings)))
    if not compared.comparisons:
        raise NothingMeasurable(_nothing(compared, str(readings)))
    drawn = _plots(compared, plots, units) if output is not None else {}
    text = as_text(as_document(compared))
    if output is not None:
        make_folder(output)
        write(table, text)
        for name, data in drawn.items():
            write_bytes(output / name, data)
    write(json_file, text)
    if str(json_file) != "-":
        _print(compared, units)
        if output is not None:
            print(f"Written to {output}: agreement.json, {', '.join(drawn)}")
    return status


def write(path: Path | None, text: str) -> None:
    """Write text to a file, to the standard output for ``-``, nowhere for None."""
    from inspection.document import write_text

    if path is None:
        return
    if str(path) == "-":
        print(text, end="")
    else:
        write_text(path, text)


def tell_bad_rows(rows: Any, name: str) -> int:
    """Say on stderr which rows were left out, and return the status of that."""
    from cli.options import complain

    if not rows:
        return 0
    for row in rows[:MOST_LINES]:
        complain(f"{name}: line {row.line}: {row.reason}.", 3)
    more = ""
    if len(rows) > MOST_LINES:
        others = [str(row.line) for row in rows[MOST_LINES:]]
        end = f" and {len(others) - MOST_NUMBERS} more" if len(others) > MOST_NUMBERS else ""
        more = f": also line{'s' if len(others) > 1 else ''} {', '.join(others[:MOST_NUMBERS])}{end}"
    return complain(f"{name}: {len(rows)} {'row was' if len(rows) == 1 else 'rows were'} left out{more}.", 3)


def _entries(files: list[Path]) -> tuple[list[dict[str, Any]], int]:
    """Return the entries of all result files; one that cannot be read does not stop the others."""
    from cli.options import complain
    from inspection.schema import read_result

    entries: list[dict[str, Any]] = []
    status, last = 0, None
    for path in files:
        try:
            entries += read_result(path).model_dump(mode="json", by_alias=True)["results"]
        except ToelineError as error:
            last = error
            if len(files) > 1:
                status = complain(str(error), error.exit_status)
    if last is not None and not entries:
        raise last
    return entries, status


def _recorded(where: str) -> list[dict[str, Any]]:
    """Return what the records of a store hold."""
    from cli.records import open_kept
    from records.results import entries_of

    with open_kept(where) as store:
        return entries_of(store.record(line.id) for line in store.records())


def _complain(compared: Compared, name: str) -> int:
    return tell_bad_rows(compared.bad, name)


def _nothing(compared: Compared, name: str) -> str:
    if compared.alone:
        first = compared.alone[0]
        return f"{name}: no reading finds its value in the results; line {first.line}: {first.reason}."
    return f"{name}: the file holds no reading that can be compared."


def _plots(compared: Compared, kind: str, units: str) -> dict[str, bytes]:
    from desk.agreement_plot import agreement_plot

    by_quantity: dict[tuple[str, str], list[Comparison]] = {}
    for item in compared.comparisons:
        by_quantity.setdefault((item.quantity, item.unit), []).append(item)
    names: dict[str, bytes] = {}
    for (quantity, _), items in by_quantity.items():
        plain = "".join(sign if sign.isascii() and (sign.isalnum() or sign == "_") else "-" for sign in quantity)
        name = f"agreement-{plain[:60]}"
        while f"{name}.{kind}" in names:
            name += "-2"
        names[f"{name}.{kind}"] = agreement_plot(items, kind, units=units)
    return names


def _print(compared: Compared, units: str) -> None:
    from rich.console import Console

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 120)
    pairs = len(compared.readings.rows) - len(compared.alone)
    console.print(f"{compared.readings.path}: {pairs} of {len(compared.readings.rows)} readings compared", style="bold")
    console.print(
        "Differences are reading minus reference; limits of agreement are bias ± 1.96 s; ± is 95 % confidence."
    )
    console.print('Rows "all" pool readings of the same values by several people or gauges: there, ± is too small.')
    for item in compared.comparisons:
        _print_comparison(console, item, units)
    if compared.alone:
        console.print("\nNot compared:", style="bold")
        lines: dict[str, list[str]] = {}
        for alone in compared.alone:
            lines.setdefault(alone.reason, []).append(str(alone.line))
        for reason, numbers in list(lines.items())[:MOST_LINES]:
            named = ", ".join(numbers[:MOST_LINES])
            more = f" and {len(numbers) - MOST_LINES} more" if len(numbers) > MOST_LINES else ""
            console.print(f"  line{'' if len(numbers) == 1 else 's'} {named}{more}: {reason}")
        if len(lines) > MOST_LINES:
            console.print(f"  and {len(lines) - MOST_LINES} more reasons; --json lists every line")
    if compared.readings.unused:
        console.print(f"Columns not used: {', '.join(name[:30] for name in compared.readings.unused[:8])}")


def _print_comparison(console: Any, item: Comparison, units: str) -> None:
    from rich import box
    from rich.table import Table

    from desk.agreement_plot import display_unit

    scale, unit = display_unit(item.unit, units)
    against = "the measured value" if item.reference == "measured" else "the modelled reading of the gauge"
    if item.reference == "measured":
        console.print()
    console.print(f"{item.label}, {unit}, against {against}", style="bold")
    if item.groups:
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
        table.add_column("gauge\n operator", min_width=10, max_width=30, overflow="fold")
        for name in ("n", "bias", "s", "lower\nlimit", "upper\nlimit", "±\nlimits", "slope"):
            table.add_column(name, no_wrap=True, justify="right")
        if item.reference == "measured":
            table.add_column("s from\nU", no_wrap=True, justify="right")
            table.add_column("> U", no_wrap=True)
        heading = ""
        for group in item.groups[:MOST_ROWS]:
            gauge = "all gauges" if group.gauge is None else group.gauge
            if gauge != heading:
                table.add_row(heading := gauge)
            cells = _cells(group, scale, unit)
            table.add_row(*(cells if item.reference == "measured" else cells[:-2]))
        console.print(table)
        if len(item.groups) > MOST_ROWS:
            console.print(f"  and {len(item.groups) - MOST_ROWS} more rows; --json lists them all")
    for reason, count in item.missing:
        console.print(f"  no modelled reading for {count} of the readings: {reason}")
    for remark in _remarks(item):
        console.print(f"  {remark}")


def _cells(group: Group, scale: float, unit: str) -> list[str]:
    from desk.agreement_plot import DECIMALS, signed

    found, decimals = group.agreement, DECIMALS.get(unit, 2)
    bias = signed(found.bias * scale, unit)
    if found.bias_interval is not None:
        bias += f" ± {(found.bias_interval[1] - found.bias) * scale:.{decimals}f}"
    limits = ["-", "-", "-"]
    if found.lower is not None and found.upper is not None:
        half = (found.upper.high - found.upper.value) * scale
        limits = [
            signed(found.lower.value * scale, unit),
            signed(found.upper.value * scale, unit),
            f"{half:.{decimals}f}",
        ]
    slope = "-"
    if found.slope is not None:
        slope = f"{found.slope.value:+.2f}{'*' if found.slope.p < SIGNIFICANT else NO_STAR}".replace("-", "−")
    own = found.own
    return [
        f" {group.operator if group.operator is not None else 'all'}",
        str(found.n),
        bias,
        "-" if found.std is None else f"{found.std * scale:.{decimals}f}",
        *limits,
        slope,
        "-" if own is None else f"{own.expected_std * scale:.{decimals + 1}f}",
        "-" if own is None else ("yes" if own.exceeded else "no"),
    ]


def _far(pair: Pair) -> str:
    unit = "°" if pair.unit == "deg" else f" {pair.unit}"
    return (
        f"line {pair.reading.line}: {pair.reading.written} was read where {pair.measured:.4g}{unit} was measured: "
        "check number, point and unit; it counts here"
    )


def _remarks(item: Comparison) -> list[str]:
    """Say in words what the figures of a table cannot."""
    from inspection.pairing import far_off

    remarks = [_far(pair) for pair in item.groups[-1].pairs if far_off(pair)] if item.reference == "measured" else []
    if len(remarks) > MOST_FAR:
        remarks[MOST_FAR:] = [f"and {len(remarks) - MOST_FAR} more that far from the measured value"]
    if any(group.agreement.lower is None for group in item.groups):
        remarks.append("fewer than 3 readings give no limits")
    again = [group for group in item.groups if None not in (group.gauge, group.operator)]
    if any(group.values < group.agreement.n for group in again):
        remarks.append("some values were read again by the same person: such readings are alike, the ± are too small")
    for group in item.groups:
        slope = group.agreement.slope
        if slope is not None and slope.p < SIGNIFICANT:
            who = ", ".join(name for name in (group.gauge, group.operator) if name is not None) or "all"
            remarks.append(
                f"{who}: the difference changes with the size (slope {slope.value:+.2f}): bias is no constant"
            )
    owns = [group.agreement.own for group in item.groups]
    if item.groups and item.reference == "measured" and owns[-1] is None:
        remarks.append("the uncertainty of a measured value was not evaluated, so nothing is said about it")
    return list(dict.fromkeys(remarks))[:MOST_LINES]
