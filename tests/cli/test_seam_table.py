"""The summary of a seam on the screen."""

import pytest
from rich.console import Console

from cli.seam_table import _outcomes, _places


@pytest.mark.parametrize(("units", "shown"), [("metric", "0.700 ± 0.003 mm"), ("inch", "0.02756 ± 0.00012 in")])
def test_a_small_uncertainty_of_the_worst_place_never_reads_as_none(units: str, shown: str) -> None:
    console = Console(width=120)
    worst = {
        "position_mm": 8.0,
        "quantity": "undercut_right",
        "value": 0.7,
        "expanded_uncertainty": 0.003,
        "unit": "mm",
    }
    with console.capture() as captured:
        _places(console, {"gaps": [], "worst": worst | {"why": "deepest undercut"}}, units)
    assert shown in captured.get()


def test_a_condition_of_a_row_is_told_once_where_it_was_judged() -> None:
    console = Console(width=120)
    row = {"criterion": "code alignment", "verified": "secondary", "condition": "for equal walls", "not_assessed": 0,
           "meets": 3, "does_not_meet": 0, "undecided": 0, "not_assessed_because": None}  # fmt: skip
    rows = [row | {"quantity": name} for name in ("misalignment", "root_misalignment")]
    unjudged = row | {"criterion": "code other", "quantity": "size", "condition": "unjudged", "meets": 0,
                      "not_assessed": 3, "not_assessed_because": "give the thickness"}  # fmt: skip
    content = {"outcomes": [*rows, unjudged], "assessment": {"rule": "simple", "note": "A proposal."}}
    with console.capture() as captured:
        _outcomes(console, content, "metric")
    assert captured.get().count("code alignment: for equal walls") == 1
    assert "unjudged" not in captured.get()


def test_why_some_sections_are_open_is_told_once_for_all_rows() -> None:
    console = Console(width=200)
    row = {"criterion": "code undercut", "verified": "secondary", "meets": 3, "does_not_meet": 0, "undecided": 2,
           "undecided_because": "up to 30 mm", "not_assessed": 1, "not_assessed_because": "not measurable"}  # fmt: skip
    rows = [row | {"quantity": f"undercut_{side}"} for side in ("left", "right")]
    with console.capture() as captured:
        _outcomes(console, {"outcomes": rows, "assessment": {"rule": "simple", "note": "A proposal."}}, "metric")
    both = "code undercut (undercut_left), code undercut (undercut_right)"
    assert f"undecided in 2 sections, the first one: {both}: up to 30 mm" in captured.get()
    assert f"not assessed in 1 section: {both}: not measurable" in captured.get()
