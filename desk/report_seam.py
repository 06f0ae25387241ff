"""The page of a scanned seam: its summary as a sheet, and the plan view that lies beside the seam file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from core.errors import UnreadableFile
from core.units import MM_PER_INCH, UnitSystem
from desk.report_outcomes import WORDS, Row, evidence_notes, limit_name
from desk.report_sheet import WAITS, Sheet
from desk.value_text import value_cells, worded
from vision.picture import read_bytes

SCHEMA = "toeline.seam/1"
PLANS = ("seam.png", "worst.png")


def is_seam(path: Path) -> bool:
    """Tell whether a file is a seam file, by its schema; other files are for another reader."""
    return f'"{SCHEMA}"'.encode() in read_bytes(path)[:400]


def seam_sheet(path: Path, units: UnitSystem) -> tuple[Sheet, list[bytes]]:
    """Return the page of a seam file and the pictures beside it.

    Raises
    ------
    UnreadableFile
        When the file is not what it says.
    """
    content = _read(path)
    try:
        rows, absent = _values(content["summary"], units)
        source = content["source"]
        outcomes, notes = _outcomes(content, units)
        told = tuple(worded(line, units) for line in _told(content))
        identification: tuple[Row, ...] = (
            ("seam", Path(str(source["path"])).name),
            ("source", f"{source['kind']}, {source['sections']} sections"),
            ("software", f"{content['tool']['name']} {content['tool']['version']}"),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UnreadableFile(f"{path}: this is not a seam file: {error} is missing or wrong.") from None
    pictures = [read_bytes(path.with_name(name)) for name in PLANS if path.with_name(name).is_file()]
    why = "The plan view and the worst section follow on pages of their own."
    missing = "The plan view is written by toeline scan with --output; it does not lie beside this file."
    sheet = Sheet(
        name=path.name,
        heading="seam",
        state=WAITS,
        confirmed=False,
        identification=identification,
        missing=(),
        values_title="Along the seam: median, least to greatest",
        values=rows,
        absent=absent,
        outcomes=outcomes,
        outcome_notes=notes,
        gauges=(),
        indications=(),
        flags_title="Lengths and gaps",
        flags=told,
        history=(),
        hash_text="Not kept in records",
        drawing=None,
        no_drawing=why if pictures else missing,
        outcome_value="sections",
    )
    return sheet, pictures


def _read(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(read_bytes(path).decode("utf-8-sig"))
    except (ValueError, RecursionError):
        raise UnreadableFile(f"{path}: the seam file is not JSON, or it is cut off: scan again.") from None
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise UnreadableFile(f"{path}: this is not a seam file of this program.")
    return content


def _values(summary: Mapping[str, Any], units: UnitSystem) -> tuple[tuple[Row, ...], tuple[Row, ...]]:
    from measurement.names import LABELS

    rows, absent = [], []
    for name, item in summary.items():
        label = LABELS[name].label if name in LABELS else name.replace("_", " ")
        if not item["measured"]:
            absent.append((label, "in no section"))
            continue
        cells = [
            value_cells({"value": item[key], "expanded_uncertainty": None, "unit": item["unit"]}, units)
            for key in ("median", "minimum", "maximum")
        ]
        rows.append((label, cells[0][0], f"{cells[1][0]} to {cells[2][0]}", cells[0][2], ""))
    return tuple(rows), tuple(absent)


def _outcomes(content: Mapping[str, Any], units: UnitSystem) -> tuple[tuple[Row, ...], tuple[str, ...]]:
    """Return a row for each limit: the worst that any section gave, in how many of them, and what must be said."""
    outcomes = content.get("outcomes") or ()
    rows, notes = [], []
    for item in outcomes:
        name, total = limit_name(item), sum(item[kind] for kind in WORDS)
        worst = next(
            kind for kind in ("does_not_meet", "undecided", "not_assessed", "meets") if item[kind] or not total
        )
        memory = " (from memory)" if item["verified"] == "from memory" else ""
        row = (WORDS[worst], name, f"{item[worst]} of {total}", _allowed(item, units), "", f"{item['source']}{memory}")
        rows.append(row)
        if item["does_not_meet"]:
            length = item["does_not_meet_length"]
            notes.append(f"{WORDS['does_not_meet']}: {name}: {length['length_mm']:g} mm of the seam in all, "
                         f"longest run {length['longest_run_mm']:g} mm")  # fmt: skip
        if item.get("condition") and item["not_assessed"] < total:
            notes.append(f"{name}: {item['condition']}")
        if item["undecided"] and item.get("undecided_because"):
            notes.append(f"{WORDS['undecided']}: {name}, {item['undecided']} of {total}: {item['undecided_because']}")
        if item["not_assessed"]:
            notes.append(f"{WORDS['not_assessed']}: {name}, {item['not_assessed']} of {total}: "
                         f"{item['not_assessed_because']}")  # fmt: skip
    if rows:
        notes.append("Counted are sections; where a limit moves with a width, the strictest one is shown.")
    return tuple(rows), (*notes, *evidence_notes(outcomes, content.get("assessment")))


def _allowed(item: Mapping[str, Any], units: UnitSystem) -> str:
    """Return the limits of a row, in the units of the screen."""
    factor, unit = (1.0, {"deg": "°"}.get(item["unit"], item["unit"]))
    if units == "inch" and item["unit"] == "mm":
        factor, unit = 1 / MM_PER_INCH, "in"
    lower, upper = (None if item[end] is None else f"{item[end] * factor:.4g}" for end in ("lower", "upper"))
    if lower is not None and upper is not None:
        return f"{lower} to {upper} {unit}"
    return f"≥ {lower} {unit}" if lower is not None else ("" if upper is None else f"≤ {upper} {unit}")


def _told(content: Mapping[str, Any]) -> list[str]:
    """Return lengths over thresholds, the worst place and the gaps as sentences; lengths are in mm."""
    lines = []
    for item in content.get("over") or ():
        text = f"{_plain(item['quantity'])} over {item['limit']:g} {item['unit']}: {item['length_mm']:g} mm"
        if item["length_mm"]:
            text += f" of the seam, longest run {item['longest_run_mm']:g} mm from {item['longest_run_from_mm']:g} mm"
        lines.append(text)
    for item in content.get("undercut") or ():
        over = "clear of its uncertainty" if item["over_mm"] is None else f"over {item['over_mm']:g} mm"
        text = f"{_plain(item['quantity'])} {over}, in any {item['window_mm']:g} mm: {item['length_mm']:g} mm"
        if item.get("not_measurable"):
            text += f", at most {item['at_most_mm']:g} mm: not known in {item['not_measurable']} sections"
        lines.append(text)
    worst = content.get("worst")
    if worst:
        lines.append(
            f"worst at {worst['position_mm']:g} mm: {_plain(worst['quantity'])} {worst['value']:.2f} {worst['unit']}"
        )
    lines += [
        f"at {place:g} mm unlike the sections on both sides: {', '.join(names)}"
        for place, names in unlike_places(content).items()
    ]
    for gap in content.get("gaps") or ():
        lines.append(f"nothing measured from {gap['from_mm']:g} to {gap['to_mm']:g} mm: {gap['reason']}")
    return lines


def unlike_places(content: Mapping[str, Any]) -> dict[float, list[str]]:
    """Return the places, mm, at which a section is unlike those on both sides of it, with the values in which it is."""
    found: dict[float, list[str]] = {}
    for name, item in content["summary"].items():
        for place in item.get("unlike_neighbours_at_mm", ()):
            found.setdefault(place, []).append(_plain(name))
    return dict(sorted(found.items()))


def _plain(name: str) -> str:
    return name.replace("_", " ")
