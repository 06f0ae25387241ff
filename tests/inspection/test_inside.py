"""The inside of a section on its way through a file: asked for or not, in the result and on the overlay."""

import json
from pathlib import Path

import pytest

from cli.main import run
from inspection.schema import read_result

SAMPLE = Path(__file__).parents[2] / "sample_images" / "etched-tee.jpg"
TRUTH = json.loads((SAMPLE.parent / "etched-truth.json").read_text(encoding="utf-8"))
SCALE = ("--scale", "0.028 mm")


def measured(tmp_path: Path, *options: str) -> dict:
    result = tmp_path / "r.json"
    assert run(["measure", str(SAMPLE), *SCALE, "--json", str(result), *options]) == 0
    read_result(result)
    return json.loads(result.read_text(encoding="utf-8"))["results"][0]


def test_values_of_the_sample_lie_in_their_intervals(tmp_path: Path) -> None:
    welds = measured(tmp_path)["welds"]
    assert len(welds) == 2
    for weld, truth in zip(welds, TRUTH["welds"], strict=True):
        for name, true in truth.items():
            item = weld["measurements"][name]
            floor = 0.05 if item["unit"] == "mm" else 0.02 * true
            assert abs(item["value"] - true) <= max(item["expanded_uncertainty"], floor), name
        assert {line["side"] for line in weld["fusion_lines"]} == {"whole"}
        assert len(weld["indications"]) == 3
        assert {spot["kind"] for spot in weld["indications"]} == {"pore_or_inclusion"}


def test_nothing_inside_is_told_when_it_is_off(tmp_path: Path) -> None:
    weld = measured(tmp_path, "--inside", "off")["welds"][0]
    assert "penetration_left" not in weld["measurements"]
    assert "fusion_lines" not in weld


def test_larger_pores_only(tmp_path: Path) -> None:
    weld = measured(tmp_path, "--pore-size", "2 mm")["welds"][0]
    assert weld["indications"] == []
    assert weld["smallest_indication_mm"] == 2.0


def test_clicks_of_a_person_are_flagged(tmp_path: Path) -> None:
    weld = measured(tmp_path)["welds"][0]
    points = weld["fusion_lines"][0]["points_px"]
    marks = tmp_path / "marks.json"
    marks.write_text(json.dumps({"welds": [{"fusion": points[20::50]}]}), encoding="utf-8")
    led = measured(tmp_path, "--marks", str(marks))["welds"][0]
    assert "fusion_marked" in {flag["code"] for flag in led["flags"]}
    assert led["fusion_lines"][0]["marked"]


@pytest.mark.parametrize("fusion", ["[]", "[[1]]", '"here"', "[[1, 2], null]", "[[1e9, 2]]"])
def test_marks_of_a_line_are_checked(tmp_path: Path, capsys: pytest.CaptureFixture, fusion: str) -> None:
    marks = tmp_path / "marks.json"
    marks.write_text(f'{{"welds": [{{"fusion": {fusion}}}]}}', encoding="utf-8")
    assert run(["measure", str(SAMPLE), *SCALE, "--marks", str(marks)]) == 3
    assert "fusion" in capsys.readouterr().err


def test_the_overlay_states_depths_and_zones(tmp_path: Path) -> None:
    target = tmp_path / "o.svg"
    assert run(["measure", str(SAMPLE), *SCALE, "--overlay", str(target)]) == 0
    drawn = target.read_text(encoding="utf-8")
    for words in ("pen. ", "root 1.5", "dilution", "Fusion line: solid clear"):
        assert words in drawn


@pytest.mark.parametrize(("option", "value"), [("--inside", "maybe"), ("--pore-size", "0.2"), ("--pore-size", "0 mm")])
def test_wrong_use_is_told(capsys: pytest.CaptureFixture, option: str, value: str) -> None:
    assert run(["measure", str(SAMPLE), *SCALE, option, value]) == 2
    assert option in capsys.readouterr().err
