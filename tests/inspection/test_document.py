"""Result documents: numbers that are numbers, files written whole, files refused at the door."""

import json
import os
from pathlib import Path

import pytest

from calibration.model import from_pixel_size
from core.errors import UnreadableFile
from core.quantity import Component, NotMeasurable, Quantity
from inspection import document
from inspection.schema import read_result
from vision.section import Flag


def test_measured_value_carries_its_budget() -> None:
    value = Quantity(6.02, "mm", (Component("scale", 0.03), Component("edge", 0.04)), note="span 0.8 mm")
    entry = document.measurement_entry(value, "leg, left")
    assert entry == {
        "value": 6.02,
        "unit": "mm",
        "expanded_uncertainty": pytest.approx(2 * 0.05),
        "coverage_factor": 2.0,
        "interval": [pytest.approx(5.92), pytest.approx(6.12)],
        "state": "measured",
        "label": "leg, left",
        "budget": [
            {"source": "scale", "standard_uncertainty": 0.03},
            {"source": "edge", "standard_uncertainty": 0.04},
        ],
        "note": "span 0.8 mm",
    }


def test_interval_of_a_height_claims_no_less_than_nothing() -> None:
    value = Quantity(0.02, "mm", (Component("edge", 0.04),))
    assert document.measurement_entry(value, None, signed=False)["interval"] == [0.0, pytest.approx(0.10)]
    assert document.measurement_entry(value, None)["interval"] == [pytest.approx(-0.06), pytest.approx(0.10)]


def test_uncertainty_not_evaluated_is_null_and_not_zero() -> None:
    assert document.measurement_entry(Quantity(1.0, "deg"), None)["expanded_uncertainty"] is None


def test_what_is_not_measurable_keeps_reason_and_unit() -> None:
    entry = document.measurement_entry(NotMeasurable("too few points", "deg"), None)
    assert entry == {"value": None, "unit": "deg", "state": "not_measurable", "reason": "too few points"}


def test_flags_are_told_once() -> None:
    flags = [Flag("blur", "a"), Flag("blur", "a"), Flag("blur", "b")]
    assert [flag["message"] for flag in document.flag_entries(flags)] == ["a", "b"]


def test_calibration_entry_combines_the_parts() -> None:
    import numpy as np

    calibration = from_pixel_size(0.025, relative_std=0.002)
    entry = document.calibration_entry(calibration, np.array([[10.0, 10.0]]))
    assert entry["mm_per_px"] == pytest.approx(0.025)
    assert entry["relative_standard_uncertainty"] == pytest.approx(0.002)


def test_number_that_is_none_is_never_written() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        document.as_text({"value": float("nan")})


def test_file_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_text("old")
    document.write_text(path, "new °")
    assert path.read_text(encoding="utf-8") == "new °"
    assert os.listdir(tmp_path) == ["result.json"]
    assert path.stat().st_mode & 0o077 == 0o666 & ~_umask() & 0o077


def _umask() -> int:
    umask = os.umask(0)
    os.umask(umask)
    return umask


def test_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "result.json"
    path.write_text("old")

    def full_disk(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(UnreadableFile, match="No space left"):
        document.write_text(path, "new")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["result.json"]


def test_place_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="folder"):
        document.write_text(tmp_path, "x")
    with pytest.raises(UnreadableFile, match="cannot be written"):
        document.write_text(tmp_path / "none" / "a.json", "x")


def sound() -> dict:
    weld = {
        "id": "1", "joint": "tee", "points_px": {"root": [1, 2]}, "points_mm": {"root": [0.1, 0.2]},
        "measurements": {
            "leg_left": {
                "value": 6.0, "unit": "mm", "expanded_uncertainty": 0.1, "coverage_factor": 2, "state": "measured",
            },
            "throat": {"value": None, "unit": "mm", "state": "not_measurable", "reason": "hidden"},
        },
        "flags": [], "outcomes": [], "review": {"state": "unconfirmed"}, "added_later": 1,
    }  # fmt: skip
    source = {"path": "a.jpg", "sha256": "0" * 64, "kind": "macro", "width_px": 1, "height_px": 1}
    return document.document([{"source": source, "calibration": None, "welds": [weld], "error": None}])


def test_sound_document_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    document.write_text(path, document.as_text(sound()))
    result = read_result(path)
    assert result.results[0].welds[0].measurements["leg_left"].value == 6.0
    assert result.schema_name == "toeline.result/1"


def spoil(change: str) -> str:
    content = sound()
    weld = content["results"][0]["welds"][0]
    if change == "schema":
        content["schema"] = "other/1"
    elif change == "joint":
        weld["joint"] = "corner"
    elif change == "value missing":
        del weld["measurements"]["leg_left"]["value"]
    elif change == "no reason":
        del weld["measurements"]["throat"]["reason"]
    elif change == "value in what is not measurable":
        weld["measurements"]["throat"]["value"] = 3.0
    elif change == "hash":
        content["results"][0]["source"]["sha256"] = "xyz"
    elif change == "no JSON":
        return "{"
    elif change == "NaN":
        return json.dumps(content).replace("6.0", "NaN")
    return json.dumps(content)


@pytest.mark.parametrize(
    "change",
    ["schema", "joint", "value missing", "no reason", "value in what is not measurable", "hash", "no JSON", "NaN"],
)
def test_other_documents_are_refused_in_one_line(tmp_path: Path, change: str) -> None:
    path = tmp_path / "a.json"
    path.write_text(spoil(change))
    with pytest.raises(UnreadableFile, match="not a result file") as error:
        read_result(path)
    assert "\n" not in str(error.value)


def test_what_a_killed_process_left_is_cleared_by_the_next_write(tmp_path: Path) -> None:
    import os
    import subprocess
    import sys

    from inspection.document import write_bytes

    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    stale, fresh, living, other = (
        tmp_path / name
        for name in (f".r.json.{gone.pid}.a", f".r.json.{gone.pid}.b", f".r.json.{os.getpid()}.c", ".r.json.old")
    )
    for path in (stale, fresh, living, other):
        path.write_text("half")
    for path in (stale, living, other):
        os.utime(path, (1, 1))
    write_bytes(tmp_path / "r.json", b"whole")
    assert not stale.exists()
    assert fresh.exists()
    assert living.exists()
    assert other.exists()
    assert (tmp_path / "r.json").read_bytes() == b"whole"
