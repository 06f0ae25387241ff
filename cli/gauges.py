"""The table of modelled gauge readings below the table of values (``toeline measure --gauges``)."""

from __future__ import annotations

from typing import Any

from core.units import MM_PER_INCH, nearest_fraction
from desk.value_text import worded_steps

CAUTION = (
    "A modelled reading is not a reading: the gauge is taken for perfect and set with a steady hand; "
    "its own tolerance and the person's are not in it."
)


def print_gauges(entry: dict[str, Any], units: str) -> None:
    """Print what hand gauges would read on the welds of one file."""
    if entry["error"] is not None or not entry["welds"]:
        return
    from rich.console import Console

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 110)
    with console.capture() as captured:
        for number, weld in enumerate(entry["welds"]):
            if number > 0:
                console.print()
            _print_weld(console, weld, units)
        console.print(CAUTION)
    print(captured.get(), flush=True)


def _print_weld(console: Any, weld: dict[str, Any], units: str) -> None:
    from rich import box
    from rich.table import Table

    console.print(f"Weld {weld['id']}: what hand gauges would read", style="bold")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title in ("gauge", "quantity", "reads", "stands at", "true", "difference"):
        table.add_column(title, no_wrap=True, justify="left" if title in ("gauge", "quantity") else "right")
    for item in weld["gauges"]:
        if item["state"] == "modelled":
            stands, true, difference = (
                as_text(item[key], item["unit"], units, signed=key == "difference")
                for key in ("reading", "true", "difference")
            )
            table.add_row(item["gauge"], _label(weld, item["quantity"]), item["step_text"], stands, true, difference)
    if table.row_count:
        console.print(table)
    for item in weld["gauges"]:
        words = item["why"] if item["state"] == "modelled" else f"no reading: {item['reason']}"
        words = worded_steps(words, units)
        if words:
            console.print(f"  {item['gauge']}, {_label(weld, item['quantity'])}: {words}")


def _label(weld: dict[str, Any], quantity: str) -> str:
    item = weld["measurements"].get(quantity, {})
    return str(item.get("label", quantity))


def as_text(value: float | None, unit: str, units: str, *, signed: bool = False) -> str:
    """Return a value for the screen, in the unit asked for."""
    if value is None:
        return "-"
    sign = "+" if signed else ""
    if unit == "deg":
        return f"{value:{sign}z.1f}°"
    if units == "inch":
        inches = value / MM_PER_INCH
        return f"{inches:{sign}z.3f} in" + ("" if signed else f" ({nearest_fraction(inches)})")
    return f"{value:{sign}z.2f} mm"
