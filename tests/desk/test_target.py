"""The printed target: its rectangles read from the PDF, drawn again and detected at true scale."""

from __future__ import annotations

import re
import zlib

import cv2
import numpy as np
import pytest

from calibration.board import calibrate_board
from calibration.corners import Board
from core.errors import UnreadableFile, UsageError
from desk.target import PAPERS_MM, write_target

POINTS_PER_MM = 72 / 25.4
DRAWN_PX_PER_MM = 20


def page_content(path) -> str:
    data = path.read_bytes()
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.DOTALL)
    texts = []
    for stream in streams:
        try:
            texts.append(zlib.decompress(stream).decode("latin-1"))
        except zlib.error:
            texts.append(stream.decode("latin-1"))
    return next(text for text in texts if " re" in text)


def drawn(path, paper) -> np.ndarray:
    """Return the page's rectangles as a picture, 10 px per mm after reduction."""
    width, height = PAPERS_MM[paper]
    page = np.full((round(height * DRAWN_PX_PER_MM), round(width * DRAWN_PX_PER_MM)), 255, np.uint8)
    grey = 0.0
    for line in page_content(path).splitlines():
        if match := re.search(r"([\d.]+) g$", line):
            grey = float(match[1])
        if match := re.search(r"([-\d.]+) ([-\d.]+) ([-\d.]+) ([-\d.]+) re f", line):
            x, y, across, down = (float(v) / POINTS_PER_MM * DRAWN_PX_PER_MM for v in match.groups())
            top, bottom = sorted((height * DRAWN_PX_PER_MM - y, height * DRAWN_PX_PER_MM - y - down))
            page[round(top) : round(bottom), round(x) : round(x + across)] = round(255 * grey)
    return cv2.resize(page, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(("columns", "rows", "square_mm"), [(11, 7, 10.0), (14, 10, 8.0), (8, 3, 12.0)])
def test_board_of_the_page_is_at_true_scale(tmp_path, paper, columns, rows, square_mm):
    path = tmp_path / "target.pdf"
    write_target(path, paper=paper, columns=columns, rows=rows, square_mm=square_mm)
    calibration = calibrate_board(drawn(path, paper), Board("charuco", columns, rows, square_mm))
    assert calibration.provenance["points"] == columns * rows
    assert calibration.mm_per_px(np.array(calibration.centre_px)) == pytest.approx(0.1, rel=0.0005)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_page_has_its_size_and_a_bar_of_100_mm(tmp_path, paper):
    path = tmp_path / "target.pdf"
    write_target(path, paper=paper)
    box = re.search(rb"/MediaBox \[\s*0 0 ([\d.]+) ([\d.]+)", path.read_bytes())
    assert box is not None
    assert [float(v) / POINTS_PER_MM for v in box.groups()] == pytest.approx(PAPERS_MM[paper], abs=0.01)
    assert b"/PrintScaling /None" in path.read_bytes()
    lines = re.findall(r"([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l S", page_content(path))
    lengths = [np.hypot(float(c) - float(a), float(d) - float(b)) / POINTS_PER_MM for a, b, c, d in lines]
    assert max(lengths) == pytest.approx(100.0, abs=0.02)


def test_boards_that_do_not_fit_are_refused(tmp_path):
    path = tmp_path / "target.pdf"
    for wrong in (
        {"square_mm": 30.0},
        {"paper": "A9"},
        {"columns": 40, "rows": 40, "square_mm": 3.0},
        {"square_mm": -1.0},
    ):
        with pytest.raises(UsageError):
            write_target(path, **wrong)
    with pytest.raises(UnreadableFile, match="cannot be written"):
        write_target(tmp_path / "no" / "target.pdf")
    assert not path.exists()
