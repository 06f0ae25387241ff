"""Marks of a person are taken at their word, but not where they can mark nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from inspection.picture import measure_file
from inspection.settings import Settings
from vision.marks import WeldMarks

TEE = Path(__file__).parents[2] / "sample_images" / "tee.jpg"


@pytest.fixture(scope="module")
def found() -> dict:
    return _measured(None)["welds"][0]["points_px"]


def _measured(mark: WeldMarks | None) -> dict:
    marks = None if mark is None else (mark,)
    return measure_file(TEE, Settings(scale_mm_per_px=0.028, joint="tee", inside="off", marks=marks))


def _toes(left: list[float], right: list[float]) -> WeldMarks:
    return WeldMarks(toe_left=(left[0], left[1]), toe_right=(right[0], right[1]))


def test_toes_that_have_changed_sides_give_no_weld(found: dict) -> None:
    assert _measured(_toes(found["toe_left"], found["toe_right"]))["welds"]
    crossed = _measured(_toes(found["toe_right"], found["toe_left"]))
    assert crossed["welds"] == []
    assert crossed["error"]["code"] == "crossed_toes"


def test_a_mark_outside_the_picture_is_refused(found: dict) -> None:
    refused = _measured(_toes([-3.0, 10.0], found["toe_right"]))
    assert refused["welds"] == []
    assert "the mark toe_left of weld 1, -3,10, lies outside this picture" in refused["error"]["message"]
    low = WeldMarks(plate_right=((10.0, 10.0), (10.0, 1e5)))
    assert "the mark plate_right of weld 1, 10,100000, lies outside" in _measured(low)["error"]["message"]


def test_a_toe_off_the_outline_is_told(found: dict) -> None:
    x, y = found["toe_left"]
    marked = _measured(_toes([x + 60.0, y - 60.0], found["toe_right"]))["welds"][0]
    told = {flag["code"]: flag["message"] for flag in marked["flags"]}
    assert "the left toe as given lies 1." in told["mark_off_outline"]
    true = _measured(_toes([x, y], found["toe_right"]))["welds"][0]
    assert "mark_off_outline" not in {flag["code"] for flag in true["flags"]}


def test_plate_lines_that_do_not_meet_near_the_weld_give_none(found: dict) -> None:
    (x, y), (right, _) = found["toe_left"], found["toe_right"]
    along = WeldMarks(plate_left=((x, y), (right, y)), plate_right=((x, y + 90.0), (right, y + 90.1)))
    assert _measured(along)["error"]["code"] == "no_root"
