"""What a result keeps of its settings is enough to measure again in the same way."""

import json
from pathlib import Path

import pytest

from inspection.settings import Settings, settings_entry, settings_of
from vision.marks import parse_marks


def test_settings_come_back_from_a_result() -> None:
    chosen = Settings(
        joint="tee",
        source="macro",
        calibration=Path("tee.cal.json"),
        thickness_mm=8.0,
        operator="A. Example",
        region=(10, 20, 300, 200),
        inside="on",
        pore_size_mm=0.35,
        tone_curve="srgb",
    )
    entry = json.loads(json.dumps(settings_entry(chosen)))
    assert settings_of(entry, "macro") == chosen


def test_what_an_older_result_does_not_name_counts_as_not_chosen() -> None:
    assert settings_of({"joint": "butt"}, "macro") == Settings(joint="butt", source="macro")


@pytest.mark.parametrize("more", [{}, {"fusion": [[100, 150], [120, 160]]}])
def test_marks_come_back_from_a_result(more: dict) -> None:
    marks = parse_marks({"welds": [{"joint": "tee", "toe_left": [612.5, 600.0], **more}]}, "marks.json")
    chosen = Settings(joint="tee", source="macro", marks=marks)
    entry = json.loads(json.dumps(settings_entry(chosen)))
    assert settings_of(entry, "macro") == chosen
    assert set(entry["marks"][0]) == {"joint", "toe_left", *more}


def test_lines_that_nobody_drew_do_not_spoil_an_older_result() -> None:
    welds = [{"joint": "tee", "toe_left": [612.5, 600.0], "fusion": [], "wall_left": [], "wall_right": []}]
    found = settings_of({"joint": "tee", "marks": welds}, "macro").marks
    assert found == parse_marks({"welds": [{"joint": "tee", "toe_left": [612.5, 600.0]}]}, "marks.json")
