"""The cells and headings of a report of the benchmarks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

Run = Mapping[str, Any]
"""A run of the benchmarks, or a part of one, as it is written as JSON."""


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a Markdown table; the first column is text, the others are numbers."""
    lines = ["| " + " | ".join(head) + " |", "| --- |" + " ---: |" * (len(head) - 1)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def number(value: float | None, digits: int = 3) -> str:
    """Return a number for a table, a dash where there is none."""
    return "–" if value is None else f"{value:.{digits}f}"


def percent(value: float | None) -> str:
    """Return a share in percent."""
    return "–" if value is None else f"{100 * value:.1f}"


def pixels(group: Run) -> str:
    """Return the range of pixel sizes of a group."""
    low, high = group["pixel_mm"]
    return f"{low:g}" if low == high else f"{low:g}–{high:g}"


def title(group: Run) -> str:
    """Return what a group is of."""
    joint = "" if group["joint"] == "all" else f", {group['joint']}"
    return f"{group['source']}, {group['kind']}{joint}, {pixels(group)} mm/px"
