"""The plan view of a seam: what is over a threshold stands out, gaps are hatched, limits far off are told."""

import cv2
import numpy as np
import pytest

from desk.seam_view import _over, _panels, for_screen, seam_view
from inspection.seam_summary import Columns, Threshold, gaps, over, quantities, worst

ACCENT = (0, 60, 200)
"""Of the sheet, blue, green, red."""


def drawn(undercuts, thresholds=(), units="metric", gap=(), outcomes=()):
    columns = Columns(1.0)
    for number, value in enumerate(undercuts):
        if number in gap:
            columns.add({"position_mm": float(number), "weld": None, "error": {"code": "e", "message": "dark"}})
            continue
        items = {
            name: {"value": size, "unit": "mm", "expanded_uncertainty": 0.01, "state": "measured"}
            for name, size in (("undercut_left", value), ("leg_left", 6.0 + 0.01 * number), ("leg_right", 6.2))
        }
        columns.add({"position_mm": float(number), "weld": {"joint": "tee", "measurements": items}, "error": None})
    content = {
        "source": {"path": "seam"},
        "joints": columns.joints,
        "complete": True,
        "summary": quantities(columns),
        "over": [over(columns, threshold) for threshold in thresholds],
        "gaps": gaps(columns),
        "worst": worst(columns, thresholds),
        "outcomes": list(outcomes),
    }
    data = seam_view(columns, content, units=units)
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def accented(picture) -> int:
    return int((np.abs(picture.astype(int) - ACCENT).max(axis=2) < 12).sum())


def test_what_is_over_a_threshold_stands_out() -> None:
    wave = 0.4 + 0.3 * np.sin(np.arange(40) / 5)
    below, above = (drawn(wave, [Threshold("undercut_left", limit)]) for limit in (0.75, 0.4))
    assert accented(above) > accented(below) + 1000
    assert below.shape == above.shape


def test_gaps_are_hatched_through_all_panels() -> None:
    wave = np.linspace(0.1, 0.5, 30)
    plain, holed = drawn(wave), drawn(wave, gap=range(10, 16))
    column = holed.shape[1] * 12 // 30
    dark = [(picture[:, column - 5 : column + 5] < 200).any(axis=(1, 2)).sum() for picture in (plain, holed)]
    assert dark[1] > 2 * dark[0]


def test_a_limit_that_is_far_off_does_not_press_the_values_flat() -> None:
    far = {"criterion": "own leg", "quantity": "leg_left", "upper": 60.0, "lower": None}
    pictures = [drawn(np.zeros(20), outcomes=outcomes) for outcomes in ((), (far,))]
    assert all(picture.std() > 10 for picture in pictures)


def test_the_weightiest_limits_are_drawn_first() -> None:
    """With many limits the drawing's own were left out for rows of a code that every section meets."""

    def row(quantity, upper, verified="secondary", failed=0):
        return {"criterion": "code row", "quantity": quantity, "upper": upper, "lower": None, "verified": verified,
                "does_not_meet": failed, "undecided": 0}  # fmt: skip

    columns = Columns(1.0)
    names = ("overlap_left", "convexity", "leg_left", "throat", "undercut_left")
    items = {name: {"value": 1.0, "unit": "mm", "expanded_uncertainty": 0.01, "state": "measured"} for name in names}
    columns.add({"position_mm": 0.0, "weld": {"joint": "tee", "measurements": items}, "error": None})
    outcomes = [row("overlap_left", 0), row("convexity", 2), row("leg_left", 7, "given"), row("throat", 5, failed=1)]
    content = {"joints": columns.joints, "over": [over(columns, Threshold("undercut_left", 0.5))], "outcomes": outcomes}
    assert [panel.group for panel in _panels(columns, content)] == ["undercut", "throat", "leg", "convexity", "overlap"]


@pytest.mark.parametrize("count", [1, 2, 1000])
@pytest.mark.parametrize("units", ["metric", "inch"])
def test_any_number_of_sections(count: int, units: str) -> None:
    assert drawn(np.full(count, 0.2), [Threshold("undercut_left", 0.1)], units).std() > 10


def test_a_seam_without_any_value() -> None:
    assert drawn(np.zeros(3), gap=(0, 1, 2)).shape[0] > 100


@pytest.mark.parametrize("shape", [(8, 9), (8, 9, 3)])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_frames_for_the_screen(shape, kind) -> None:
    frame = np.zeros(shape, kind)
    frame[3, 4] = np.iinfo(kind).max
    if len(shape) == 3:
        frame[3, 4, :2] = 0  # red, last in the camera's order
    shown = for_screen(frame)
    assert (shown.shape, shown.dtype) == ((8, 9, 3), np.uint8)
    assert shown[3, 4].tolist() == ([255, 0, 0] if len(shape) == 3 else [255, 255, 255])


def test_an_offset_to_the_other_side_stands_out_as_well() -> None:
    columns = Columns(1.0)
    for number in range(20):
        items = {"misalignment": {"value": -0.8 if number < 6 else 0.6, "unit": "mm", "expanded_uncertainty": 0.01}}
        columns.add({"position_mm": float(number), "weld": {"joint": "butt", "measurements": items}, "error": None})
    threshold = Threshold("misalignment", 0.7)
    content = {"over": [over(columns, threshold)], "joints": columns.joints}
    assert _over(columns, content).tolist() == [True] * 6 + [False] * 14
    assert {limit for limit, _ in _panels(columns, content)[0].limits} == {0.7, -0.7}


def test_where_a_limit_is_not_met_the_seam_is_filled() -> None:
    columns = Columns(1.0)
    for number in range(20):
        items = {"undercut_left": {"value": 0.6, "unit": "mm", "expanded_uncertainty": 0.01}}
        columns.add({"position_mm": float(number), "weld": {"joint": "tee", "measurements": items}, "error": None})
    content = {"over": [], "outcomes": [{"does_not_meet_at_mm": [[3.0, 5.0], [19.0, 19.0]]}]}
    assert np.flatnonzero(_over(columns, content)).tolist() == [3, 4, 5, 19]


@pytest.mark.parametrize(("upper", "lower", "least"), [(2.0, None, False), (None, 0.5, True), (2.0, 0.5, True)])
def test_what_a_value_is_limited_by_tells_which_is_the_worst(upper, lower, least: bool) -> None:
    columns = Columns(1.0)
    for number in range(3):
        items = {"reinforcement": {"value": 1.0 + number, "unit": "mm", "expanded_uncertainty": 0.01}}
        columns.add({"position_mm": float(number), "weld": {"joint": "butt", "measurements": items}, "error": None})
    limit = {"criterion": "code crown", "quantity": "reinforcement", "upper": upper, "lower": lower}
    (panel,) = _panels(columns, {"over": [], "joints": columns.joints, "outcomes": [limit]})
    assert panel.least is least
