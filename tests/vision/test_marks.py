"""Marks that a person gives: what is taken, and the sentence for what is not."""

import json
from pathlib import Path

import pytest

from core.errors import UnreadableFile
from vision.marks import WeldMarks, read_marks


def written(tmp_path: Path, content: object) -> Path:
    path = tmp_path / "marks.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    return path


def test_marks_of_the_contract(tmp_path: Path) -> None:
    weld = {"joint": "tee", "toe_left": [10, 20.5], "plate_left": [[0, 0], [100, 0]], "toe_right": None}
    (marks,) = read_marks(written(tmp_path, {"welds": [weld]}))
    assert marks == WeldMarks("tee", (10.0, 20.5), None, ((0.0, 0.0), (100.0, 0.0)), None)


@pytest.mark.parametrize(
    ("content", "hint"),
    [
        ("", "empty"),
        ("{", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ([], "welds"),
        ({"welds": []}, "marks no weld"),
        ({"welds": [{}], "more": 1}, "nothing else"),
        ({"welds": [3]}, "weld 1: the marks must be an object"),
        ({"welds": [{}, {"toe": [1, 2]}]}, "weld 2: 'toe' is not known"),
        ({"welds": [{"joint": "corner"}]}, "joint 'corner' is not known"),
        ({"welds": [{"joint": ["tee"]}]}, "is not known"),
        ({"welds": [{"toe_left": [1]}]}, "toe_left must be a point"),
        ({"welds": [{"toe_left": [1, "2"]}]}, "toe_left must be a point"),
        ({"welds": [{"toe_left": [True, 2]}]}, "toe_left must be a point"),
        ('{"welds": [{"toe_left": [NaN, 2]}]}', "toe_left must be a point"),
        ('{"welds": [{"toe_left": [1e999, 2]}]}', "toe_left must be a point"),
        ({"welds": [{"toe_left": [1, 2], "toe_right": [1, 2]}]}, "same point"),
        ({"welds": [{"plate_left": [1, 2]}]}, "plate_left must be"),
        ({"welds": [{"plate_left": [[1, 2], [1, 2]]}]}, "two different points"),
        ({"welds": [{"wall_left": [[1, 2]]}]}, "wall_left needs two different points"),
        ({"welds": [{"wall_right": [[1, 2], [1, 2], [1, 2]]}]}, "wall_right needs two different points"),
        ({"welds": [{"wall_right": "left"}]}, "wall_right must be a list"),
    ],
)
def test_wrong_marks_are_named(tmp_path: Path, content: object, hint: str) -> None:
    with pytest.raises(UnreadableFile) as error:
        read_marks(written(tmp_path, content))
    assert hint in str(error.value)
    assert "\n" not in str(error.value)
