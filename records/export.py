"""Records as tables and files for other programs: CSV, XLSX, JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from inspection.document import document
from records.entry import Entry, Record, compact
from records.identification import FIELDS

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

SCHEMA = "toeline.records/1"
Cell = str | float | int | None

RECORD_COLUMNS = (
    "record", "state", "source", "source_sha256", "weld", "joint", *FIELDS, "measured_by", "measured_at",
    "corrections", "decided_by", "decided_at", "reason", "software", "calibration", "last_entry", "hash",
)  # fmt: skip
VALUE_COLUMNS = (
    "record", "state", "job", "weld_number", "source", "weld", "joint", "quantity", "label", "value",
    "expanded_uncertainty", "coverage_factor", "unit", "value_state", "not_measurable_because", "outcomes",
    "decided_by", "decided_at", "hash",
)  # fmt: skip

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_LONGEST_CELL = 32_767
_ENTRY_FIELDS = tuple(field.name for field in fields(Entry))


def record_rows(records: Sequence[Record]) -> list[tuple[Cell, ...]]:
    """Return one row of `RECORD_COLUMNS` a record."""
    return [tuple(_about(record).get(column) for column in RECORD_COLUMNS) for record in records]


def value_rows(records: Sequence[Record]) -> list[tuple[Cell, ...]]:
    """Return one row of `VALUE_COLUMNS` a value of the latest body of each record, in mm and degrees."""
    rows = []
    for record in records:
        weld = record.current.get("weld", {})
        for name, item in weld.get("measurements", {}).items():
            of_value = {
                "quantity": name,
                "label": item.get("label", name),
                "value": item.get("value"),
                "expanded_uncertainty": item.get("expanded_uncertainty"),
                "coverage_factor": item.get("coverage_factor"),
                "unit": item.get("unit"),
                "value_state": item.get("state"),
                "not_measurable_because": item.get("reason"),
                "outcomes": _outcomes(weld, name),
            }
            cells = _about(record) | of_value
            rows.append(tuple(cells.get(column) for column in VALUE_COLUMNS))
    return rows


def as_csv(records: Sequence[Record]) -> bytes:
    """Return the values as CSV (UTF-8 with a mark at the start, as spreadsheets need it)."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(VALUE_COLUMNS)
    writer.writerows([_guarded(cell) for cell in row] for row in value_rows(records))
    return text.getvalue().encode("utf-8-sig")


def as_xlsx(records: Sequence[Record]) -> bytes:
    """Return a workbook of two sheets: the records, and their values."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.title = "records"
    _fill(sheet, RECORD_COLUMNS, record_rows(records))
    _fill(book.create_sheet("values"), VALUE_COLUMNS, value_rows(records))
    data = io.BytesIO()
    book.save(data)
    return data.getvalue()


def as_json(records: Sequence[Record]) -> bytes:
    """Return everything but the kept files, each entry as it was hashed, one record a line."""
    lines = [
        compact(
            {
                "id": record.id,
                "state": record.state,
                "identification": record.identification,
                "entries": [{name: getattr(entry, name) for name in _ENTRY_FIELDS} for entry in record.entries],
            }
        )
        for record in records
    ]
    head = f'{{"schema":{compact(SCHEMA)},"tool":{compact(document([])["tool"])},"records":[\n'
    return (head + ",\n".join(lines) + "\n]}\n").encode("utf-8")


WRITERS: Mapping[str, Callable[[Sequence[Record]], bytes]] = {".csv": as_csv, ".xlsx": as_xlsx, ".json": as_json}
"""What writes a file, by its suffix."""


def _about(record: Record) -> dict[str, Cell]:
    body = record.current
    source, weld, first = body.get("source", {}), body.get("weld", {}), record.entries[0]
    decision, tool = record.decision, body.get("tool", {})
    return {
        **record.identification,
        "record": record.id,
        "state": record.state,
        "source": source.get("name"),
        "source_sha256": source.get("sha256"),
        "weld": weld.get("id"),
        "joint": weld.get("joint"),
        "measured_by": first.who,
        "measured_at": first.at,
        "corrections": sum(entry.kind == "corrected" for entry in record.entries),
        "decided_by": None if decision is None else decision.who,
        "decided_at": None if decision is None else decision.at,
        "reason": None if decision is None else decision.why,
        "software": f"{tool.get('name', '')} {tool.get('version', '')}".strip(),
        "calibration": (body.get("calibration") or {}).get("sha256"),
        "last_entry": record.last.number,
        "hash": record.last.hash,
    }


def _outcomes(weld: Mapping[str, Any], name: str) -> str | None:
    told = [
        f"{item['criterion']}: {item['outcome']}{' (from memory)' if item.get('verified') == 'from memory' else ''}"
        for item in weld.get("outcomes", ())
        if item["quantity"] == name
    ]
    return "; ".join(told) or None


def _guarded(cell: Cell) -> Cell:
    """Keep a spreadsheet from running text as a formula: such text gets an apostrophe in front."""
    if isinstance(cell, str) and cell.lstrip(" ").startswith(_FORMULA_STARTS):
        return f"'{cell}"
    return cell


def _fill(sheet: Worksheet, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> None:
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for row, cells in enumerate([columns, *rows], start=1):
        for column, value in enumerate(cells, start=1):
            cell = sheet.cell(row, column)
            if isinstance(value, str):
                cell.value = ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", value)[:_LONGEST_CELL]
                cell.data_type = "s"  # text, whatever it begins with
                cell.quotePrefix = value.lstrip(" ").startswith(_FORMULA_STARTS)
            else:
                cell.value = value
            if row == 1:
                cell.font = Font(bold=True)
    for column, name in enumerate(columns, start=1):
        longest = max([len(name), *(len(str(cells[column - 1] or "")) for cells in rows)])
        sheet.column_dimensions[get_column_letter(column)].width = min(longest + 2, 40)
    sheet.freeze_panes = "B2"
    sheet.auto_filter.ref = sheet.dimensions
