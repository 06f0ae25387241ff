"""What a seam comes to: lengths by cells, runs, windows, gaps, the worst; limits that ask for a length."""

import math

import numpy as np
import pytest

from core.errors import UsageError
from criteria import Given, parse_rule
from inspection.outcomes import judgement
from inspection.seam_limits import judged_rows, seam_judgement, seam_outcomes
from inspection.seam_summary import (
    Columns,
    Threshold,
    gaps,
    over,
    parse_threshold,
    quantities,
    undercut_in_window,
    worst,
)
from inspection.seam_windows import longest_in_window


def row(position, undercut=None, throat=5.0, error=None):
    """Return the entry of one section of a tee; an undercut of None could not be measured."""
    if error is not None:
        return {"position_mm": position, "source": "x", "weld": None, "error": {"code": "e", "message": error}}
    item = {"value": undercut, "unit": "mm", "expanded_uncertainty": 0.02, "state": "measured"}
    if undercut is None:
        item = {"value": None, "unit": "mm", "state": "not_measurable", "reason": "hidden"}
    measurements = {
        "throat": {"value": throat, "unit": "mm", "expanded_uncertainty": 0.1, "state": "measured"},
        "undercut_left": item,
    }
    weld = {"joint": "tee", "measurements": measurements}
    return {"position_mm": position, "source": "x", "weld": weld, "error": None}


def columns_of(rows, pitch=0.5):
    columns = Columns(pitch)
    for entry in rows:
        columns.add(entry)
    return columns


def seam(*undercuts, pitch=0.5):
    return columns_of([row(pitch * i, value) for i, value in enumerate(undercuts)], pitch)


def test_length_over_a_threshold_counts_cells_and_runs_end_where_nothing_is_known() -> None:
    found = over(seam(0.0, 0.6, 0.7, None, 0.8, 0.1, 0.5), Threshold("undercut_left", 0.5))
    assert (found["sections"], found["length_mm"], found["measured"], found["not_measurable"]) == (3, 1.5, 6, 1)
    assert found["share"] == 0.5
    assert (found["longest_run_mm"], found["longest_run_from_mm"], found["longest_run_to_mm"]) == (1.0, 0.5, 1.0)


def test_nothing_over_a_threshold_has_no_run() -> None:
    found = over(seam(0.0, 0.1), Threshold("undercut_left", 0.5))
    assert (found["length_mm"], found["longest_run_mm"], found["longest_run_from_mm"]) == (0.0, 0.0, None)
    assert over(seam(0.0), Threshold("cap_width", 9.0))["share"] is None


def test_median_extremes_and_their_places() -> None:
    found = quantities(seam(0.3, None, 0.1, 0.9, 0.2))["undercut_left"]
    assert (found["median"], found["minimum"], found["maximum"]) == (0.25, 0.1, 0.9)
    assert (found["at_minimum_mm"], found["at_maximum_mm"]) == (1.0, 1.5)
    assert (found["measured"], found["not_measurable"], found["not_measurable_at_mm"]) == (4, 1, [[0.5, 0.5]])


def test_a_value_that_appears_late_keeps_its_place() -> None:
    columns = columns_of([row(0.0, error="no line"), row(0.5, error="no line"), row(1.0, 0.4)])
    assert quantities(columns)["throat"] | {"x": 0} == quantities(columns)["throat"] | {"x": 0, "at_minimum_mm": 1.0}
    assert math.isnan(columns.of("undercut_left")[0])


def test_gaps_join_neighbours_of_one_reason() -> None:
    rows = [row(0.0, 0.1), row(0.5, error="dark"), row(1.0, error="dark"), row(1.5, error="other"), row(2.0, 0.1),
            row(2.5, error="dark")]  # fmt: skip
    found = gaps(columns_of(rows))
    told = [(gap["from_mm"], gap["to_mm"], gap["length_mm"], gap["reason"]) for gap in found]
    assert told == [(0.5, 1.0, 1.0, "dark"), (1.5, 1.5, 0.5, "other"), (2.5, 2.5, 0.5, "dark")]


def test_files_that_cannot_be_read_make_one_gap() -> None:
    rows = [
        row(0.5 * number, error=f"/data/f{number}.png: the picture is truncated") | {"source": f"f{number}.png"}
        for number in range(3)
    ]
    (gap,) = gaps(columns_of([*rows, row(1.5, 0.1)]))
    assert (gap["length_mm"], gap["reason"]) == (1.5, "the picture is truncated")


@pytest.mark.parametrize("window", [1.0, 7.3, 300.0])
def test_sliding_window_against_trying_them_all(window: float) -> None:
    rng = np.random.default_rng(3)
    pitch = 0.4
    for _ in range(20):
        where = rng.random(int(rng.integers(1, 60))) < 0.3
        places = np.arange(len(where)) * pitch
        found, _start = longest_in_window(places, where, pitch, window)
        best = 0.0
        for begin in np.arange(-pitch, places[-1] + pitch, 0.02):
            ends = np.clip(np.stack([places - pitch / 2, places + pitch / 2]), begin, begin + window)
            best = max(best, float((ends[1] - ends[0])[where].sum()))
        assert best - 1e-9 <= found <= best + 0.021


def test_undercut_in_any_300_mm() -> None:
    values = np.zeros(1000)
    values[[10, 20, 30, 500, 501, 502, 503, 790]] = 0.4
    values[900] = 0.01  # not clear of its uncertainty
    columns = seam(*values.tolist())
    assert undercut_in_window(columns, ())[0]["length_mm"] == 3.5  # all but the one at 395 mm
    assert undercut_in_window(columns, [Threshold("undercut_left", 0.5)])[0]["length_mm"] == 0.0
    assert undercut_in_window(columns, ())[0]["quantity"] == "undercut_left"


def test_undercut_that_is_not_known_may_add_to_any_300_mm() -> None:
    rows = [row(n * 0.5, None if 20 <= n < 36 else 0.4 if n < 4 else 0.0) for n in range(60)]
    found = undercut_in_window(columns_of(rows), [Threshold("undercut_left", 0.3)])[0]
    assert (found["length_mm"], found["at_most_mm"], found["not_measurable"]) == (2.0, 10.0, 16)


def test_the_worst_section_and_why() -> None:
    rows = [row(0.0, 0.1, throat=4.0), row(0.5, 0.3, throat=5.0), row(1.0, 0.0, throat=6.0)]
    columns = columns_of(rows)
    assert worst(columns, ())["position_mm"] == 0.5
    assert worst(columns, ())["expanded_uncertainty"] == 0.02
    assert worst(columns, [Threshold("throat", 5.0), Threshold("undercut_left", 0.5)])["position_mm"] == 1.0
    assert worst(columns_of([row(0.0, 0.01, throat=4.5), row(0.5, 0.0, throat=4.0)]), ())["why"] == "least throat"
    assert worst(columns_of([row(0.0, error="dark")]), ()) is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("undercut_left 0.5", "needs a unit"),
        ("undercut 0.5 mm", "name its side, undercut_left or undercut_right"),
        ("weld_area 3 mm", "no length and no angle"),
        ("toe_angle_left 3 mm", "needs degrees"),
        ("toe_angle_left", "needs degrees"),
        ("undercut_left", "--over undercut_left"),
    ],
)
def test_wrong_thresholds(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        parse_threshold(text)


def test_right_thresholds() -> None:
    assert parse_threshold("undercut_left 1/32 in") == Threshold("undercut_left", 25.4 / 32)
    assert parse_threshold("toe_angle_left 40 deg") == Threshold("toe_angle_left", 40.0)
    assert parse_threshold("undercut, right > 1/32 in") == Threshold("undercut_right", 25.4 / 32)
    assert parse_threshold("left undercut: ½ mm") == Threshold("undercut_left", 0.5)
    assert parse_threshold("Toe angle, left 40°") == Threshold("toe_angle_left", 40.0)


@pytest.mark.parametrize(("sections", "outcome"), [(20, "meets"), (60, "does_not_meet")])
def test_a_short_imperfection_is_allowed_by_its_length(sections: int, outcome: str) -> None:
    """ISO 5817:2014 level C, undercut of thin plate (0.5 mm to 3 mm): h <= 0.1 t where it is short (secondary).

    Short is at most 25 mm in 100 mm, or 25 % of a weld shorter than that (1.1 of the same standard, secondary).
    """
    rows = [row(0.5 * i, 0.15 if 100 <= i < 100 + sections else 0.0) for i in range(400)]
    columns = columns_of(rows)
    by = judgement(["iso5817-2014-C"], [], Given(thickness_mm=2.0), parse_rule("simple"), "metric")
    found = seam_judgement(by, None, rows, columns)
    judged = list(judged_rows(rows, found))
    here = [item for item in judged[110]["weld"]["outcomes"] if item["quantity"] == "undercut_left"]
    assert [item["outcome"] for item in here] == [outcome]
    told, failing = seam_outcomes(rows, found, columns)
    line = next(item for item in told if item["quantity"] == "undercut_left")
    assert line["does_not_meet_length"]["length_mm"] == (0.0 if outcome == "meets" else sections * 0.5)
    assert (failing is None) == (outcome == "meets")


def test_what_a_row_takes_for_granted_goes_along_a_seam() -> None:
    rows = [row(0.5 * i, 0.0) for i in range(3)]
    columns = columns_of(rows)
    by = judgement(["aws-d1.1-2020-static"], [], Given(thickness_mm=6.0), parse_rule("simple"), "metric")
    told, _ = seam_outcomes(rows, seam_judgement(by, None, rows, columns), columns)
    conditions = {item["criterion"].partition(" ")[2]: item["condition"] for item in told}
    assert "thicker part" in conditions["minimum-size"]
    assert conditions["undercut"] is None
