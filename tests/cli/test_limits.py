"""``toeline limits``: every set and every row is shown with its evidence."""

from pathlib import Path

import pytest

from cli.main import run
from criteria import built_in, chosen_limits

NAMES = [name for limits in built_in() for name in limits.full_names()]


def test_the_list_names_every_set(capsys: pytest.CaptureFixture) -> None:
    assert run(["limits"]) == 0
    shown = capsys.readouterr().out
    for limits in built_in():
        assert limits.name in shown
    rows = {line.split()[0]: line for line in shown.splitlines() if line.split()}
    assert "inch" in rows["asme-b16.25-2017-general"]
    assert "metric" in rows["asme-b16.25-2017-gtaw"]
    assert "inch" not in rows["asme-b16.25-2017-gtaw"]  # written in mm only
    assert "the governing code in its valid edition prevails" in shown


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("units", ["metric", "inch"])
def test_rows_of_every_set(name: str, units: str, capsys: pytest.CaptureFixture) -> None:
    assert run(["limits", name, "--units", units]) == 0
    shown = capsys.readouterr().out
    joined = "".join(shown.split())
    limits = chosen_limits(name, units)[1]
    for limit in limits:
        for case in limit.cases:
            assert "".join(case.limit.text.split()) in joined or case.limit.text in ("0", "inf")
    lines = sum(line.rstrip().endswith(("secondary", "from memory")) for line in shown.splitlines())
    assert lines == sum(len(limit.cases) for limit in limits)
    assert "qualified person decides" in " ".join(shown.split())


def test_wrong_names(capsys: pytest.CaptureFixture) -> None:
    for arguments in (["iso5817-2014"], ["iso-5817"], ["none.toml"], ["api-1104-20", "--units", "feet"]):
        assert run(["limits", *arguments]) in (2, 3)
        error = capsys.readouterr().err
        assert error.count("\n") == 1


@pytest.mark.parametrize("name", ["iso5817-2014-C", "asme-b31.3-2016", "asme-viii-1", "aws-d1.1-2020-cyclic"])
def test_names_that_are_typed_elsewhere_are_whole(name: str, capsys: pytest.CaptureFixture) -> None:
    assert run(["limits", name]) == 0
    words = capsys.readouterr().out.split()
    for limit in chosen_limits(name, "metric")[1]:
        assert limit.id in words
        assert limit.quantity in {word.rstrip(",") for word in words}


def test_a_drawings_file_is_shown_with_what_it_gives(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    own = tmp_path / "own.toml"
    own.write_text('title = "Drawing 12"\nrequire = ["a5", "leg <= 5/16 in"]\n[given]\nthickness = "10 mm"\n')
    assert run(["limits", str(own)]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("Drawing 12\n  given: t = 10 mm, a = 5 mm\n")
    assert "≤ 5/16 in" in shown
    assert "≥ 5 mm" in shown
