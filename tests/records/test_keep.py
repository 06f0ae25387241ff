"""Results go into the store with their files, as long as those still are what was measured."""

import hashlib
import json
from pathlib import Path

import pytest

from records import keep
from records.identification import Identification
from records.keep import keep_results
from records.store import open_store

PICTURE, CALIBRATION = b"a picture", b'{"schema": "toeline.calibration/1", "kind": "ruler"}'


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@pytest.fixture
def result(tmp_path: Path) -> dict:
    (tmp_path / "tee.jpg").write_bytes(PICTURE)
    (tmp_path / "cal.json").write_bytes(CALIBRATION)
    weld = {"joint": "tee", "points_px": {"root": [1.5, 2.0]}, "measurements": {}, "flags": [], "outcomes": []}
    return {
        "source": {"path": str(tmp_path / "tee.jpg"), "sha256": sha256(PICTURE), "kind": "macro",
                   "width_px": 10, "height_px": 20},
        "calibration": {"kind": "ruler", "sha256": sha256(CALIBRATION), "mm_per_px": 0.02},
        "settings": {"joint": "auto", "calibration": str(tmp_path / "cal.json")},
        "welds": [{"id": "1", **weld}, {"id": "2", **weld}],
        "error": None,
    }  # fmt: skip


def kept(tmp_path: Path, result: dict, **options) -> tuple[list, list]:
    with open_store(tmp_path / "r.db") as store:
        items = list(keep_results(store, [result], who="A", identification=Identification({"job": "J"}), **options))
        assert store.verify() == []
        return items, [store.record(item.record) for item in items]


def test_each_weld_is_a_record_with_everything(tmp_path: Path, result: dict) -> None:
    items, records = kept(tmp_path, result, tool={"name": "toeline", "version": "9.9"})
    assert [(item.record, item.weld, item.notes) for item in items] == [("W-000001", "1", ()), ("W-000002", "2", ())]
    assert "etchant" in items[0].missing
    body = records[1].current
    assert records[1].state == "waiting"
    assert body["source"] == {**result["source"], "name": "tee.jpg", "size_bytes": len(PICTURE)}
    assert body["calibration"] == result["calibration"]
    assert body["calibration_file"] == json.loads(CALIBRATION)
    assert body["settings"] == result["settings"]
    assert body["weld"] == result["welds"][1]
    assert body["tool"] == {"name": "toeline", "version": "9.9"}
    assert body["identification"] == {"job": "J"}
    assert body["limits"] is None
    assert records[0].last.attachments == {"picture": sha256(PICTURE), "calibration": sha256(CALIBRATION)}


def test_the_version_of_this_program(tmp_path: Path, result: dict) -> None:
    _, records = kept(tmp_path, result)
    assert records[0].current["tool"]["name"] == "toeline"
    assert records[0].current["tool"]["version"]


def test_without_the_picture(tmp_path: Path, result: dict) -> None:
    _, records = kept(tmp_path, result, with_picture=False)
    assert records[0].last.attachments == {"calibration": sha256(CALIBRATION)}
    assert records[0].current["source"]["sha256"] == sha256(PICTURE)


def test_files_that_changed_or_went_are_kept_by_hash_alone(tmp_path: Path, result: dict) -> None:
    (tmp_path / "tee.jpg").write_bytes(b"another picture")
    (tmp_path / "cal.json").unlink()
    items, records = kept(tmp_path, result)
    assert [note.split(": ")[-2] for note in items[0].notes] == [
        f"{tmp_path}/tee.jpg has changed since it was measured", f"{tmp_path}/cal.json was not found"]  # fmt: skip
    assert records[0].last.attachments == {}
    assert records[0].current["source"]["sha256"] == sha256(PICTURE)
    assert records[0].current["source"]["size_bytes"] is None
    assert records[0].current["calibration_file"] is None


def test_files_beside_a_result_that_was_moved(tmp_path: Path, result: dict) -> None:
    moved = tmp_path / "moved"
    moved.mkdir()
    for name in ("tee.jpg", "cal.json"):
        (tmp_path / name).rename(moved / name)
    items, records = kept(tmp_path, result, folder=moved)
    assert items[0].notes == ()
    assert set(records[0].last.attachments) == {"picture", "calibration"}


def test_large_pictures_are_kept_by_hash_alone(tmp_path: Path, result: dict, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keep, "MAX_ATTACHMENT_BYTES", 8)
    items, records = kept(tmp_path, result)
    assert "kept by its hash alone" in items[0].notes[0]
    assert set(records[0].last.attachments) == {"calibration"}


@pytest.mark.parametrize(
    ("kind", "joint", "asked"), [("macro", "tee", True), ("macro", "groove", False), ("profile", "tee", False)]
)
def test_fields_of_a_macro_report_are_asked_for_sections_alone(
    tmp_path: Path, result: dict, kind: str, joint: str, asked: bool
) -> None:
    result["source"]["kind"] = kind
    result["welds"] = [{**result["welds"][0], "joint": joint}]
    items, records = kept(tmp_path, result)
    assert bool(items[0].missing) == asked
    assert ("profile" in records[0].last.attachments) == (kind == "profile")


def test_results_without_a_weld_give_no_record(tmp_path: Path, result: dict) -> None:
    items, _ = kept(tmp_path, {**result, "welds": []})
    assert items == []


def test_a_call_made_again_keeps_nothing_twice(tmp_path: Path, result: dict) -> None:
    first, _ = kept(tmp_path, result)
    again, records = kept(tmp_path, result)
    assert [(item.record, item.again) for item in again] == [("W-000001", True), ("W-000002", True)]
    assert [item.again for item in first] == [False, False]
    assert [len(record.entries) for record in records] == [1, 1]


def test_what_was_rejected_or_differs_is_kept_anew(tmp_path: Path, result: dict) -> None:
    kept(tmp_path, result)
    with open_store(tmp_path / "r.db") as store:
        store.add("W-000001", "rejected", {}, who="B", why="blurred")
        store.add("W-000002", "confirmed", {}, who="B")
    again, _ = kept(tmp_path, result)
    assert [(item.record, item.again) for item in again] == [("W-000003", False), ("W-000002", True)]
    result["settings"]["joint"] = "tee"
    changed, _ = kept(tmp_path, result)
    assert [(item.record, item.again) for item in changed] == [("W-000004", False), ("W-000005", False)]
