"""Tables of readings as people write them: every way to write a number, and every way a file can be wrong."""

from pathlib import Path

import pytest

from core.errors import UnreadableFile, UsageError
from inspection.readings import parse_reading, read_readings, read_study

HEAD = "source,quantity,reading,gauge,operator\n"


def write(folder: Path, content: str | bytes) -> Path:
    path = folder / "readings.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(
    ("text", "unit", "value", "kind"),
    [
        ("3/8 in", None, 9.525, "mm"),
        ("3/8", "in", 9.525, "mm"),
        ('3/8"', None, 9.525, "mm"),
        ("3/8", None, 9.525, "mm"),
        ("1/2", None, 12.7, "mm"),
        ("-1/16", None, -1.5875, "mm"),
        ("1 1/16", None, 26.9875, "mm"),
        ("1-1/16", None, 26.9875, "mm"),
        ("3/8", "mm", 0.375, "mm"),
        ("1 1/16 in", None, 26.9875, "mm"),
        ("1-1/16 in", None, 26.9875, "mm"),
        ("⅜ in", None, 9.525, "mm"),
        ("1½″", None, 38.1, "mm"),
        ("¼", None, 6.35, "mm"),
        ("1⁄4 in", None, 6.35, "mm"),
        ("5/16 in.", None, 7.9375, "mm"),
        ("1/4''", None, 6.35, "mm"),
        ("37 deg.", None, 37.0, "deg"),
        ("9.5 mm", None, 9.5, "mm"),
        ("9.5mm", None, 9.5, "mm"),
        ("9,5 mm", None, 9.5, "mm"),
        ("9,5", "mm", 9.5, "mm"),
        (",5", "mm", 0.5, "mm"),
        ("0,125", "in", 3.175, "mm"),
        ("9.5 mm", "mm", 9.5, "mm"),
        ("−0,2 mm", None, -0.2, "mm"),
        ("0", "mm", 0.0, "mm"),
        ("37.5°", None, 37.5, "deg"),
        ("37,5", "deg", 37.5, "deg"),
        ("37 degrees", None, 37.0, "deg"),
        ("0.95 cm", None, 9.5, "mm"),
    ],
)
def test_a_reading_is_taken_as_written(text: str, unit: str | None, value: float, kind: str) -> None:
    number, found = parse_reading(text, unit)
    assert (number, found) == (pytest.approx(value, abs=1e-12), kind)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("9.5", None, 'names no unit: write "9.5 mm"'),
        ("6 1/2", None, 'names no unit: write "6 1/2 in"'),
        ("2/3", None, "names no unit"),
        ("1,250 mm", None, "could mean two numbers"),
        ("12,000", "mm", "could mean two numbers"),
        ("about 6 mm", None, "not understood"),
        ("6 mm", "deg", "contradict"),
        ("6 mm", "in", "contradict"),
        ("1/4 in", "mm", "contradict"),
        ("3/0 in", None, "divides by zero"),
        ("1/2°", None, "not understood"),
        ("6 kg", None, "needs a unit of length"),
        ("nan mm", None, "not understood"),
        ("1e9 mm", None, "too large"),
        ("1e999 mm", None, "not a finite number"),
        ("6 mm or so", None, "unit that is not known"),
        ("1,2,3 mm", None, "not understood"),
    ],
)
def test_what_is_no_reading_says_why(text: str, unit: str | None, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parse_reading(text, unit)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_any_usual_table(separator: str, encoding: str, ending: str, tmp_path: Path) -> None:
    lines = [
        separator.join(("Operator", "READING", "Source", "quantity", "remarks")),
        separator.join(("José", '"9,5 mm"', "tee.jpg", '"leg, left"', "")),
        separator.join(("B", "37.5°", "groove.jpg", "bevel angle left", "x")),
        "",
    ]
    found = read_readings(write(tmp_path, ending.join(lines).encode(encoding)))
    assert found.bad == ()
    assert [(row.line, row.operator, row.quantity, row.value, row.unit) for row in found.rows] == [
        (2, "José", "leg_left", 9.5, "mm"),
        (3, "B", "bevel_angle_left", 37.5, "deg"),
    ]
    assert found.unused == ("remarks",)
    assert (found.rows[0].weld, found.rows[0].gauge) == ("1", "not named")


def test_decimal_comma_needs_no_quotes_under_another_separator(tmp_path: Path) -> None:
    found = read_readings(write(tmp_path, "source;quantity;reading\ntee.jpg;leg_left;9,5 mm\n"))
    assert found.rows[0].value == 9.5


def test_remarks_and_blank_lines_are_passed_over_and_counted(tmp_path: Path) -> None:
    text = "sep=,\n# invented\n\n" + HEAD + "\n# more\ntee.jpg,throat,5 mm,seat,A\n,,,,\n"
    found = read_readings(write(tmp_path, text))
    assert [row.line for row in found.rows] == [7]
    assert found.bad == ()


def test_a_bad_row_names_its_line_and_the_rest_serves(tmp_path: Path) -> None:
    rows = [
        "tee.jpg,throat,5 mm,seat,A",
        "tee.jpg,throat,five,seat,A",
        "tee.jpg,throat",
        "tee.jpg,throat,5,5 mm,seat,A",
        ",throat,5 mm,seat,A",
        "tee.jpg,throat,5.5,seat,A",
        'tee.jpg,throat,"5 mm,seat,A',
        "tee.jpg,throat,6 mm,seat,A",
    ]
    found = read_readings(write(tmp_path, HEAD + "\n".join(rows)))
    assert [row.line for row in found.rows] == [2, 9]
    reasons = {row.line: row.reason for row in found.bad}
    assert list(reasons) == [3, 4, 5, 6, 7, 8]
    assert "not understood" in reasons[3]
    assert "2 cells where the header has 5" in reasons[4]
    assert "6 cells where the header has 5" in reasons[5]
    assert "'source' is blank" in reasons[6]
    assert "names no unit" in reasons[7]
    assert "cannot be split" in reasons[8]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"\n\n  \n", "no line of text"),
        (b"PK\x03\x04\x00\x00\x08binary", "not a text file"),
        (b"\x89PNG\r\n\x1a\n", "not a text file"),
        (b"\xff\xfea", "not a text file"),
        (b"picture,quantity,reading\n", 'no column "source"'),
        (b"just some words\n", 'no column "source"'),
        (b"source,quantity,reading,reading\n", "twice"),
        (b'"source,quantity,reading\n', "header cannot be read"),
    ],
)
def test_a_file_that_is_no_table(content: bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match=words) as caught:
        read_readings(write(tmp_path, content))
    assert "\n" not in str(caught.value)


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    with path.open("wb") as file:
        file.write(HEAD.encode())
        file.truncate(30_000_000)
    with pytest.raises(UnreadableFile, match="split it"):
        read_readings(path)
    many = write(tmp_path, HEAD + "t,throat,5 mm,g,A\n" * 100_001)
    with pytest.raises(UnreadableFile, match="more than 100000 rows"):
        read_readings(many)


def test_every_cut_of_a_file_is_read_or_refused(tmp_path: Path) -> None:
    """A truncated copy gives fewer readings, never other ones: what lacks its last cells is named."""
    whole = (HEAD + 'tee.jpg,"leg, left",3/8 in,"blades ""x""",A\ntee.jpg,throat,5 mm,seat,B\n').encode()
    full = {(row.line, row.value, row.gauge) for row in read_readings(write(tmp_path, whole)).rows}
    assert len(full) == 2
    for end in range(1, len(whole)):
        try:
            found = read_readings(write(tmp_path, whole[:end]))
        except UnreadableFile:
            continue
        assert {(row.line, row.value, row.gauge) for row in found.rows} <= full


def test_signs_that_do_not_print_are_taken_out(tmp_path: Path) -> None:
    found = read_readings(write(tmp_path, HEAD + "tee.jpg,throat,5\u00a0mm,seat\u202e,A\n"))
    assert found.bad == ()
    assert (found.rows[0].value, found.rows[0].gauge) == (5.0, "seat")


@pytest.mark.parametrize("head", ["reading (mm)", "Reading [mm]", "reading_mm", "Reading in mm", "reading mm"])
def test_a_unit_beside_the_name_of_the_column_holds_for_all(head: str, tmp_path: Path) -> None:
    path = write(tmp_path, f"source,quantity,{head}\ntee.jpg,throat,5.5\ntee.jpg,throat,1/4 in\n")
    found = read_readings(path)
    assert [(row.value, row.unit) for row in found.rows] == [(5.5, "mm")]
    assert [(row.line, "contradict" in row.reason) for row in found.bad] == [(3, True)]
    study = read_study(write(tmp_path, f"part,operator,{head.replace('mm', 'in')}\n1,A,0.25\n"))
    assert [(row.value, row.unit) for row in study.rows] == [(pytest.approx(6.35), "mm")]


def test_other_columns_of_two_words_keep_their_names(tmp_path: Path) -> None:
    found = read_readings(write(tmp_path, "source,quantity,reading,unit,reading note\ntee.jpg,throat,5.5,mm,x\n"))
    assert found.rows[0].value == 5.5


def test_what_a_table_program_makes_of_numbers_and_names(tmp_path: Path) -> None:
    rows = "tee.jpg,left leg,6.4 mm,2.0\ntee.jpg,bevel angle left,37,1\ntee.jpg,misalignment,–0.2 mm,1\n"
    found = read_readings(write(tmp_path, "source,quantity,reading,weld\n" + rows))
    assert [(row.quantity, row.weld, row.value) for row in found.rows] == [
        ("leg_left", "2", 6.4),
        ("misalignment", "1", -0.2),
    ]
    assert 'write "37 deg"' in found.bad[0].reason


def test_a_study_takes_plain_numbers_when_none_has_a_unit(tmp_path: Path) -> None:
    path = write(tmp_path, "part,operator,reading\n1,A,0.29\n1,A,-0.56\n2,A,3/8 in\n2,A,x\n")
    found = read_study(path)
    assert [(row.value, row.unit) for row in found.rows] == [(0.29, ""), (-0.56, ""), (pytest.approx(9.525), "mm")]
    assert [row.line for row in found.bad] == [5]
    assert [row.unit for row in read_study(path, unit="mm").rows] == ["mm", "mm", "mm"]
