"""Rows on the disk while they come: what is half written, what belongs together, what is scanned at all."""

import csv
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from benchmarks.render.cloud import Scan, scan
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from core.errors import UnreadableFile, UsageError
from inspection.seam import Job
from inspection.seam import scan as sections_of
from inspection.seam_rows import ROWS, TABLE, Rows, cut_to_whole_rows, header, read_rows
from inspection.seam_source import kind_of, seam_source
from inspection.settings import Settings

SHAPE = "x_mm,z_mm\n" + "".join(f"{x},{max(0.0, -x)}\n" for x in range(-20, 21))


@pytest.fixture
def profiles(tmp_path: Path) -> Path:
    folder = tmp_path / "profiles"
    folder.mkdir()
    for number in (1, 2, 10):
        (folder / f"p{number}.csv").write_text(SHAPE)
    (folder / "notes.txt").write_text("kept beside")
    return folder


def entry(position: float) -> dict:
    return {"position_mm": position, "source": "a", "weld": None, "error": {"code": "e", "message": "m"}}


def head_of(folder: Path, pitch: float = 0.5, **settings) -> dict:
    chosen = Settings(**settings)
    return header(seam_source(folder, chosen, pitch), chosen, None)


def test_rows_are_on_the_disk_at_once_and_a_second_run_goes_on(profiles: Path, tmp_path: Path) -> None:
    head = head_of(profiles)
    with Rows(tmp_path, head, "auto") as rows:
        for number in range(3):
            rows.add(entry(float(number)))
            assert len((tmp_path / ROWS).read_text().splitlines()) == number + 1
            assert len((tmp_path / TABLE).read_text().splitlines()) == number + 2
    with (tmp_path / ROWS).open("a") as file:
        file.write('{"position_mm": 3.0, "sour')
    with Rows(tmp_path, head, "auto") as rows:
        assert rows.count == 3
        rows.add(entry(3.0))
    assert [item["position_mm"] for item in read_rows(tmp_path / ROWS)] == [0, 1, 2, 3]
    with (tmp_path / TABLE).open(newline="") as file:
        assert [line["position_mm"] for line in csv.DictReader(file)] == ["0.0", "1.0", "2.0", "3.0"]


@pytest.mark.parametrize(
    ("text", "left"), [("", 0), ("{}\n", 0), ("garbage\n", 0), (json.dumps(entry(0)) + "\n" + json.dumps(entry(1)), 1)]
)
def test_what_is_no_whole_row_is_cut_off(tmp_path: Path, text: str, left: int) -> None:
    path = tmp_path / ROWS
    path.write_text(text)
    assert cut_to_whole_rows(path) == left
    assert len(list(read_rows(path))) == left


def test_rows_of_something_else_are_refused(profiles: Path, tmp_path: Path) -> None:
    Rows(tmp_path, head_of(profiles), "auto").__exit__(None, None, None)
    with pytest.raises(UsageError, match="another pitch"):
        Rows(tmp_path, head_of(profiles, 0.6), "auto")
    with pytest.raises(UsageError, match="another joint"):
        Rows(tmp_path, head_of(profiles, joint="tee"), "auto")
    with pytest.raises(UsageError, match="another calibration"):
        Rows(tmp_path, head_of(profiles) | {"calibration_sha256": "0"}, "auto")
    with pytest.raises(UsageError, match="another version of the program"):
        Rows(tmp_path, head_of(profiles) | {"tool": {"name": "toeline", "version": "0.0.1"}}, "auto")
    (profiles / "p3.csv").write_text(SHAPE)
    with pytest.raises(UsageError, match="another source"):
        Rows(tmp_path, head_of(profiles), "auto")
    (tmp_path / "scan.json").write_text("[]")
    with pytest.raises(UnreadableFile, match="belong to"):
        Rows(tmp_path, head_of(profiles), "auto")


def test_numbers_in_names_are_counted(profiles: Path) -> None:
    pieces = list(seam_source(profiles, Settings(), 2.0).pieces(0))
    assert [(piece.name, piece.position_mm) for piece in pieces] == [("p1.csv", 0.0), ("p2.csv", 2.0), ("p10.csv", 4.0)]
    assert [piece.name for piece in seam_source(profiles, Settings(), 2.0).pieces(2)] == ["p10.csv"]


def test_what_cannot_be_scanned(profiles: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--pitch"):
        seam_source(profiles, Settings(), None)
    with pytest.raises(UsageError, match="leave --calibration out"):
        seam_source(profiles, Settings(calibration=Path("rig.json")), 1.0)
    with pytest.raises(UsageError, match="--along and --air"):
        seam_source(profiles, Settings(), 1.0, air=(0, 0, 1))
    with pytest.raises(UnreadableFile, match="no such file"):
        seam_source(tmp_path / "missing", Settings(), 1.0)
    with pytest.raises(UnreadableFile, match="is for 'toeline measure'"):
        kind_of(profiles / "p1.csv")
    cv2.imwrite(str(profiles / "f.png"), np.zeros((64, 64), np.uint8))
    with pytest.raises(UnreadableFile, match="pictures and profiles"):
        kind_of(profiles)
    (tmp_path / "empty").mkdir()
    with pytest.raises(UnreadableFile, match="no frame and no profile"):
        kind_of(tmp_path / "empty")


def test_profiles_as_text_are_scanned_where_there_is_nothing_else(profiles: Path) -> None:
    assert [piece.name for piece in seam_source(profiles, Settings(), 1.0).pieces(0)] == ["p1.csv", "p2.csv", "p10.csv"]
    (profiles / "notes.txt").unlink()
    for path in profiles.glob("*.csv"):
        path.rename(path.with_suffix(".txt"))
    source = seam_source(profiles, Settings(), 1.0)
    assert source.kind == "profiles"
    assert [piece.name for piece in source.pieces(0)] == ["p1.txt", "p2.txt", "p10.txt"]


def test_a_cloud_is_one_more_source(tmp_path: Path) -> None:
    ends = {"through_left": PlateEnd(25), "through_right": PlateEnd(35), "standing": PlateEnd(35)}
    drawing = tee(through_thickness_mm=10, standing_thickness_mm=8, right=FilletShape(6.0, 7.0, 0.5), **ends)
    points = scan(drawing, Scan(length_mm=12.0, per_mm2=16.0), 4).points_mm
    path = tmp_path / "seam.npy"
    np.save(path, points)
    source = seam_source(path, Settings(joint="tee"), 2.0)
    entries = list(sections_of(source, Job(Settings(joint="tee"), None)))
    assert (source.kind, len(entries)) == ("cloud", source.count)
    assert [item["position_mm"] for item in entries][:3] == [0.0, 2.0, 4.0]
    legs = [item["weld"]["measurements"]["leg_left"]["value"] for item in entries if item["weld"] is not None]
    assert len(legs) >= 4
    assert np.median(legs) == pytest.approx(6.0, abs=0.3) or np.median(legs) == pytest.approx(7.0, abs=0.3)
    assert any("direction found" in note for note in source.notes)
