"""A known artefact measured again, and the dated line it leaves."""

from __future__ import annotations

import json
from dataclasses import replace

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


def test_a_bias_within_the_tolerance_that_is_not_known_well_enough_shows_nothing():
    """0.3 px at both ends of 1000 px of 0.02 mm: the bias is known to 0.017 mm, and 0.012 mm cannot be shown."""
    pixel = from_pixel_size(0.02)
    entry = check_points(pixel, (0.0, 0.0), (1000.0, 0.0), 19.995, 0.012, date=DATE)
    assert entry.test_uncertainty_mm == pytest.approx(2 * np.sqrt(2) * 0.3 * 0.02)
    assert (entry.outcome, entry.passed) == ("undecided", False)
    wider = check_points(pixel, (0.0, 0.0), (1000.0, 0.0), 19.995, 0.025, date=DATE)
    assert (wider.outcome, wider.passed) == ("passed", True)
    beyond = check_points(pixel, (0.0, 0.0), (1000.0, 0.0), 19.9, 0.09, date=DATE)
    assert (beyond.outcome, beyond.passed) == ("not passed", False)


def test_what_the_calibration_does_not_know_is_no_doubt_of_the_test():
    """A scale known to 1 % may be right here; how the artefact was laid is in doubt as the target was."""
    rough = from_pixel_size(0.02, relative_std=0.01)
    entry = check_points(rough, (0.0, 0.0), (1000.0, 0.0), 19.99, 0.05, date=DATE)
    assert entry.passed
    assert entry.expanded_uncertainty_mm > 0.4
    laid = replace(rough, relative_std={"scale": 0.0, "plane offset": 0.001})
    assert check_points(laid, (0.0, 0.0), (1000.0, 0.0), 19.99, 0.045, date=DATE).outcome == "undecided"
