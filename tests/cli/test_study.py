"""``toeline study``: the published study, tolerances, refusals."""

import json
from pathlib import Path

import pytest

from cli.main import run

TABLE = Path(__file__).resolve().parents[1] / "data" / "gauges" / "ten_parts_three_operators.csv"


def test_published_study(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    out = tmp_path / "out"
    assert run(["study", str(TABLE), "--unit", "mm", "--tolerance", "4 mm", "--output", str(out)]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    assert "10 parts, 3 operators, 3 trials" in shown.out
    assert "distinct categories: 4 (4.86)" in shown.out
    assert "distinct categories: 5 (5.09)" in shown.out
    assert "p = 0.974 > 0.05" in shown.out
    assert "part '4' by 'B': the range of the trials is beyond its limit" in shown.out
    assert (out / "study.png").read_bytes().startswith(b"\x89PNG")
    content = json.loads((out / "study.json").read_text(encoding="utf-8"))
    assert content["averages_and_ranges"]["components"]["GRR"]["share_of_tolerance"] == pytest.approx(
        6 * 0.30578 / 4, abs=1e-4
    )


def test_limits_in_fractions_are_a_tolerance(capsys: pytest.CaptureFixture) -> None:
    shares = []
    for option in (
        ["--limits", "1/4 in..3/8 in"],
        ["--limits", "1/4..3/8 in"],
        ["--tolerance", "1/8 in"],
        ["--tolerance", "3.175 mm"],
    ):
        assert run(["study", str(TABLE), "--unit", "in", *option, "--json", "-"]) == 0
        content = json.loads(capsys.readouterr().out)
        shares.append(content["analysis_of_variance"]["components"]["GRR"]["share_of_tolerance"])
    assert shares == pytest.approx([6 * 0.3023715 / 0.125] * 4, rel=1e-6)


def test_inches_on_the_screen(capsys: pytest.CaptureFixture) -> None:
    assert run(["study", str(TABLE), "--unit", "in", "--units", "inch"]) == 0
    shown = capsys.readouterr().out
    assert "std, in" in shown
    assert "0.3024" in shown
    assert "squares, in²" in shown
    assert "88.362" in shown  # the published sum of squares of the parts, in the unit it was read in


def test_a_study_of_one_person(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    table = tmp_path / "study.csv"
    table.write_text("part,operator,reading\n1,A,6 mm\n1,A,6.1 mm\n2,A,7 mm\n2,A,7.1 mm\n")
    out = tmp_path / "out"
    assert run(["study", str(table), "--output", str(out), "--plots", "svg"]) == 0
    assert "one operator: the variation between people is not evaluated" in capsys.readouterr().out
    assert (out / "study.svg").read_bytes().startswith(b"<?xml")


def test_a_gauge_that_never_varies(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    table = tmp_path / "study.csv"
    rows = "".join(f"{part},{who},6 mm\n" for part in "12" for who in "AB" for _ in range(2))
    table.write_text("part,operator,reading\n" + rows)
    assert run(["study", str(table), "--output", str(tmp_path / "out")]) == 0
    assert "no variation of the gauge was seen" in capsys.readouterr().out


def test_the_sample_study_says_what_its_story_says(capsys: pytest.CaptureFixture) -> None:
    sample = Path(__file__).resolve().parents[2] / "sample_images" / "study.csv"
    assert run(["study", str(sample), "--tolerance", "1 mm", "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["analysis_of_variance"]["distinct_categories"] >= 5
    assert 0.5 < found["analysis_of_variance"]["components"]["GRR"]["share_of_tolerance"] < 1
    assert found["averages_and_ranges"]["beyond_range_limit"] == [["5", "operator C"]]
    assert run(["study", str(sample)]) == 0
    assert "part '5' by 'operator C': the range" in capsys.readouterr().out


def test_a_tolerance_to_either_side_is_twice_as_wide(capsys: pytest.CaptureFixture) -> None:
    shown = []
    for tolerance in ("±0.5 mm", "1 mm"):
        assert run(["study", str(TABLE), "--unit", "MM", "--tolerance", tolerance]) == 0
        shown.append(capsys.readouterr().out)
    assert "% of" in shown[0]
    assert shown[0] == shown[1]


def test_no_cell_is_left_out_in_silence(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """One trial in five is far off in each of 14 cells of 140: their ranges lie beyond the limit, ten are named."""
    table = tmp_path / "study.csv"
    rows = [
        f"{part},{who},{part + trial * 0.01 + (0.5 if trial == 4 and part % 10 == 0 else 0)}\n"
        for part in range(70)
        for who in "AB"
        for trial in range(5)
    ]
    table.write_text("part,operator,reading\n" + "".join(rows))
    assert run(["study", str(table)]) == 0
    shown = capsys.readouterr().out
    assert shown.count("is beyond its limit") == 10
    assert "and 4 more cells; --json lists them all" in shown


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--tolerance", "4 mm"], "the tolerance is in mm, the readings are in plain numbers: name their unit"),
        (["--tolerance", "4 mm", "--limits", "1 mm..2 mm"], "give one of them"),
        (["--limits", "2 mm..1 mm"], "wider than nothing"),
        (["--limits", "2 mm"], "--limits takes two limits"),
        (["--limits", "2 mm..3 deg"], "a length and an angle"),
        (["--tolerance", "4"], "--tolerance '4' names no unit"),
        (["--pool-above", "2"], "between 0 and 1"),
        (["--pool-above", "nan"], "between 0 and 1"),
        (["--unit", "kg"], "--unit 'kg' is not known"),
        (["--plots", "pdf"], "--plots 'pdf' is not known"),
    ],
)
def test_wrong_use(extra: list[str], words: str, capsys: pytest.CaptureFixture) -> None:
    assert run(["study", str(TABLE), *extra]) == 2
    error = capsys.readouterr().err
    assert words in error
    assert len(error.splitlines()) == 1


def test_missing_cells_are_named(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    table = tmp_path / "study.csv"
    table.write_text("".join(TABLE.read_text(encoding="utf-8").splitlines(keepends=True)[:-1]))
    assert run(["study", str(table)]) == 4
    assert "part '10' by 'C' has 2 of 3" in capsys.readouterr().err


@pytest.mark.parametrize(("content", "words"), [(b"", "empty"), (b"\0\1", "not a text file"), (b"x\n", "no column")])
def test_a_file_that_is_no_study(content: bytes, words: str, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    table = tmp_path / "study.csv"
    table.write_bytes(content)
    assert run(["study", str(table)]) == 3
    assert words in capsys.readouterr().err
