"""Sections at places from a table: what was lost is a gap, and a table that does not fit is refused by its line."""

from pathlib import Path

import numpy as np
import pytest

from core.errors import UnreadableFile, UsageError
from inspection.seam_positions import NO_SECTION, at_positions, read_positions
from inspection.seam_source import Piece, Source


def source(count: int | None, name: str = "frame{:02d}.jpg") -> Source:
    def pieces(first: int):
        for number in range(first, count or 0):
            yield Piece(float(number), name.format(number), path=Path(name.format(number)))

    return Source(Path("seam"), "frames", 1.0, count, "abc", pieces)


def table(folder: Path, text: str) -> Path:
    path = folder / "places.csv"
    path.write_text(text, encoding="utf-8")
    return path


def placed(folder: Path, text: str, count: int = 4, pitch_mm: float | None = None):
    found = at_positions(source(count), read_positions(table(folder, text)), pitch_mm)
    return found, [(piece.position_mm, piece.name, piece.error and str(piece.error)) for piece in found.pieces(0)]


def test_a_lost_section_is_a_gap_and_moves_none_that_follow(tmp_path: Path) -> None:
    found, pieces = placed(tmp_path, "position (mm)\n10\n10,5\n11,5\n12\n")
    assert pieces == [
        (0.0, "frame00.jpg", None),
        (0.5, "frame01.jpg", None),
        (1.0, "none at 1 mm", NO_SECTION),
        (1.5, "frame02.jpg", None),
        (2.0, "frame03.jpg", None),
    ]
    assert (found.count, found.pitch_mm) == (5, 0.5)
    assert found.notes == (
        "positions from places.csv, taken to the nearest 0.5 mm, at most 0 mm off",
        "1 places without a section",
    )


@pytest.mark.parametrize("first", range(6))
def test_a_scan_goes_on_anywhere(first: int, tmp_path: Path) -> None:
    found, pieces = placed(tmp_path, "position\n0 mm\n1 mm\n3 mm\n5 mm\n", pitch_mm=1.0)
    assert [piece.name for piece in found.pieces(first)] == [name for _, name, _ in pieces[first:]]


def test_sections_are_named_in_any_order_and_the_rig_may_run_backwards(tmp_path: Path) -> None:
    rows = ("frame03,1 in", "FRAME02.JPG,1 1/16 in", "frame01.jpg,1 1/8 in", "frame00,1 3/16 in")
    _, pieces = placed(tmp_path, "source,position\n" + "\n".join(rows) + "\n")
    assert [name for _, name, _ in pieces] == [f"frame0{number}.jpg" for number in range(4)]
    assert [place for place, _, _ in pieces] == pytest.approx(np.arange(4) * 25.4 / 16)


def test_scatter_of_the_places_does_not_add_up(tmp_path: Path) -> None:
    """A median of 0.501 mm, taken for the pitch of 4000 sections, would be 4 sections off at their end."""
    generator = np.random.default_rng(11)
    places = np.arange(4000) * 0.5 + generator.uniform(-0.1, 0.1, 4000)
    text = "position (mm)\n" + "".join(f"{place:.3f}\n" for place in places)
    found, pieces = placed(tmp_path, text, 4000)
    assert found.count == 4000
    assert not any(error for _, _, error in pieces)
    assert found.pitch_mm == pytest.approx(0.5, abs=1e-4)


def test_another_table_is_another_source(tmp_path: Path) -> None:
    one, _ = placed(tmp_path, "position (mm)\n0\n1\n2\n3\n")
    other, _ = placed(tmp_path, "position (mm)\n0\n1\n2\n4\n")
    assert len({one.fingerprint, other.fingerprint, source(4).fingerprint}) == 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("position (mm)\n0\n1\n2\n", "it holds 3 positions for 4 sections"),
        ("position (mm)\n0\n2\n1\n3\n", "line 4: section 3 does not lie beyond section 2"),
        ("position (mm)\n0\n1\n1\n3\n", "line 4: section 3 does not lie beyond section 2"),
        ("position (mm)\n0\n1\n1.1\n3\n", "section 2 and section 3 lie 0.1 mm apart, at a pitch of 1 mm"),
        ("position (m)\n0\n1\n2\n3\n", 'no column "position"'),
        ("position\n0 m\n1 m\n2 m\n3000 m\n", "check unit and --pitch"),
        ("source,position (mm)\nframe00,0\nframe01,1\nframe02,2\n", "no row for frame03.jpg"),
        ("source,position (mm)\nframe00,0\nframe00,1\nframe02,2\nframe03,3\n", "2 rows for frame00.jpg"),
        ("source,position (mm)\nframe00,0\nframe01,1\nframe02,2\nframe03,3\nx,4\n", "line 6: 'x' is not among"),
        ("position\n0\n1\n2\n3\n", "line 2: the position '0' names no unit"),
        ("position\n0 mm\n1 deg\n2 mm\n3 mm\n", "line 3: the position is no length"),
        ("position (mm)\n0\nx\n2\n3\n", "line 3: the position is not understood"),
        ("source,position (mm)\nframe00,\nframe01,1\n", "line 2: the position is blank"),
        ("position (mm)\n0\n", "at least 2 sections are needed"),
        ("place\n0\n", 'no column "position"'),
    ],
)
def test_a_table_that_does_not_fit_says_where(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises((UsageError, UnreadableFile)) as error:
        placed(tmp_path, text, pitch_mm=1.0)
    assert words in str(error.value)
    assert "places.csv" in str(error.value)
    assert "\n" not in str(error.value)


def test_a_video_does_not_tell_how_many_frames_it_holds(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="write them to files"):
        at_positions(source(None), read_positions(table(tmp_path, "position (mm)\n0\n1\n")), None)
