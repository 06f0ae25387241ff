"""The calibration file: exact both ways, and closed to what is not one."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pytest

from calibration.board import calibrate_board
from calibration.corners import Board
from calibration.file import Origin, read_calibration, write_calibration
from calibration.model import Calibration, Lens, from_pixel_size
from calibration.points import calibrate_points
from core.errors import CalibrationRefused, UnreadableFile, UsageError

ORIGIN = Origin("photo.jpg", "ab" * 32, "2025-03-01T10:00:00", "A. Smith")


@pytest.fixture
def calibration() -> Calibration:
    return calibrate_points((100.0, 200.0), (900.0, 260.0), 50.0, size_px=(1200, 800))


def same(first: Calibration, second: Calibration) -> bool:
    lens = (first.lens is None) == (second.lens is None)
    if first.lens is not None and second.lens is not None:
        lens = np.array_equal(first.lens.camera_matrix, second.lens.camera_matrix) and np.array_equal(
            first.lens.distortion, second.lens.distortion
        )
    return bool(
        lens
        and first.kind == second.kind
        and np.array_equal(first.px_to_mm, second.px_to_mm)
        and np.array_equal(first.px_to_mm_covariance, second.px_to_mm_covariance)
        and dict(first.relative_std) == dict(second.relative_std)
        and first.centre_px == second.centre_px
        and first.lens_growth_per_px2 == second.lens_growth_per_px2
        and first.flags == second.flags
        and first.size_px == second.size_px
    )


def test_round_trip_is_exact(draw, tmp_path):
    raster, first = draw.charuco(6, 4)
    view = draw.view(7, -5, 20, 6.0, 2000.0, (450.0, 350.0), (first[0] + 25, first[1] + 15))
    lens = Lens(np.array([[2000.0, 0, 450], [0, 2000, 350], [0, 0, 1]]), np.zeros(5), 900, 700)
    made = calibrate_board(draw.seen(raster, 8, view, (900, 700)), Board("charuco", 6, 4, 10.0), lens=lens)
    path = tmp_path / "cal.json"
    write_calibration(path, made, ORIGIN)
    read = read_calibration(path)
    assert same(made, read)
    assert read.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert read.provenance["origin"] == {
        "source": "photo.jpg",
        "sha256": "ab" * 32,
        "date": ORIGIN.date,
        "operator": "A. Smith",
    }
    points = np.array([[10.0, 20.0], [700.0, 600.0]])
    assert np.array_equal(made.to_mm(points), read.to_mm(points))
    again = tmp_path / "again.json"
    write_calibration(again, read)
    assert again.read_bytes() == path.read_bytes()


def test_a_calibration_without_origin_is_not_written(calibration, tmp_path):
    with pytest.raises(UsageError, match="picture it comes from"):
        write_calibration(tmp_path / "cal.json", calibration)
    with pytest.raises(UsageError, match="date"):
        Origin("a", "b", "yesterday")
    with pytest.raises(UnreadableFile, match="cannot be written"):
        write_calibration(tmp_path / "no" / "cal.json", calibration, ORIGIN)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("schema", "toeline.lens/1"), ("schema", None), ("kind", "magic"), ("px_to_mm", [[1, 0], [0, 1]]),
        ("px_to_mm", [[0.02, 0, 0], [0, 0.02, 0], [0, 0, 1]]), ("px_to_mm", [[0, 0, 0], [0, 0, 0], [0, 0, 1]]),
        ("px_to_mm", [["1", "0", "0"], ["0", "-1", "0"], ["0", "0", "1"]]), ("centre_px", [True, False]),
        ("px_to_mm", [["a", 0, 0], [0, -1, 0], [0, 0, 1]]), ("px_to_mm", [[1e30, 0, 0], [0, -1e30, 0], [0, 0, 1]]),
        ("relative_std", {}), ("relative_std", {"scale": -0.1}), ("relative_std", {"scale": 3.0}),
        ("relative_std", {"scale": True}), ("relative_std", {"scale": 0.1, "luck": 0.1}), ("relative_std", 7),
        ("centre_px", [1.0]), ("lens_growth_per_px2", -1), ("lens_growth_per_px2", "0"), ("lens", {"camera_matrix": 1}),
        ("px_to_mm_covariance", [[1.0]]), ("px_to_mm_covariance", np.triu(np.ones((9, 9))).tolist()), ("flags", [1]),
        ("flags", {}), ("provenance", None), ("checks", None), ("origin", "me"),
    ],
)  # fmt: skip
def test_wrong_fields_are_refused(calibration, tmp_path, field, value):
    path = tmp_path / "cal.json"
    write_calibration(path, calibration, ORIGIN)
    document = json.loads(path.read_text())
    document[field] = value
    path.write_text(json.dumps(document))
    with pytest.raises(UnreadableFile) as caught:
        read_calibration(path)
    assert "cal.json" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_damaged_files_are_refused(calibration, tmp_path):
    path = tmp_path / "cal.json"
    write_calibration(path, calibration, ORIGIN)
    text = path.read_text()
    broken = [
        b"", b"\xff\xfe\x00", text[: len(text) // 2].encode(), b"[" * 100_000,
        text.replace('"lens_growth_per_px2": ', '"lens_growth_per_px2": NaN, "x": ').encode(),
        b"null", b"[1, 2]", b'{"schema": "toeline.calibration/1"}', b" " * 9_000_000,
    ]  # fmt: skip
    for content in broken:
        path.write_bytes(content)
        with pytest.raises(UnreadableFile):
            read_calibration(path)
    with pytest.raises(UnreadableFile, match="cannot be read"):
        read_calibration(tmp_path / "missing.json")
    with pytest.raises(UnreadableFile, match="cannot be read"):
        read_calibration(tmp_path)


def test_plain_pixel_size_is_kept(tmp_path):
    path = tmp_path / "cal.json"
    write_calibration(path, from_pixel_size(0.02, relative_std=0.001), ORIGIN)
    assert read_calibration(path).mm_per_px(np.array([5.0, 5.0])) == pytest.approx(0.02, rel=1e-12)


def test_the_size_of_the_picture_is_kept_and_another_is_refused(calibration, tmp_path):
    path = tmp_path / "cal.json"
    write_calibration(path, calibration, ORIGIN)
    read = read_calibration(path)
    assert read.size_px == (1200, 800)
    read.check_size(1200, 800)
    for other in ((600, 400), (800, 1200), (1190, 800)):
        with pytest.raises(CalibrationRefused, match="1200 x 800"):
            read.check_size(*other)
    document = json.loads(path.read_text())
    for damaged in ([1200.5, 800], [0, 800], [1200]):
        path.write_text(json.dumps({**document, "picture_size_px": damaged}))
        with pytest.raises(UnreadableFile, match="picture_size_px"):
            read_calibration(path)
    del document["picture_size_px"]
    path.write_text(json.dumps(document))
    older = read_calibration(path)
    assert older.size_px is None
    older.check_size(600, 400)
