"""Files of limits: a drawing's own, and all the ways in which a file can be wrong, each with its one line."""

from pathlib import Path

import pytest

from core.errors import UnreadableFile, UsageError
from criteria import built_in, chosen_limits, find, read_set

GOOD = """
title = "Bracket, drawing 12 rev B"
require = ["a5", "leg >= 1/4 in"]

[given]
thickness = "10 mm"
seam = "plate"

[[limit]]
id = "gap"
quantity = "root_gap"
joints = ["tee", "lap"]
direction = "range"
[[limit.case]]
when = "t > 3"
low = 0.5
limit = "min(2, 0.2*t)"
"""


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "own.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_drawings_own_file(tmp_path: Path) -> None:
    own = read_set(write(tmp_path, GOOD))
    assert (own.name, own.title, own.levels) == ("own", "Bracket, drawing 12 rev B", ())
    assert (own.given.thickness_mm, own.given.nominal_throat_mm, own.given.seam) == (10, 5, "plate")
    for system in ("metric", "inch"):
        gap, throat, leg = own.limits("", system)
        assert gap.bounds(gap.cases[0], {"t": 4}) == (0.5, 0.8)
        assert (throat.quantity, leg.own_unit, leg.source) == ("design_throat", "in", own.title)
        assert gap.cases[0].verified == "given"


def replaced(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new)


REST = '\nquantity = "throat"\njoints = ["tee"]\ndirection = "lower"\n'
DEEP = "(" * 1_000_000 + "1" + ")" * 1_000_000


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        (b"", "the file is empty"),
        (GOOD[:-20], "not a file of limits"),
        (b"\xff\xfe\x00t", "not a file of limits"),
        (b"\x89PNG\r\n\x1a\n", "not a file of limits"),
        ("a = " + "[" * 100_000, "not a file of limits"),
        ("title = 'x'", "holds no limit"),
        ("#" * 1_000_001, "too large"),
        (replaced('id = "gap"', "id = 3"), "id must be text, got 3"),
        (replaced('id = "gap"\n', ""), "id is missing"),
        (replaced("low = 0.5", "low = nan"), "a formula is text or a finite number, got nan"),
        (replaced("low = 0.5", "low = inf"), "a formula is text or a finite number, got inf"),
        (replaced("low = 0.5", "low = true"), "got True"),
        (replaced("low = 0.5", "low = []"), "got []"),
        (replaced("low = 0.5\n", ""), "a range has low and limit"),
        (replaced('limit = "min(2, 0.2*t)"', f'limit = "{DEEP[:900_000]}"'), "too long"),
        (replaced('"min(2, 0.2*t)"', '"exec(t)"'), "not understood"),
        (replaced('"min(2, 0.2*t)"', '"2*q"'), "not understood"),
        (replaced('"min(2, 0.2*t)"', '"2 mm"'), "leave its unit out"),
        (replaced('"min(2, 0.2*t)"', "0.4"), "low 0.5 is not below limit 0.4"),
        (replaced('"min(2, 0.2*t)"', '"-2"'), "limit must be 0 or more, got -2"),
        (replaced('"min(2, 0.2*t)"', '"1/0"'), "limit 1, case 1: the formula '1/0' cannot be computed"),
        (replaced('limit = "min(2, 0.2*t)"', ""), "limit is missing"),
        (replaced('"t > 3"', '"t"'), "must be a comparison"),
        (replaced('"root_gap"', '"rootgap"'), "is no measured value, see root_gap"),
        (replaced('"min(2, 0.2*t)"', '"0.1*b"'), "b is a measured width: say which one"),
        (replaced('"min(2, 0.2*t)"', '"0.1*l"'), "stands in extent alone"),
        (f"# café\n{GOOD}".encode("cp1252"), "no UTF-8 text"),
        (replaced('"root_gap"', '"weld_area"'), "cannot be limited"),
        (replaced('"tee", "lap"', '"tee", "corner"'), "'corner' must be one of tee"),
        (replaced('"range"', '"both"'), "direction 'both' must be one of upper"),
        (replaced('direction = "range"', 'direction = "range"\nmeasured = {q = "cap_width"}'), "measured takes names"),
        (replaced('direction = "range"', 'direction = "range"\nreference = "b"'), "reference 'b'"),
        (replaced('"10 mm"', '"10"'), "needs a unit"),
        (replaced('thickness = "10 mm"', "thickness = 10"), 'write thickness = "10 mm"'),
        (replaced('"a5"', '"a"'), "not understood"),
        (replaced('["a5", "leg >= 1/4 in"]', '"a5"'), 'write require = ["a5"]'),
        (replaced("title", "titel"), "'titel' is not known here"),
        ("limit = 3", "limit must be a list of tables"),
        ("limit = [3]", "a table is expected"),
        (GOOD + 'levels = ["B"]\n', "'levels' is not known here"),
        ('levels = ["B"]\n' + GOOD, "levels are for the built-in sets"),
        (GOOD + '[[limit]]\nid = "gap"' + REST + "[[limit.case]]\nlimit = 3\n", "used twice"),
        (GOOD + '[[limit]]\nid = "x"' + REST, "no [[limit.case]]"),
    ],
)
def test_a_wrong_file_says_where(tmp_path: Path, text: str | bytes, hint: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(UnreadableFile) as error:
        read_set(path)
    message = str(error.value)
    assert message.startswith(str(path))
    assert hint in message
    assert len(message.removeprefix(str(path))) < 400
    assert "\n" not in message


def test_a_missing_file(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(UnreadableFile):
            read_set(path)


def test_sets_are_found_by_name() -> None:
    assert find("ISO5817-2014-c") == (find("iso5817-2014")[0], "C")
    with pytest.raises(UsageError, match="did you mean iso5817-2014-"):
        find("iso5817-2014-E")
    with pytest.raises(UsageError, match="name one: iso5817-2014-B"):
        chosen_limits("iso5817-2014", "metric")
    with pytest.raises(UsageError, match="no set of limits"):
        find("")
    assert len({limits.name for limits in built_in()}) == len(built_in()) >= 8


@pytest.mark.parametrize(
    ("short", "meant"),
    [
        ("ISO 5817", [f"iso5817-{year}-{level}" for year in (2014, 2023) for level in "BCD"]),
        ("iso5817-C", ["iso5817-2014-C", "iso5817-2023-C"]),
        ("AWS D1.1", ["aws-d1.1-2020-static", "aws-d1.1-2020-cyclic"]),
        ("d1.1", ["aws-d1.1-2020-static", "aws-d1.1-2020-cyclic"]),
        ("API1104", ["api-1104-20"]),
    ],
)
def test_a_name_as_people_shorten_it_is_answered_by_all_that_it_may_mean(short: str, meant: list[str]) -> None:
    with pytest.raises(UsageError) as error:
        find(short)
    assert f"did you mean {', '.join(meant)}?" in str(error.value)


def test_units_are_the_sets_own() -> None:
    """A set written in mm only serves in mm whatever is asked for; a code with both tables serves each."""
    assert {limit.own_unit for limit in chosen_limits("iso5817-2014-B", "inch")[1]} == {"mm", "deg"}
    assert {limit.own_unit for limit in chosen_limits("api-1104-20", "inch")[1]} == {"in"}
    assert {limit.system for limit in chosen_limits("asme-b16.25-2017-general", "inch")[1]} == {"inch"}
    assert {limit.system for limit in chosen_limits("asme-b16.25-2017-gtaw", "inch")[1]} == {"metric"}


def test_a_name_with_spaces_stays_apart_from_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "drawing 12 B.toml"
    path.write_text('require = ["leg >= 5 mm"]')
    (limit,) = read_set(path).limits("", "metric")
    assert limit.criterion == "drawing-12-B"
