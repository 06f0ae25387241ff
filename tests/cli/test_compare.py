"""``toeline compare``: the sample readings, bad rows, bad files, and what is written."""

import json
import re
from pathlib import Path

import pytest

from cli.main import run

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_images" / "readings.csv"
JOINTS = {"tee": "tee", "double_tee": "tee", "butt": "butt", "groove": "groove"}
HEAD = "source,quantity,reading,gauge,operator\n"


def measurement(name: str, value: float) -> dict:
    angle = "angle" in name
    return {
        "value": value,
        "unit": "deg" if angle else "mm",
        "expanded_uncertainty": 0.5 if angle else 0.05,
        "coverage_factor": 2.0,
        "state": "measured",
        "label": name.replace("_left", ", left").replace("_right", ", right").replace("_", " "),
    }


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result file that holds what is true of the samples."""
    truth = json.loads((ROOT / "sample_images" / "truth.json").read_text(encoding="utf-8"))
    results = [
        {
            "source": {
                "path": f"sample_images/{name}.jpg",
                "sha256": f"{number:064x}",
                "kind": "macro",
                "width_px": 2000,
                "height_px": 2000,
            },
            "calibration": None,
            "welds": [
                {
                    "id": str(place),
                    "joint": joint,
                    "points_px": {},
                    "points_mm": {},
                    "measurements": {key: measurement(key, value) for key, value in weld.items() if "area" not in key},
                    "flags": [],
                    "outcomes": [],
                    "review": {"state": "unconfirmed"},
                }
                for place, weld in enumerate(truth[name], start=1)
            ],
            "error": None,
        }
        for number, (name, joint) in enumerate(JOINTS.items())
    ]
    path = tmp_path_factory.mktemp("compare") / "result.json"
    document = {"schema": "toeline.result/1", "tool": {"name": "toeline", "version": "0"}, "results": results}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def with_gauges(result: Path, target: Path) -> Path:
    """Give the first fillet a set of blades that reads what operator A calls."""
    content = json.loads(result.read_text(encoding="utf-8"))
    content["results"][0]["welds"][0]["gauges"] = [
        {
            "state": "modelled",
            "gauge": "blades in",
            "quantity": quantity,
            "reading": 6.5,
            "unit": "mm",
            "step_reading": 6.35,
            "step_text": "1/4 in",
            "true": 6.4,
            "difference": 0.1,
            "why": "",
            "contacts_mm": [],
            "contacts_px": [],
        }
        for quantity in ("leg_left", "leg_right")
    ]
    target.write_text(json.dumps(content), encoding="utf-8")
    return target


def test_every_sample_reading_is_compared(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["compare", str(SAMPLE), "--results", str(result), "--output", str(tmp_path / "out")]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    assert "38 of 38 readings compared" in shown.out
    assert "no modelled reading for 24 of the readings: the result holds no modelled gauges" in shown.out
    assert "…" not in shown.out  # nothing is cut at the width of a page
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "agreement-bevel_angle.png",
        "agreement-leg.png",
        "agreement-reinforcement.png",
        "agreement-undercut.png",
        "agreement.json",
    ]
    content = json.loads((tmp_path / "out" / "agreement.json").read_text(encoding="utf-8"))
    groups = content["comparisons"][0]["groups"]
    bias = {(group["gauge"], group["operator"]): group["bias"] for group in groups}
    # 1/4, 1/4, 1/4, 3/16, 3/16 and 1/4 in against the drawn legs.
    legs = (6.4, 7.6, 7.0, 6.2, 6.0, 6.6)
    expected = (4 * 6.35 + 2 * 4.7625 - sum(legs)) / 6
    assert bias["blades in", "operator A"] == pytest.approx(expected, abs=1e-6)
    assert all(group["own_uncertainty"]["exceeded"] for group in groups)


def test_gauge_and_person_are_told_apart(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    modelled = with_gauges(result, tmp_path / "gauges.json")
    assert run(["compare", str(SAMPLE), "--results", str(modelled), "--json", "-"]) == 0
    content = json.loads(capsys.readouterr().out)
    against = content["comparisons"][1]
    assert (against["quantity"], against["reference"]) == ("leg", "modelled")
    bias = {group["operator"]: (group["readings"], group["bias"]) for group in against["groups"] if group["gauge"]}
    assert bias["operator A"] == (2, 0.0)
    assert bias["operator B"] == (2, pytest.approx(25.4 / 32))
    assert sum(item["readings"] for item in against["without_reference"]) == 20


def test_bad_rows_are_named_and_the_rest_is_compared(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    table = tmp_path / "readings.csv"
    table.write_text(HEAD + "tee.jpg,leg_left,6 mm,g,A\ntee.jpg,leg_left,six,g,A\ntee.jpg,leg_left,7,g,A\n")
    assert run(["compare", str(table), "--results", str(result)]) == 3
    shown = capsys.readouterr()
    lines = shown.err.splitlines()
    assert "line 3: the reading is not understood" in lines[0]
    assert "line 4: the reading '7' names no unit" in lines[1]
    assert "2 rows were left out" in lines[2]
    assert "1 of 1 readings compared" in shown.out
    assert "fewer than 3 readings give no limits" in shown.out


def test_fractions_as_they_are_called_out(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """A bare 1/4 is in inches, 6 1/2 may be mm: --unit says what it is, and a reading with a unit keeps its own."""
    table = tmp_path / "readings.csv"
    rows = ("1/4", "6.35 mm", "6 1/2")
    table.write_text(HEAD + "".join(f"tee.jpg,leg_left,{text},g,A\n" for text in rows))
    call = ["compare", str(table), "--results", str(result), "--json", "-"]
    for unit, status, read in ((["--unit", "in"], 0, [6.35, 6.35, 165.1]), ([], 3, [6.35, 6.35])):
        assert run([*call, *unit]) == status
        told = capsys.readouterr()
        group = json.loads(told.out)["comparisons"][0]["groups"][0]
        assert [pair["reading"] for pair in group["pairs"]] == pytest.approx(read)
    assert 'write "6 1/2 in"' in told.err


def test_a_slip_of_the_pen_is_told_and_counts(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """64 mm for 6.4 mm makes the bias what it is; a small undercut read as nothing does not."""
    table = tmp_path / "readings.csv"
    readings = ("leg_left,64 mm", "leg_left,6 mm", "undercut_left,0 mm")
    table.write_text(HEAD + "".join(f"tee.jpg,{text},g,A\n" for text in readings))
    assert run(["compare", str(table), "--results", str(result)]) == 0
    shown = capsys.readouterr().out
    assert shown.count("check number, point and unit") == 1
    assert "line 2: 64 mm was read where 6.4 mm was measured" in shown


def test_a_picture_is_found_by_its_name_but_for_capitals_and_ending(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    table = tmp_path / "readings.csv"
    rows = ("TEE.JPG,leg_left,6 mm", "tee,left leg,6 mm", "te,leg_left,6 mm", "tee.jpg,leg,6 mm")
    table.write_text(HEAD + "".join(f"{row},g,A\n" for row in rows))
    assert run(["compare", str(table), "--results", str(result)]) == 0
    shown = capsys.readouterr().out
    assert "2 of 4 readings compared" in shown
    assert "line 4: no result of te" in shown
    assert "line 5: 'leg' has two sides: write leg_left or leg_right" in shown


def test_the_line_of_every_bad_row_is_told(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    table = tmp_path / "readings.csv"
    table.write_text(HEAD + "tee.jpg,leg_left,6 mm,g,A\n" + "tee.jpg,leg_left,six,g,A\n" * 13)
    assert run(["compare", str(table), "--results", str(result)]) == 3
    assert "13 rows were left out: also lines 13, 14, 15." in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_names_of_any_kind_do_not_break_table_or_plot(
    kind: str, result: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    names = ["_hidden", "$x_{1}$", "[bold]red", "検査員 é", "a very long name of a gauge that nobody can read at once"]
    rows = [f'tee.jpg,leg_left,{6 + n / 10} mm,"{name}","{name}"' for n, name in enumerate(names)]
    table = tmp_path / "readings.csv"
    table.write_text(HEAD + "\n".join(rows), encoding="utf-8")
    out = tmp_path / "out"
    arguments = ["compare", str(table), "--results", str(result), "--output", str(out), "--plots", kind]
    assert run([*arguments, "--units", "inch"]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    assert "[bold]red" in shown.out
    plot = (out / f"agreement-leg.{kind}").read_bytes()
    assert plot.startswith(b"\x89PNG" if kind == "png" else b"<?xml")
    if kind == "svg":
        assert "$x_{1}$" in plot.decode()
        assert "_hidden" in plot.decode()
        assert "<script" not in plot.decode()
        assert run([*arguments, "--units", "inch"]) == 0
        assert (out / "agreement-leg.svg").read_bytes() == plot


@pytest.mark.parametrize(
    ("extra", "status", "words"),
    [
        ([], 2, "--results RESULT.json or --records STORE is needed"),
        (["--records", "missing.db"], 3, "no such store"),
        (["--results", "RESULT", "--sides", "none"], 2, "--sides 'none' is not known"),
        (["--results", "RESULT", "--plots", "pdf"], 2, "--plots 'pdf' is not known"),
        (["--results", "RESULT", "--units", "feet"], 2, "--units 'feet' is not known"),
        (["--results", "missing.json"], 3, "no such file"),
        (["--results", "TABLE"], 3, "not a result file"),
        (["--results", "RESULT", "--json", "RESULT"], 2, "must not be overwritten"),
        (["--results", "RESULT", "--output", "RESULT"], 2, "the folder cannot be made"),
    ],
)
def test_wrong_use_is_one_line(
    extra: list[str], status: int, words: str, result: Path, capsys: pytest.CaptureFixture
) -> None:
    arguments = [{"RESULT": str(result), "TABLE": str(SAMPLE)}.get(word, word) for word in extra]
    assert run(["compare", str(SAMPLE), *arguments]) == status
    error = capsys.readouterr().err
    assert words in error
    assert len(error.splitlines()) == 1


def test_one_bad_result_file_does_not_stop_the_others(result: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["compare", str(SAMPLE), "--results", "missing.json", str(result)]) == 3
    shown = capsys.readouterr()
    assert "missing.json: there is no such file" in shown.err
    assert "38 of 38 readings compared" in shown.out


@pytest.mark.parametrize(
    ("text", "status", "words"),
    [
        ("", 3, "the file is empty"),
        (HEAD, 4, "holds no reading that can be compared"),
        (HEAD + "lap.jpg,leg_left,6 mm,g,A\n", 4, "line 2: no result of lap.jpg"),
        ("a,b\n1,2\n", 3, 'no column "source"'),
    ],
)
def test_nothing_to_compare(
    text: str, status: int, words: str, result: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    table = tmp_path / "readings.csv"
    table.write_text(text)
    assert run(["compare", str(table), "--results", str(result)]) == status
    assert words in capsys.readouterr().err


def test_records_are_compared_but_for_rejected_ones(
    result: Path, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    from records.store import open_store

    where = str(tmp_path / "store.db")
    assert run(["records", "add", str(result), "--records", where]) == 0
    with open_store(where) as store:
        record = next(line.id for line in store.records() if line.source and "butt" in line.source)
        store.add(record, "rejected", who="operator C", why="the wrong coupon", body={})
    capsys.readouterr()
    assert run(["compare", str(SAMPLE), "--records", where, "--json", "-"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert len(content["not_compared"]) == 6
    assert all("no result of butt.jpg" in item["reason"] for item in content["not_compared"])
    assert run(["compare", str(SAMPLE), "--records", where, "--results", str(result)]) == 0
    assert "38 of 38 readings compared" in capsys.readouterr().out


@pytest.mark.parametrize("command", ["compare", "study"])
def test_no_figure_is_cut_on_a_narrow_screen(
    command: str, result: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    study = ROOT / "tests" / "data" / "gauges" / "ten_parts_three_operators.csv"
    arguments = {
        "compare": [str(SAMPLE), "--results", str(result)],
        "study": [str(study), "--unit", "mm", "--tolerance", "4 mm"],
    }[command]
    monkeypatch.setenv("FORCE_COLOR", "1")  # taken for a terminal
    monkeypatch.setenv("COLUMNS", "80")
    assert run([command, *arguments]) == 0
    shown = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out)
    assert max(len(line.rstrip()) for line in shown.splitlines()) <= 80
    assert "…" not in shown
    rows = [line.rstrip() for line in shown.splitlines() if re.match(r"  operator [AB] +[0-9]", line)]
    against_measured = [row for row in rows if "0.025" in row or "0.25" in row]
    assert len(against_measured) >= (8 if command == "compare" else 0)
    assert all(row.endswith((" yes", " no")) for row in against_measured)
