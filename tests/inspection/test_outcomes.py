"""What values are compared with: sizes that files and call-outs state must agree."""

from pathlib import Path

import pytest

from cli.outcome_table import SHOWN
from core.errors import UsageError
from criteria import Given, parse_rule
from inspection.outcomes import allowed_text, judgement, side_of

RULE = parse_rule("guarded")


def drawing(folder: Path, name: str, thickness: str, more: str = "") -> str:
    path = folder / f"{name}.toml"
    path.write_text(f'require = ["leg >= 5 mm"{more}]\n[given]\nthickness = "{thickness}"\n')
    return str(path)


def test_files_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    """Each file's rows would be judged with the thickness of the first."""
    files = [drawing(tmp_path, "one", "8 mm"), drawing(tmp_path, "two", "12 mm")]
    with pytest.raises(UsageError, match=r"one.toml' and .*two.toml' state a different thickness"):
        judgement(files, [], Given(), RULE, "metric")
    assert judgement(files, [], Given(thickness_mm=10.0), RULE, "metric").given.thickness_mm == 10
    same = [drawing(tmp_path, "three", "7/16 in"), drawing(tmp_path, "four", "11.1125 mm")]
    assert judgement(same, [], Given(), RULE, "metric").given.thickness_mm == pytest.approx(11.1125)


def test_call_outs_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="'a4' and 'a5' state a different nominal throat"):
        judgement([], ["a4", "a5"], Given(), RULE, "metric")
    with pytest.raises(UsageError, match="different nominal throat"):
        judgement([drawing(tmp_path, "one", "8 mm", ', "a4"')], ["a5"], Given(), RULE, "metric")
    by = judgement([], ["a4", "z6", "leg >= 3 mm"], Given(), RULE, "metric")
    assert (by.given.nominal_throat_mm, by.given.nominal_leg_mm) == (4, 6)


def test_an_outcome_of_an_earlier_version_is_shown_without_its_new_field() -> None:
    """Records keep what was written: outcomes without ``own_allowed`` are shown with their limit."""
    outcome = {
        "criterion": "own z6", "quantity": "leg_left", "outcome": "meets", "message": "", "limit": 6.0, "lower": 6.0,
        "upper": None, "probability": 0.99, "verified": "given", "own_value": "6.4 mm", "own_limit": "6 mm",
    }  # fmt: skip
    assert allowed_text(outcome) == "≥ 6 mm"
    assert allowed_text(outcome | {"own_allowed": "6 to 7 mm"}) == "6 to 7 mm"
    assert outcome.keys() >= SHOWN
    assert side_of(outcome) == "left"
    assert side_of(outcome | {"criterion": "required leg, left >= 6 mm"}) == ""
