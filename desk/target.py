"""A printable board at true scale: squares and markers as vectors, with a bar to measure after printing.

A printer may scale a page by a few per cent. The user measures the 100 mm bar and gives the reading to
``calibrate board``, which scales the squares by it.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibration.board import BAR_MM
from calibration.charuco import marker_squares
from calibration.corners import Board
from core.errors import UsageError
from inspection.document import write_bytes

if TYPE_CHECKING:
    from fpdf import FPDF

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN_MM = 12.0
TEXT_MM = 46.0
"""Height kept at the top of the page for the heading and the instructions."""

BAR_ROOM_MM = 24.0
MARKER_RATIO = 0.75
QUIET_SQUARES = 0.5
"""White border around the board, in squares."""


def write_target(path: Path, *, paper: str = "A4", columns: int = 11, rows: int = 7, square_mm: float = 10.0) -> None:
    """Write a one-page PDF with a ChArUco board (DICT_4X4_250) at true scale and a 100 mm bar.

    Parameters
    ----------
    paper
        "A4" or "Letter".
    columns, rows
        Inner corners, as ``--corners`` counts them.

    Raises
    ------
    UsageError
        When the board does not fit the page or the dictionary.
    UnreadableFile
        When the file cannot be written; one that was there before is left as it was.
    """
    if paper not in PAPERS_MM:
        raise UsageError(f"the paper must be one of {', '.join(PAPERS_MM)}, got {paper!r}")
    board = Board("charuco", columns, rows, square_mm, marker_ratio=MARKER_RATIO)
    width, height = PAPERS_MM[paper]
    left, top = _board_corner(board, width, height, paper)

    from fpdf import FPDF
    from fpdf.prefs import ViewerPreferences

    pdf = FPDF(unit="mm", format=(width, height))
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.set_title("Toeline calibration target")
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.add_page()
    _write_text(pdf, board, width, paper)
    _draw_board(pdf, board, left, top)
    _draw_bar(pdf, 0.5 * (width - BAR_MM), height - MARGIN_MM - 7.0)
    write_bytes(path, bytes(pdf.output()))


def _board_corner(board: Board, width: float, height: float, paper: str) -> tuple[float, float]:
    """Return the upper left corner of the board on the page, mm; refuse a board that does not fit."""
    markers = len(marker_squares(board, legacy=False))
    if markers > 250:
        raise UsageError(
            f"a board of {board.columns} x {board.rows} corners needs {markers} markers and there are 250: take fewer "
            "squares"
        )
    across, down = (board.columns + 1) * board.square_mm, (board.rows + 1) * board.square_mm
    quiet = QUIET_SQUARES * board.square_mm
    room_across = width - 2 * MARGIN_MM
    room_down = height - 2 * MARGIN_MM - TEXT_MM - BAR_ROOM_MM
    if across + 2 * quiet > room_across or down + 2 * quiet > room_down:
        raise UsageError(
            f"a board of {across:g} x {down:g} mm does not fit {paper} (room for {room_across:.0f} x {room_down:.0f} "
            "mm with its white border): take fewer or smaller squares"
        )
    return 0.5 * (width - across), MARGIN_MM + TEXT_MM + 0.5 * (room_down - down)


def _write_text(pdf: FPDF, board: Board, width: float, paper: str) -> None:
    lines = (
        f'1.  Print at 100 % ("actual size", no fitting to the page) on matt {paper} paper.',
        f"2.  Measure the bar at the foot between its end ticks with a steel rule: {BAR_MM:g} mm if true.",
        "3.  Cut out the board with its white border and glue it flat on a rigid plate.",
        "4.  Put it beside the section, in the same plane and squarely under the camera, and photograph both at once.",
    )
    options = f'--pattern charuco --corners {board.columns}x{board.rows} --square "{board.square_mm:g} mm"'
    pdf.set_xy(MARGIN_MM, MARGIN_MM)
    pdf.set_font("Helvetica", "B", 13)
    pdf.cell(text="Toeline calibration target")
    pdf.set_font("Helvetica", size=9)
    for number, line in enumerate(lines):
        pdf.set_xy(MARGIN_MM, MARGIN_MM + 8.5 + 5.0 * number)
        pdf.cell(w=width - 2 * MARGIN_MM, text=line)
    pdf.set_font("Courier", size=8.5)
    pdf.set_xy(MARGIN_MM, MARGIN_MM + 31.5)
    pdf.cell(text=f"toeline calibrate board PHOTO {options}")
    pdf.set_xy(MARGIN_MM, MARGIN_MM + 35.5)
    pdf.cell(text='        --measured-bar "... mm" --out calibration.json')


def _draw_board(pdf: FPDF, board: Board, left: float, top: float) -> None:
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    cells = dictionary.markerSize + 2
    side = board.square_mm
    pdf.set_fill_color(0)
    for row in range(board.rows + 1):
        for column in range(row % 2, board.columns + 1, 2):
            pdf.rect(left + column * side, top + row * side, side, side, style="F")
    inset = 0.5 * (1.0 - MARKER_RATIO) * side
    for number, (column, row) in enumerate(marker_squares(board, legacy=False)):
        picture = np.asarray(cv2.aruco.generateImageMarker(dictionary, number, cells), np.uint8)
        _draw_marker(pdf, picture > 127, left + column * side + inset, top + row * side + inset, MARKER_RATIO * side)


def _draw_marker(pdf: FPDF, light: NDArray[np.bool_], left: float, top: float, side: float) -> None:
    """Draw a dark square and its light fields, neighbours of a row in one piece so that no seams print."""
    cell = side / len(light)
    pdf.set_fill_color(0)
    pdf.rect(left, top, side, side, style="F")
    pdf.set_fill_color(255)
    for row, fields in enumerate(light):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], fields, [False]]).astype(int)))
        for start, end in edges.reshape(-1, 2):
            pdf.rect(left + float(start) * cell, top + row * cell, float(end - start) * cell, cell, style="F")


def _draw_bar(pdf: FPDF, left: float, top: float) -> None:
    pdf.set_draw_color(0)
    pdf.set_line_width(0.2)
    pdf.line(left, top, left + BAR_MM, top)
    for tick in range(0, 101, 10):
        reach = 4.0 if tick in (0, 100) else 2.5 if tick == 50 else 1.5
        pdf.line(left + tick, top - reach, left + tick, top + (reach if tick in (0, 100) else 0.0))
    pdf.set_font("Helvetica", size=8)
    pdf.set_xy(left, top + 1.0)
    pdf.cell(w=BAR_MM, text=f"{BAR_MM:g} mm at true scale, between the middles of the end ticks", align="C")
