"""A known artefact measured again, and the dated line it leaves."""

from __future__ import annotations

import json

import numpy as np
import pytest

from calibration.check import append_check, check_board, check_points, check_ruler
from calibration.corners import Board
from calibration.file import Origin, read_calibration, write_calibration
from calibration.model import from_pixel_size
from core.errors import UnreadableFile, UsageError

ORIGIN = Origin("photo.jpg", "ab" * 32, "2025-03-01")
DATE = "2025-04-01"


def test_bias_against_tolerance():
    entry = check_points(from_pixel_size(0.02), (0.0, 0.0), (1000.0, 0.0), 19.9, 0.05, date=DATE)
    assert entry.measured_mm == pytest.approx(20.0)
    assert entry.bias_mm == pytest.approx(0.1)
    assert not entry.passed
    assert check_points(from_pixel_size(0.02), (0.0, 0.0), (1000.0, 0.0), 19.98, 0.05, date=DATE).passed
    with pytest.raises(UsageError):
        check_points(from_pixel_size(0.02), (0.0, 0.0), (1000.0, 0.0), 20.0, 0.0, date=DATE)
    with pytest.raises(UsageError):
        check_points(from_pixel_size(0.02), (0.0, 0.0), (1000.0, 0.0), 20.0, 0.1, date="today")


def test_rule_and_board_measured_again(draw):
    raster, raster_px_per_mm, first = draw.rule(45)
    view = draw.view(0, 0, 12, 14.0, 2600.0, (620.0, 480.0), (first[0] + 22, first[1]))
    gray = draw.seen(raster, raster_px_per_mm, view, (1250, 950))
    entry = check_ruler(from_pixel_size(1 / 14), gray, 1.0, 0.1, date=DATE)
    assert entry.known_mm == pytest.approx(44.0)
    assert abs(entry.bias_mm) < 0.03
    assert entry.passed
    raster, first = draw.charuco(8, 5)
    view = draw.view(0, 0, 30, 5.0, 2000.0, (450.0, 350.0), (first[0] + 35, first[1] + 20))
    wrong = check_board(
        from_pixel_size(0.202), draw.seen(raster, 8, view, (900, 700)), Board("charuco", 8, 5, 10.0), 0.1, date=DATE
    )
    assert wrong.bias_mm == pytest.approx(0.01 * wrong.known_mm, rel=0.05)
    assert not wrong.passed


def test_checks_are_appended_and_nothing_is_lost(tmp_path):
    path = tmp_path / "cal.json"
    made = from_pixel_size(0.02, relative_std=0.001)
    write_calibration(path, made, ORIGIN)
    for number in range(3):
        append_check(path, check_points(made, (0.0, 0.0), (1000.0, 0.0), 20.0 + number, 0.5, date=DATE, operator="B"))
    read = read_calibration(path)
    lines = read.provenance["checks"]
    assert [line["known_mm"] for line in lines] == [20.0, 21.0, 22.0]
    assert [line["passed"] for line in lines] == [True, False, False]
    assert np.array_equal(read.px_to_mm, made.px_to_mm)
    assert [entry.name for entry in tmp_path.iterdir()] == ["cal.json"]
    document = json.loads(path.read_text())
    document["kind"] = "magic"
    path.write_text(json.dumps(document))
    before = path.read_bytes()
    with pytest.raises(UnreadableFile):
        append_check(path, check_points(made, (0.0, 0.0), (1000.0, 0.0), 20.0, 0.5, date=DATE))
    assert path.read_bytes() == before
