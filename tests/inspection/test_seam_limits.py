"""Limits that ask for a length along a seam: what is certain, what is open, and where along the seam it counts."""

import numpy as np
import pytest

from criteria import Given, parse_rule
from inspection.outcomes import judgement
from inspection.seam_limits import judged_rows, seam_judgement, seam_outcomes
from inspection.seam_summary import Columns, Threshold, over, worst
from inspection.seam_windows import longest_about

CERTAIN, OPEN, UNKNOWN, NO_WELD = 0.15, 0.02, None, "no weld"
"""Depths of an undercut with U = 0.05 mm in a plate of 2 mm, level C: none is allowed, 0.2 mm where it is short."""


def row(position, depth=0.0, *, unit_value=0.05, joint="tee", **more):
    if depth == NO_WELD:
        error = {"code": "nothing_measurable", "message": "no weld"}
        return {"position_mm": position, "source": "x", "weld": None, "error": error}
    items = {"undercut_left": depth} | more
    measurements = {
        name: {"value": value, "unit": "mm", "expanded_uncertainty": unit_value, "state": "measured"}
        if value is not None
        else {"value": None, "unit": "mm", "state": "not_measurable", "reason": "hidden"}
        for name, value in items.items()
    }
    return {
        "position_mm": position,
        "source": "x",
        "weld": {"joint": joint, "measurements": measurements},
        "error": None,
    }


def rows_of(stretches, length, pitch=1.0, **more):
    """Return rows of a seam without undercut other than in stretches (from, to, depth), mm."""
    rows = []
    for number in range(round(length / pitch)):
        place = (number + 0.5) * pitch
        depth = next((depth for first, last, depth in stretches if first < place < last), 0.0)
        rows.append(row(number * pitch, depth, **more))
    return rows


def columns_of(rows, pitch):
    columns = Columns(pitch)
    for entry in rows:
        columns.add(entry)
    return columns


def outcomes(rows, criteria="iso5817-2014-C", name="undercut_left", pitch=1.0, complete=True, system="metric", **given):
    """Return the outcome of each section (None without a weld) and the row of the seam."""
    columns = columns_of(rows, pitch)
    by = judgement([criteria], [], Given(**(given or {"thickness_mm": 2.0})), parse_rule("guarded"), system)
    found = seam_judgement(by, None, rows, columns, complete=complete)
    each = [
        None if entry["weld"] is None else next(o for o in entry["weld"]["outcomes"] if o["quantity"] == name)
        for entry in judged_rows(rows, found)
    ]
    told, _ = seam_outcomes(rows, found, columns)
    return each, next(item for item in told if item["quantity"] == name)


@pytest.mark.parametrize("window", [1, 4, 9, 30, None])
def test_the_worst_window_about_each_cell_against_trying_them_all(window: int | None) -> None:
    """Cells of 4 units, windows of whole units: one that begins at a whole unit is among the worst."""
    rng = np.random.default_rng(7)
    for _ in range(8):
        where = rng.random(int(rng.integers(1, 12))) < 0.4
        units = np.pad(np.repeat(where, 4), 60)
        width = 60 if window is None else max(window, 4)
        sums = np.convolve(units, np.ones(width), "valid")
        found = longest_about(where, 0.4, None if window is None else 0.1 * window)
        for number in range(len(where)):
            first = 60 + 4 * number
            assert found[number] == pytest.approx(0.1 * sums[first + 4 - width : first + 1].max())


def test_a_short_imperfection_far_from_a_long_one_is_short() -> None:
    each, line = outcomes(rows_of([(20, 60, CERTAIN), (250, 256, CERTAIN)], 300))
    assert (each[30]["outcome"], each[252]["outcome"], each[100]["outcome"]) == ("does_not_meet", "meets", "meets")
    assert line["does_not_meet_length"]["length_mm"] == 40.0
    assert line["does_not_meet_at_mm"] == [[20.0, 59.0]]
    assert line["verified"] == "from memory"  # the rule for lengths is, though that for depths is not


@pytest.mark.parametrize(
    ("beside", "outcome"),
    [(CERTAIN, "does_not_meet"), (OPEN, "meets"), (UNKNOWN, "undecided"), (NO_WELD, "undecided")],
)
def test_what_is_not_known_beside_a_short_imperfection_is_not_taken_for_good(beside, outcome: str) -> None:
    """20 mm certain and 10 mm beside it, where 25 mm are allowed; 0.02 mm is not told from nothing."""
    each, line = outcomes(rows_of([(50, 70, CERTAIN), (70, 80, beside)], 200))
    assert each[60]["outcome"] == outcome
    assert line["undecided"] == (20 if outcome == "undecided" else 0)
    if outcome == "undecided":
        assert "up to 30 mm with what is undecided or not known" in line["undecided_because"]


def test_an_imperfection_that_may_be_none_is_undecided_and_tips_no_scales() -> None:
    """Limit 1 mm, 2 mm where it is short (50 mm in any 300 mm); 1.02 mm with U = 0.05 mm lies on either side of it."""
    given = {"criteria": "aws-d1.1-2020-static", "thickness_mm": 12.0}
    each, _ = outcomes(rows_of([(50, 90, 1.5), (90, 120, 1.02)], 300), **given)
    assert (each[60]["outcome"], each[100]["outcome"]) == ("undecided", "undecided")
    each, line = outcomes(rows_of([(50, 110, 1.5), (110, 120, 1.02)], 300), **given)
    assert (each[60]["outcome"], each[115]["outcome"]) == ("does_not_meet", "undecided")
    assert line["does_not_meet_length"]["length_mm"] == 60.0
    each, _ = outcomes(rows_of([(50, 80, 1.5), (80, 90, 1.02)], 300), **given)
    assert (each[60]["outcome"], each[85]["outcome"]) == ("meets", "meets")


@pytest.mark.parametrize(("more", "outcome"), [(0, "meets"), (1, "does_not_meet")])
def test_the_length_that_is_allowed_is_allowed(more: int, outcome: str) -> None:
    """25 mm, the sum of 250 cells of 0.1 mm, and one cell more."""
    each, _ = outcomes(rows_of([(50, 75 + 0.1 * more, CERTAIN)], 200, 0.1), pitch=0.1)
    assert each[600]["outcome"] == outcome


@pytest.mark.parametrize(("cells", "outcome"), [(20, "meets"), (21, "does_not_meet")])
def test_two_inches_in_any_twelve(cells: int, outcome: str) -> None:
    """AWS D1.1 Table 8.1 (7) in inches: 1/16 in over 2 in of any 12 in; cells of a tenth of an inch."""
    rows = rows_of([(101.6, 101.6 + 2.54 * cells, 1.3)], 609.6, 2.54)
    each, _ = outcomes(rows, "aws-d1.1-2020-static", pitch=2.54, system="inch", thickness_mm=12.7)
    assert each[45]["outcome"] == outcome


def test_a_share_of_the_length_is_one_of_the_weld_and_not_of_what_was_filmed_beyond_it() -> None:
    """AWS D1.1 Table 8.1 (6): size 6 mm, 2.5 mm less over 10 % of the weld's length, here 150 mm."""

    def small(first, last, beyond=0):
        weld = [row(n, joint="tee", size=5.0 if first <= n < last else 6.5) for n in range(150)]
        around = [row(n, NO_WELD) for n in range(beyond)]
        rows = [*around, *weld, *around]
        found, _ = outcomes(rows, "aws-d1.1-2020-static", "size", nominal_leg_mm=6.0, thickness_mm=6.0)
        return found[beyond + first]["outcome"]

    assert (small(40, 55), small(40, 56)) == ("meets", "does_not_meet")
    assert small(40, 54, beyond=1) == "undecided"  # an end that is not seen may be small as well
    assert small(40, 70, beyond=60) == "does_not_meet"
    assert small(40, 56, beyond=60) == "undecided"  # 10 % of 270 mm, if the weld reached so far


def test_no_length_is_known_of_a_seam_that_was_not_scanned_to_its_end() -> None:
    rows = rows_of([(20, 60, CERTAIN)], 100)
    each, line = outcomes(rows, complete=False)
    assert each[30]["outcome"] == "not_assessed"
    assert line["not_assessed"] == 40
    assert "length not assessed" in line["not_assessed_because"]


def test_the_reason_is_that_of_a_section_that_was_not_assessed() -> None:
    _, line = outcomes(rows_of([(50, 60, UNKNOWN)], 100))
    assert (line["meets"], line["not_assessed"]) == (90, 10)
    assert line["not_assessed_because"] == "not measurable: hidden"


def test_an_offset_counts_to_either_side() -> None:
    rows = [row(n, joint="butt", misalignment=value) for n, value in enumerate((-0.9, -0.2, 0.7, 0.1))]
    columns, threshold = columns_of(rows, 1.0), Threshold("misalignment", 0.5)
    assert over(columns, threshold)["length_mm"] == 2.0
    assert worst(columns, [threshold])["position_mm"] == 0.0
    assert worst(columns, [threshold])["value"] == -0.9
