"""The table on the screen: label, value, uncertainty and unit, aligned on the decimal point."""

from __future__ import annotations

from typing import Any

from core.quantity import COVERAGE_FACTOR
from desk.value_text import align, scale_kind, value_cells, worded

PROPOSAL = "A proposal: a qualified person confirms it; the governing code prevails."


def print_inspection(entry: dict[str, Any], units: str) -> None:
    """Print what one file gave; a file that gave nothing has had its line on stderr."""
    if entry["error"] is not None:
        return
    from rich.console import Console

    from cli.outcome_table import print_outcomes

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 140 if "assessment" in entry else 110)
    with console.capture() as captured:
        print_source(console, entry)
        for weld in entry["welds"]:
            print_weld(console, weld, entry, units)
            if "assessment" in entry:
                print_outcomes(console, weld, entry["assessment"])
        if "assessment" in entry:
            console.print(entry["assessment"]["note"])
        console.print(PROPOSAL)
    print(captured.get(), flush=True)


def print_source(console: Any, entry: dict[str, Any]) -> None:
    """Print file, scale and operator."""
    console.print(entry["source"]["path"], style="bold")
    scale = entry["calibration"]
    if scale is None:
        console.print("Scale: the profile is in mm already")
    else:
        share = 100 * COVERAGE_FACTOR * scale["relative_standard_uncertainty"]
        known = f"± {share:.2g} % (k = {COVERAGE_FACTOR:g})" if share > 0 else "its uncertainty unknown"
        console.print(f"Scale: {scale_kind(scale['kind'])}, {scale['mm_per_px']:.5g} mm per pixel, {known}")
    if entry["settings"]["operator"]:
        console.print(f"Operator: {entry['settings']['operator']}")


def print_weld(console: Any, weld: dict[str, Any], entry: dict[str, Any], units: str) -> None:
    """Print one weld: its joint, its values, its doubts."""
    from rich import box
    from rich.table import Table

    how = "recognised" if entry["settings"]["joint"] == "auto" else "as given"
    console.print(f"\nWeld {weld['id']}: {weld['joint']}, {how}", style="bold")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("quantity", no_wrap=True)
    table.add_column("value", no_wrap=True)
    table.add_column(f"± (k = {COVERAGE_FACTOR:g})", no_wrap=True)
    table.add_column("unit", no_wrap=True)
    if units == "inch":
        table.add_column("1/64 in", no_wrap=True)
    rows = list(weld["measurements"].items())
    cells = [value_cells(item, units) for _, item in rows if item["state"] == "measured"]
    values = iter(zip(align([c[0] for c in cells]), align([c[1] for c in cells]), cells, strict=True))
    absent = []
    for name, item in rows:
        label = item.get("label", name)
        if item["state"] == "not_measurable":
            absent.append((label, item["reason"]))
            continue
        value, uncertainty, (_, _, unit, fraction) = next(values)
        table.add_row(label, value, uncertainty, unit, *([fraction] if units == "inch" else []))
    console.print(table)
    for label, reason in absent:
        console.print(f"  {label}: not measurable: {worded(reason, units)}")
    for flag in weld["flags"]:
        console.print(f"  ! {flag['code']}: {worded(flag['message'], units)}")
