"""What a scanned seam came to, on the screen: values along it, lengths over thresholds, gaps, the worst."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cli.table import PROPOSAL
from core.units import MM_PER_INCH
from desk.report_seam import unlike_places
from desk.value_text import value_cells, worded

_SYMBOLS = {"mm": "mm", "deg": "°", "mm2": "mm²", "percent": "%"}
MOST_GAPS = 12
KINDS = ("meets", "does_not_meet", "undecided", "not_assessed")


def print_seam(content: dict[str, Any], units: str, output: Path | None) -> None:
    """Print the summary of a seam document."""
    from rich.console import Console

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 120)
    with console.capture() as captured:
        _head(console, content, units)
        _quantities(console, content, units)
        _thresholds(console, content, units)
        _outcomes(console, content, units)
        _places(console, content, units)
        console.print(PROPOSAL)
        if output is not None:
            worst = ", worst.png" if content["worst"] is not None else ""
            console.print(f"Written to {output}: sections.jsonl, sections.csv, seam.json, seam.png{worst}")
    print(captured.get(), end="", flush=True)


def _head(console: Any, content: dict[str, Any], units: str) -> None:
    source = content["source"]
    console.print(source["path"], style="bold")
    length, pitch = (length_text(content[name], units) for name in ("length_mm", "pitch_mm"))
    console.print(f"{source['kind']}: {source['sections']} sections, one every {pitch}, {length} of seam; "
                  f"{source['measured']} measured")  # fmt: skip
    for note in source["notes"]:
        console.print(f"  {worded(note, units)}")
    if not content["complete"]:
        console.print("  Not complete: the scan was stopped; the same command goes on.", style="bold red")
    joints = ", ".join(f"{joint} {count}" for joint, count in content["joints"].items())
    if len(content["joints"]) > 1:
        console.print(f"  ! the joint was not recognised alike everywhere ({joints}): give --joint")
    elif joints and content["settings"]["joint"] == "auto":
        console.print(f"Joint: {next(iter(content['joints']))}, recognised")


def _quantities(console: Any, content: dict[str, Any], units: str) -> None:
    from rich import box
    from rich.table import Table

    from measurement import LABELS

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("along the seam", no_wrap=True)
    for heading in ("unit", "median", "least", "at", "greatest", "at", "measured", "not measurable"):
        table.add_column(heading, no_wrap=True, justify="left" if heading == "unit" else "right")
    absent = []
    for name, item in content["summary"].items():
        label = LABELS[name].label if name in LABELS else name
        if item["median"] is None:
            absent.append(label)
            continue
        numbers = [_number(item[key], item["unit"], units) for key in ("median", "minimum", "maximum")]
        places = [_place(item[key], units) for key in ("at_minimum_mm", "at_maximum_mm")]
        table.add_row(label, _symbol(item["unit"], units), numbers[0], numbers[1], places[0], numbers[2], places[1],
                      str(item["measured"]), str(item["not_measurable"] or ""))  # fmt: skip
    if table.row_count:
        console.print(table)
    if absent:
        console.print(f"  Nowhere measurable: {'; '.join(absent)}")
    unlike = unlike_places(content)
    for place, names in list(unlike.items())[:MOST_GAPS]:
        console.print(
            f"  ! at {_place(place, units)} unlike the sections on both sides, look at it: {', '.join(names)}"
        )
    if len(unlike) > MOST_GAPS:
        console.print(f"  ! and at {len(unlike) - MOST_GAPS} more places: see the seam file")


def _thresholds(console: Any, content: dict[str, Any], units: str) -> None:
    for item in content["over"]:
        limit = f"{_number(item['limit'], item['unit'], units)} {_symbol(item['unit'], units)}"
        share = "" if item["share"] is None else f", {100 * item['share']:.1f} % of what was measured"
        text = f"  {item['quantity']} over {limit}: {length_text(item['length_mm'], units)}{share}"
        if item["longest_run_from_mm"] is not None:
            first, last = (_place(item[f"longest_run_{end}_mm"], units) for end in ("from", "to"))
            text += f"; longest run {length_text(item['longest_run_mm'], units)}, from {first} to {last}"
        if item["not_measurable"]:
            text += f"; not known in {item['not_measurable']} sections"
        console.print(text, style="bold red" if item["sections"] else "")
    for item in content["undercut"]:
        limit = "clear of its uncertainty" if item["over_mm"] is None else f"over {length_text(item['over_mm'], units)}"
        window = length_text(item["window_mm"], units)
        text = f"  {item['quantity']} {limit}, in any {window}: {length_text(item['length_mm'], units)} in all"
        if item["not_measurable"]:
            most = length_text(item["at_most_mm"], units)
            text += f"; at most {most}, not known in {item['not_measurable']} sections"
        console.print(text)


def _outcomes(console: Any, content: dict[str, Any], units: str) -> None:
    rows = content.get("outcomes")
    if rows is None:
        return
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("limit", "value", "meet", "do not meet", "undecided", "not assessed", "length that does not meet"):
        table.add_column(
            heading, no_wrap=heading != "limit", justify="left" if heading in ("limit", "value") else "right"
        )
    for row in rows:
        if row["not_assessed"] and not (row["meets"] or row["does_not_meet"] or row["undecided"]):
            continue
        length = length_text(row["does_not_meet_length"]["length_mm"], units) if row["does_not_meet"] else ""
        memory = " *" if row["verified"] == "from memory" else ""
        counts = [str(row[name] or "") for name in KINDS]
        table.add_row(row["criterion"] + memory, row["quantity"], *counts, length,
                      style="bold red" if row["does_not_meet"] else "")  # fmt: skip
    if table.row_count:
        console.print(table)
    silent: dict[str, list[str]] = {}
    for row in rows:
        if row["not_assessed"] and not (row["meets"] or row["does_not_meet"] or row["undecided"]):
            silent.setdefault(row["not_assessed_because"], []).append(f"{row['criterion']} ({row['quantity']})")
    for reason, names in silent.items():
        console.print(f"  - not assessed: {', '.join(names)}: {reason}", style="dim")
    partly: dict[tuple[str, int, str], list[str]] = {}
    for row in rows:
        for kind in ("undecided", "not_assessed"):
            reason = row.get(f"{kind}_because")
            if row[kind] and reason and reason not in silent:
                partly.setdefault((kind, row[kind], reason), []).append(f"{row['criterion']} ({row['quantity']})")
    for (kind, count, reason), names in partly.items():
        sections = "1 section" if count == 1 else f"{count} sections, the first one"
        console.print(f"  - {kind.replace('_', ' ')} in {sections}: {', '.join(names)}: {reason}", style="dim")
    judged = [row for row in rows if row["not_assessed"] < sum(row[name] for name in KINDS)]
    for text in dict.fromkeys(f"{row['criterion']}: {row['condition']}" for row in judged if row.get("condition")):
        console.print(f"  {text}")
    if any(row["verified"] == "from memory" for row in rows):
        console.print("  * from memory, no source was at hand: check this limit in the standard.")
    console.print(f"  Rule: {content['assessment']['rule']}. {content['assessment']['note']}")


def _places(console: Any, content: dict[str, Any], units: str) -> None:
    for gap in content["gaps"][:MOST_GAPS]:
        where = _place(gap["from_mm"], units)
        if gap["sections"] > 1:
            where = f"from {where} to {_place(gap['to_mm'], units)}"
        console.print(f"  gap {where}, {length_text(gap['length_mm'], units)}: {worded(gap['reason'], units)}")
    more = len(content["gaps"]) - MOST_GAPS
    if more > 0:
        console.print(f"  and {more} more gaps: see the seam file")
    worst = content["worst"]
    if worst is not None:
        number, doubt, symbol, _ = value_cells(worst, units)
        value = f"{number}{'' if doubt == '-' else f' ± {doubt}'} {symbol}"
        unlike = "; unlike the sections on both sides of it" if worst.get("unlike_neighbours") else ""
        place = _place(worst["position_mm"], units)
        console.print(f"Worst at {place}: {worst['quantity']} {value}, {worst['why']}{unlike}")


def length_text(value_mm: float, units: str) -> str:
    """Return a length along the seam with its unit."""
    return f"{value_mm / MM_PER_INCH:.4g} in" if units == "inch" else f"{value_mm:.5g} mm"


def _place(value_mm: float, units: str) -> str:
    return f"{value_mm / MM_PER_INCH:.2f} in" if units == "inch" else f"{value_mm:.1f} mm"


def _number(value: float, unit: str, units: str) -> str:
    if units == "inch" and unit in ("mm", "mm2"):
        return f"{value / MM_PER_INCH:.3f}" if unit == "mm" else f"{value / MM_PER_INCH**2:.4f}"
    return f"{value:.1f}" if unit in ("deg", "percent") else f"{value:.2f}"


def _symbol(unit: str, units: str) -> str:
    symbol = _SYMBOLS[unit]
    return {"mm": "in", "mm²": "in²"}.get(symbol, symbol) if units == "inch" else symbol
