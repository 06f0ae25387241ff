"""Fields of the trade: the template that fills a batch, and what a macro examination report would lack."""

from pathlib import Path

import pytest

from core.errors import UnreadableFile, UsageError
from records.identification import FIELDS, Identification, missing_for_macro_report, read_template


def template(path: Path, text: str) -> Identification:
    path.write_text(text, encoding="utf-8")
    return read_template(path)


def test_template(tmp_path: Path) -> None:
    lines = ('welder = " Å. Smith "', 'job = "Footbridge" # comment', "weld_number = 7",
             "date_of_examination = 2025-03-01", 'etchant = ""')  # fmt: skip
    found = template(tmp_path / "job.toml", "\n".join(lines))
    assert found == {
        "job": "Footbridge",
        "weld_number": "7",
        "welder": "Å. Smith",
        "date_of_examination": "2025-03-01",
    }
    assert list(found) == ["job", "weld_number", "welder", "date_of_examination"]  # the order of pages


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('weldr = "A"', "'weldr' is no field of the identification: do you mean 'welder'"),
        ('colour_of_the_sky = "A"', "use job, drawing"),
        ("magnification = 1.5", "magnification must be text in quotes"),
        ("job = true", "job must be text in quotes"),
        ("[job]\nname = 'x'", "job must be text in quotes"),
        ('job = "a\\nb"', "one line of text"),
        ('job = "\\u001b[31m"', "one line of text"),
        (f'job = "{"x" * 501}"', "at most 500"),
        ("job = ", "must be TOML"),
        ('job = "a"\njob = "b"', "must be TOML"),
    ],
)
def test_templates_that_are_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(UnreadableFile, match=message) as told:
        template(tmp_path / "job.toml", text)
    assert str(tmp_path / "job.toml") in str(told.value)


def test_template_files_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes('job = "Brücke"'.encode("latin-1"))
    with pytest.raises(UnreadableFile, match="UTF-8"):
        read_template(tmp_path / "latin.toml")
    with pytest.raises(UnreadableFile, match="no such file"):
        read_template(tmp_path / "none.toml")


def test_unknown_field() -> None:
    with pytest.raises(UsageError, match="no field"):
        Identification({"x": "y"})


def test_everything_is_missing_from_nothing() -> None:
    missing = missing_for_macro_report(Identification())
    # ISO 17639:2022 clause 8.1, as read in AS/NZS 2205.5.1:2019: parent metals and consumables, object of the test,
    # etchant, surface finish, etching method, etching time, additional measures, additional requirements.
    assert {
        "parent metal", "welding consumable", "object of the test", "etchant", "surface finish", "etching method",
        "etching time", "additional (safety) measures", "additional requirements",
    } <= set(missing)  # fmt: skip
    # Clause 7: where the section lies and how it runs; clause 11 from memory.
    assert {"position and direction of the section", "examiner", "date of the examination"} <= set(missing)
    assert not {"job", "welder", "drawing"} & set(missing)


def test_nothing_is_missing_when_all_is_answered() -> None:
    assert missing_for_macro_report(Identification(dict.fromkeys(FIELDS, "none"))) == []
    partial = Identification({"etchant": "as named", "etching_time": "  "})
    assert "etchant" not in missing_for_macro_report(partial)
    assert "etching time" in missing_for_macro_report(partial)


def test_what_is_from_memory_says_so() -> None:
    assert all("memory" in field.basis for field in FIELDS.values() if field.basis and "clause 11" in field.basis)
