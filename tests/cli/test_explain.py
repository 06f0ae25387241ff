"""The budget of a value, told part by part."""

import json
import re
import shutil
from pathlib import Path

import pytest

from cli.main import run
from measurement.meanings import SOURCES, meaning_of
from measurement.names import LABELS
from measurement.uncertainty import SOURCES as PARTS

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("explain")
    shutil.copy(SAMPLES / "tee.jpg", folder / "tee.jpg")
    path = folder / "result.json"
    assert run(["measure", str(folder / "tee.jpg"), "--scale", "0.028 mm", "--json", str(path)]) == 0
    return path


def test_every_value_and_every_part_has_a_meaning() -> None:
    assert [name for name in LABELS if meaning_of(name) is None] == []
    assert set(PARTS) <= set(SOURCES)


def test_budget_adds_up_and_trials_agree(result: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["explain", str(result), "--quantity", "throat", "--draws", "1000"]) == 0
    shown = capsys.readouterr().out
    value = json.loads(result.read_text())["results"][0]["welds"][0]["measurements"]["throat"]
    assert f"{value['value']:.4f} mm ± {value['expanded_uncertainty']:.4f} mm" in shown
    parts = [float(part) for part in re.findall(r"([0-9.]+)\s+[0-9.]+ %", shown)]
    together = float(re.search(r"together\s+([0-9.]+)", shown).group(1))
    assert sum(part**2 for part in parts) ** 0.5 == pytest.approx(together, abs=2e-4)
    assert together == pytest.approx(value["expanded_uncertainty"] / 2, abs=1e-4)
    shares = [float(share) for share in re.findall(r"([0-9.]+) %", shown)]
    assert sum(shares) == pytest.approx(100, abs=0.5)
    assert "as stated within" in shown
    degrees, factor = re.search(r"degrees of freedom: (?:over )?(\d+) .* would be ([0-9.]+)\.", shown).groups()
    assert int(degrees) >= 5
    assert 1.96 <= float(factor) <= 2.58


def test_all_values_in_brief(result: Path, capsys: pytest.CaptureFixture) -> None:
    values = json.loads(result.read_text())["results"][0]["welds"][0]["measurements"]
    assert run(["explain", str(result)]) == 0
    rows = {line.split()[0]: line for line in capsys.readouterr().out.splitlines() if line.split()}
    for name, item in values.items():
        assert (name in rows) == (item["state"] == "measured"), name
    budget = {part["source"]: part["standard_uncertainty"] ** 2 for part in values["throat"]["budget"]}
    largest = max(budget, key=lambda source: budget[source])
    assert f"{largest} {100 * budget[largest] / sum(budget.values()):.0f} %" in rows["throat"]


def test_a_budget_in_inches(result: Path, capsys: pytest.CaptureFixture) -> None:
    values = json.loads(result.read_text())["results"][0]["welds"][0]["measurements"]
    names = [part for name in ("throat", "weld_area", "joint_angle") for part in ("--quantity", name)]
    assert run(["explain", str(result), *names, "--draws", "200", "--units", "inch"]) == 0
    shown = capsys.readouterr().out
    throat, area, angle = (values[name] for name in ("throat", "weld_area", "joint_angle"))
    assert f"{throat['value'] / 25.4:.5f} in ± {throat['expanded_uncertainty'] / 25.4:.5f} in" in shown
    assert f"{area['value'] / 645.16:.5f} in² ± {area['expanded_uncertainty'] / 645.16:.5f} in²" in shown
    assert f"{angle['value']:.4f}° ± {angle['expanded_uncertainty']:.4f}°" in shown
    assert " mm" not in shown.replace("0.028 mm", "")


def test_a_picture_is_named_by_its_path_where_its_name_is_met_twice(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    document = json.loads(result.read_text())
    for path, value in (("a/tee.jpg", 5.0), ("b/tee.jpg", 7.0)):
        entry = json.loads(result.read_text())["results"][0]
        entry["source"]["path"] = path
        entry["welds"][0]["measurements"]["throat"]["value"] = value
        document["results"].append(entry)
    del document["results"][0]
    both = tmp_path / "both.json"
    both.write_text(json.dumps(document))
    call = ["explain", str(both), "--quantity", "throat", "--draws", "0", "--file"]
    assert run([*call, "tee.jpg"]) == 2
    assert "use a/tee.jpg, b/tee.jpg" in capsys.readouterr().err
    assert run([*call, "b/tee.jpg"]) == 0
    assert "7.0000 mm" in capsys.readouterr().out
    one = [*call[:1], str(result), *call[2:]]
    assert run([*one, str(json.loads(result.read_text())["results"][0]["source"]["path"])]) == 0


def test_what_a_person_marked_is_drawn_again(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """The operator's mark stands in the budget, and the trials are made from the marked picture."""
    document = json.loads(result.read_text())
    x, y = document["results"][0]["welds"][0]["points_px"]["toe_left"]
    marks, marked = tmp_path / "marks.json", tmp_path / "marked.json"
    marks.write_text(json.dumps({"welds": [{"joint": "tee", "toe_left": [x, y - 2]}]}))
    picture = document["results"][0]["source"]["path"]
    assert run(["measure", picture, "--scale", "0.028 mm", "--marks", str(marks), "--json", str(marked)]) == 0
    capsys.readouterr()
    assert run(["explain", str(marked), "--quantity", "leg_left", "--draws", "500"]) == 0
    shown = capsys.readouterr().out
    assert "operator's mark" in shown
    assert "Random trials (500)" in shown


def test_what_is_not_measurable_says_why(result: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["explain", str(result), "--quantity", "toe_radius_left", "--draws", "0"]) == 0
    assert "not measurable: " in capsys.readouterr().out


def test_a_changed_picture_is_not_drawn_from(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    document = json.loads(result.read_text())
    document["results"][0]["source"]["path"] = "tee.jpg"
    moved = tmp_path / "result.json"
    moved.write_text(json.dumps(document))
    (tmp_path / "tee.jpg").write_bytes((SAMPLES / "butt.jpg").read_bytes())
    assert run(["explain", str(moved), "--quantity", "throat"]) == 0
    assert "no longer the file that was measured" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--quantity", "beauty"], "is not a value of this weld"),
        (["--quantity", "thrat"], "did you mean throat"),
        (["--quantity", "throat", "--weld", "9"], "--weld '9' is not in the result"),
        (["--quantity", "throat", "--draws", "7"], "--draws takes 0, or 100"),
    ],
)
def test_wrong_use(result: Path, arguments: list[str], words: str, capsys: pytest.CaptureFixture) -> None:
    assert run(["explain", str(result), *arguments]) == 2
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("written", ["Leg, left", "left leg", "LEG_LEFT"])
def test_a_value_is_found_by_what_tables_call_it(result: Path, written: str, capsys: pytest.CaptureFixture) -> None:
    assert run(["explain", str(result), "--quantity", written, "--draws", "0"]) == 0
    assert ": leg, left" in capsys.readouterr().out


def test_a_name_without_its_side_means_both(result: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["explain", str(result), "--quantity", "leg", "--draws", "0"]) == 0
    shown = capsys.readouterr().out
    assert ": leg, left" in shown
    assert ": leg, right" in shown


def test_a_file_that_is_no_result(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    broken = tmp_path / "result.json"
    broken.write_text('{"schema": "toeline.result/1"')
    assert run(["explain", str(broken), "--quantity", "throat"]) == 3
    assert "this is not a result file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ('{"schema": "toeline.seam/1"}', "it is a seam file, which toeline scan judges"),
        ('{"schema": "toeline.calibration/1", "kind": "ruler"}', "it is a calibration"),
        ('{"schema": "other"}', "its schema is not toeline.result/1"),
        ('{"schema": 7}', "its schema is not toeline.result/1"),
        ("{}", "this is not a result file: "),
        ("[]", "this is not a result file: "),
        ("not json", "it is no JSON"),
    ],
)
def test_another_kind_of_file_is_told_for_what_it_is(
    tmp_path: Path, content: str, words: str, capsys: pytest.CaptureFixture
) -> None:
    file = tmp_path / "other.json"
    file.write_text(content)
    for command in (["explain"], ["assess", "--require", "z6"]):
        assert run([*command[:1], str(file), *command[1:]]) == 3
        error = capsys.readouterr().err
        assert words in error
        assert len(error.splitlines()) == 1
