"""``toeline assess`` and ``toeline measure --criteria``: from a picture to outcomes in a file."""

import json
from pathlib import Path

import pytest

from cli.main import run
from inspection.outcomes import measured_value
from inspection.schema import read_result

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@pytest.fixture(scope="module")
def butt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The butt weld of the samples: an undercut of 0.52 mm, a crown of 1.77 mm."""
    path = tmp_path_factory.mktemp("assess") / "butt.json"
    assert run(["measure", str(SAMPLES / "butt.jpg"), "--scale", "0.028 mm", "--json", str(path)]) == 0
    return path


def outcomes(path: Path) -> dict[str, dict]:
    weld = json.loads(path.read_text())["results"][0]["welds"][0]
    return {f"{outcome['criterion']} {outcome['quantity']}": outcome for outcome in weld["outcomes"]}


ISO = ["--criteria", "iso5817-2014-B", "--thickness", "10 mm", "--seam", "plate"]


def test_a_word_counts_in_capitals_or_not(butt: Path, tmp_path: Path) -> None:
    given = []
    for word in ("A", "a"):
        out = tmp_path / f"{word}.json"
        arguments = ["--criteria", "asme-viii-1", "--thickness", "10 mm", "--category", word, "--json", str(out)]
        assert run(["assess", str(butt), *arguments]) == 0
        given.append((outcomes(out), json.loads(out.read_text())["results"][0]["assessment"]["given"]))
    assert given[0] == given[1]


def test_outcomes_are_written_and_printed(butt: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    out = tmp_path / "out.json"
    before = butt.read_bytes()
    assert run(["assess", str(butt), *ISO, "--criteria", "api-1104-20", "--units", "inch", "--json", str(out)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert butt.read_bytes() == before
    found = outcomes(out)
    undercut = found["iso5817-2014-B undercut undercut_right"]
    assert (undercut["limit"], undercut["unit"], undercut["outcome"]) == (0.5, "mm", "does_not_meet")
    assert undercut["source"] == "ISO 5817:2014, Table 1, 1.7, no. 5011/5012, level B"
    assert undercut["verified"] == "secondary"
    assert undercut["probability"] < 0.001
    crown = found["api-1104-20 crown-height reinforcement"]
    assert (crown["outcome"], crown["limit"], crown["own_limit"]) == ("does_not_meet", 1.5875, "1/16 in")
    assert found["api-1104-20 undercut undercut_left"]["verified"] == "from memory"
    for words in (
        "✗ does not meet",
        "✓ meets",
        "Rule: guarded, guard band U (k = 2)",
        "from memory, no source was at hand",
        "the governing code in its valid edition prevails, and a qualified person decides",
        "not assessed, iso5817-2014-B: shrinkage-groove, burn-through",
    ):
        assert words in shown
    entry = json.loads(out.read_text())["results"][0]
    assert entry["assessment"]["given"] == {"thickness_mm": 10.0, "seam": "plate"}
    assert "prevails" in entry["assessment"]["note"]
    assert read_result(out).results[0].welds[0].outcomes[0].criterion.startswith("iso5817-2014-B")


def test_measuring_and_assessing_at_once_gives_the_same(butt: Path, tmp_path: Path) -> None:
    once, twice = tmp_path / "once.json", tmp_path / "twice.json"
    assert run(["assess", str(butt), *ISO, "--json", str(twice)]) == 0
    status = run(["measure", str(SAMPLES / "butt.jpg"), "--scale", "0.028 mm", *ISO, "--json", str(once),
                  "--fail-on-reject"])  # fmt: skip
    assert status == 5
    assert outcomes(once) == outcomes(twice)


def test_thickness_given_when_it_was_measured_counts(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    result = tmp_path / "result.json"
    measured = ["measure", str(SAMPLES / "butt.jpg"), "--scale", "0.028 mm", "--thickness", "10 mm"]
    assert run([*measured, "--json", str(result)]) == 0
    assert run(["assess", str(result), "--criteria", "iso5817-2014-C", "--json", "-"]) == 0
    text = capsys.readouterr().out
    document = json.loads(text[text.index("{\n") :])
    found = {outcome["criterion"]: outcome for outcome in document["results"][0]["welds"][0]["outcomes"]}
    assert found["iso5817-2014-C misalignment"]["missing"] == ["seam"]
    assert found["iso5817-2014-C undercut"]["outcome"] != "not_assessed"


@pytest.mark.parametrize(
    ("requirement", "status"),
    [("reinforcement <= 1/8 in", 0), ("reinforcement <= 1 mm", 5), ("reinforcement 1..2 mm", 0)],
)
def test_exit_status_of_a_requirement(butt: Path, requirement: str, status: int) -> None:
    assert run(["assess", str(butt), "--require", requirement, "--fail-on-reject"]) == status
    assert run(["assess", str(butt), "--require", requirement]) == 0


def test_a_drawings_file_and_its_thickness(butt: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    own = tmp_path / "own.toml"
    own.write_text('title = "Drawing 12"\nrequire = ["reinforcement <= 2 mm"]\n[given]\nthickness = "10 mm"\n')
    assert run(["assess", str(butt), "--criteria", str(own), "--criteria", "api-1104-20", "--json", str(own)]) == 2
    assert "must not be overwritten" in capsys.readouterr().err
    out = tmp_path / "out.json"
    assert run(["assess", str(butt), "--criteria", str(own), "--criteria", "api-1104-20", "--json", str(out)]) == 0
    assert outcomes(out)["own reinforcement <= 2 mm reinforcement"]["source"] == "Drawing 12"
    assert outcomes(out)["api-1104-20 undercut undercut_left"]["outcome"] == "meets"


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        ([], 2, "name limits"),
        (["--fail-on-reject"], 2, "needs limits"),
        (["--criteria", "iso5817-2014-E"], 2, "did you mean"),
        (["--criteria", "none.toml"], 3, "no such file"),
        (["--require", "leg > 6"], 2, "needs a unit"),
        (["--require", "z6", "--rule", "loose"], 2, "--rule"),
        (["--require", "z6", "--units", "feet"], 2, "--units"),
        (["--require", "z6", "--thickness", "10"], 2, "--thickness needs a unit"),
        (["--criteria", "asme-viii-1", "--category", "Z"], 2, "--category 'Z' is not known to these limits, use A"),
        (
            ["--criteria", "asme-viii-1", "--criteria", "aws-d1.1-2020-cyclic", "--category", "A"],
            2,
            "is not known to aws-d1.1-2020-cyclic, use transverse, other",
        ),
        (
            ["--require", "z6", "--category", "A"],
            2,
            "--category 'A' is used by none of these limits: leave it out (asme-viii-1: A, B, C, D; aws",
        ),
        (
            ["--criteria", "asme-b31.3-2016", "--category", "normal"],
            2,
            "what they ask for is --service normal, category-d, severe-cyclic",
        ),
    ],
)
def test_wrong_use_is_one_line(
    butt: Path, arguments: list[str], status: int, words: str, capsys: pytest.CaptureFixture
) -> None:
    assert run(["assess", str(butt), *arguments]) == status
    error = capsys.readouterr().err
    assert words in error
    assert error.count("\n") == 1


def test_results_that_cannot_be_assessed(butt: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    assert run(["assess", str(butt), "--require", "z6", "--json", str(butt)]) == 2
    empty = json.loads(butt.read_text())
    empty["results"][0]["welds"] = []
    nothing = tmp_path / "nothing.json"
    nothing.write_text(json.dumps(empty))
    assert run(["assess", str(nothing), "--require", "z6"]) == 4
    nothing.write_text(butt.read_text()[:-40])
    assert run(["assess", str(nothing), "--require", "z6"]) == 3
    assert "Traceback" not in capsys.readouterr().err


def test_values_are_read_back_with_their_budget(butt: Path) -> None:
    items = json.loads(butt.read_text())["results"][0]["welds"][0]["measurements"]
    for name, item in items.items():
        value = measured_value(item)
        if item["state"] == "measured":
            assert value.value == item["value"]
            assert value.expanded_uncertainty == pytest.approx(item["expanded_uncertainty"], abs=2e-5), name
        else:
            assert value.reason == item["reason"]
    bare = measured_value({"state": "measured", "value": 3, "unit": "mm", "expanded_uncertainty": 0.3,
                           "coverage_factor": 3})  # fmt: skip
    assert bare.standard_uncertainty == pytest.approx(0.1)


def test_help_says_what_an_outcome_is_and_how_the_command_ends(capsys: pytest.CaptureFixture) -> None:
    assert run(["assess", "--help"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "5 a limit is not met" in shown
    assert "the governing code in its valid edition prevails, and a qualified person decides" in shown
