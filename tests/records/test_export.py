"""Tables for other programs: right numbers, and no text that a spreadsheet runs."""

import csv
import io
import json
from pathlib import Path

import openpyxl
import pytest

from records.entry import Record
from records.export import RECORD_COLUMNS, VALUE_COLUMNS, as_csv, as_json, as_xlsx
from records.store import open_store

EVIL = '=HYPERLINK("http://example.invalid";"x")'


@pytest.fixture
def records(tmp_path: Path, body: dict) -> list[Record]:
    body["identification"] = {"job": EVIL, "welder": "Ö. Smith"}
    body["source"] = {"name": "+tee.jpg", "sha256": "a" * 64}
    body["weld"] = {**body["weld"], "outcomes": [
        {"criterion": "ISO 5817 B", "source": "s", "quantity": "leg_left", "limit": 1, "unit": "mm",
         "outcome": "meets", "verified": "secondary"},
        {"criterion": "API 1", "source": "s", "quantity": "leg_left", "limit": 1, "unit": "mm", "outcome": "meets",
         "verified": "from memory"},
    ]}  # fmt: skip
    with open_store(tmp_path / "r.db") as store:
        store.add(None, "measured", body, who="A")
        store.add(None, "measured", body, who="@B")
        store.add("W-000002", "corrected", body, who="C", why="moved")
        store.add("W-000002", "rejected", {}, who="C", why="-blurred\x07")
        return [store.record(line.id) for line in store.records()]


def test_csv(records: list[Record]) -> None:
    data = as_csv(records)
    assert data.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    assert tuple(rows[0]) == VALUE_COLUMNS
    assert [(row["record"], row["quantity"]) for row in rows] == [
        ("W-000001", "leg_left"), ("W-000001", "toe_radius_left"),
        ("W-000002", "leg_left"), ("W-000002", "toe_radius_left"),
    ]  # fmt: skip
    leg, radius = rows[2], rows[3]
    assert (leg["value"], leg["expanded_uncertainty"], leg["unit"]) == ("6.39", "0.06", "mm")
    assert leg["outcomes"] == "ISO 5817 B: meets; API 1: meets (from memory)"
    assert (leg["state"], leg["decided_by"]) == ("rejected", "C")
    assert leg["hash"] == records[1].last.hash
    assert (radius["value"], radius["not_measurable_because"]) == ("", "an undercut")
    assert leg["job"] == f"'{EVIL}"
    assert leg["source"] == "'+tee.jpg"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "  =", "＝"])
def test_no_cell_of_text_begins_like_a_formula(tmp_path: Path, body: dict, start: str) -> None:
    body["identification"] = {"job": f"{start}1+1"}
    with open_store(tmp_path / "r.db") as store:
        store.add(None, "measured", body, who="A")
        text = as_csv([store.record("W-000001")]).decode("utf-8-sig")
    (first, _) = csv.DictReader(io.StringIO(text, newline=""))
    assert first["job"] == f"'{start}1+1"


def test_numbers_below_zero_stay_numbers(tmp_path: Path, body: dict) -> None:
    body["weld"]["measurements"]["leg_left"] = {"value": -0.25, "unit": "mm", "state": "measured"}
    with open_store(tmp_path / "r.db") as store:
        store.add(None, "measured", body, who="A")
        assert b",-0.25," in as_csv([store.record("W-000001")])


def test_xlsx(records: list[Record]) -> None:
    book = openpyxl.load_workbook(io.BytesIO(as_xlsx(records)))
    sheet, values = book["records"], book["values"]
    assert tuple(cell.value for cell in sheet[1]) == RECORD_COLUMNS
    assert (sheet.max_row, values.max_row) == (3, 5)
    second = dict(zip(RECORD_COLUMNS, sheet[3], strict=True))
    assert second["job"].value == EVIL
    assert second["job"].data_type == "s"
    assert second["job"].quotePrefix
    assert second["measured_by"].value == "@B"
    assert second["corrections"].value == 1
    assert second["reason"].value == "-blurred\N{REPLACEMENT CHARACTER}"  # a sign that XML has no word for
    assert second["welder"].value == "Ö. Smith"
    assert second["hash"].value == records[1].last.hash
    leg = dict(zip(VALUE_COLUMNS, values[2], strict=True))
    assert (leg["value"].value, leg["value"].data_type) == (6.39, "n")
    assert all(cell.data_type != "f" for sheet in book for row in sheet for cell in row)


def test_json_holds_what_was_hashed(records: list[Record]) -> None:
    from records.entry import Entry, entry_hash

    content = json.loads(as_json(records))
    assert content["schema"] == "toeline.records/1"
    assert [record["state"] for record in content["records"]] == ["waiting", "rejected"]
    entries = [Entry(**entry) for record in content["records"] for entry in record["entries"]]
    assert [entry_hash(entry) for entry in entries] == [entry.hash for entry in entries]
    assert len(entries) == 4


def test_no_records_give_headings_alone() -> None:
    assert as_csv([]).decode("utf-8-sig").splitlines() == [",".join(VALUE_COLUMNS)]
    assert openpyxl.load_workbook(io.BytesIO(as_xlsx([])))["records"].max_row == 1
    assert json.loads(as_json([]))["records"] == []
