"""A report as PDF: A4 or Letter pages, vector drawing over the picture, embedded fonts, selectable text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from desk.drawing import INK, Colour
from desk.legend import caption
from desk.report_drawing import draw_primitive
from desk.report_sheet import CAUTIONS, WORDS, Row, Sheet
from measurement.gauges import CAUTION

if TYPE_CHECKING:
    from fpdf import FPDF

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN_MM, FOOT_MM = 14.0, 13.0
LINE_MM, SIZE_PT, TABLE_PT, SMALL_PT = 3.9, 7.6, 7.0, 6.6
CAPTION_MM, CAPTION_PT = 2.9, 6.0
PICTURE_MM = (104.0, 88.0)
"""Largest width and height of the picture on the page."""
RED, GREEN, GREY = (150, 30, 20), (30, 95, 55), (95, 100, 105)


@dataclass
class _Page:
    """The page being written: where it goes on, and what stands at the top of the next one."""

    pdf: FPDF
    width: float
    height: float
    sheet: Sheet | None = None
    y: float = MARGIN_MM

    @property
    def left(self) -> float:
        return MARGIN_MM

    @property
    def inner(self) -> float:
        return self.width - 2 * MARGIN_MM

    def room(self, needed: float) -> bool:
        """Tell whether so many mm are left on this page."""
        return self.y + needed <= self.height - FOOT_MM - 2

    def need(self, needed: float) -> bool:
        """Turn the page if so many mm are not left; True when it was turned."""
        if self.room(needed):
            return False
        self.turn()
        return True

    def turn(self) -> None:
        self.pdf.add_page()
        self.y = MARGIN_MM
        if self.sheet is not None:
            _head(self, self.sheet, continued=True)


def as_pdf(
    sheets: Sequence[Sheet], *, title: str, made: str, paper: str = "A4", pictures: Sequence[bytes] = ()
) -> bytes:
    """Return the report: a summary page where there are several welds, then a page for each.

    Parameters
    ----------
    made
        When it was made, as printed at the foot.
    pictures
        PNG pictures, each on a page of its own at the end (the plan view of a seam).
    """
    pdf, width, height = _document(title, made, paper)
    page = _Page(pdf, width, height)
    if len(sheets) > 1:
        pdf.add_page()
        page.y = MARGIN_MM
        _summary(page, sheets, title)
    for sheet in sheets:
        page.sheet = None
        pdf.add_page()
        page.y = MARGIN_MM
        page.sheet = sheet
        _head(page, sheet, continued=False)
        _sheet(page, sheet)
    for data in pictures:
        page.sheet = None
        pdf.add_page()
        page.y = MARGIN_MM
        if sheets:
            _head(page, sheets[-1], continued=True)
        room = height - FOOT_MM - 4 - page.y
        rows, columns = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)).shape
        wide = min(page.inner, room * columns / rows)
        pdf.image(BytesIO(data), x=MARGIN_MM, y=page.y, w=wide, h=wide * rows / columns)
    return bytes(pdf.output())


def _document(title: str, made: str, paper: str) -> tuple[FPDF, float, float]:
    import matplotlib
    from fpdf import FPDF

    width, height = PAPERS_MM[paper]

    class Report(FPDF):
        def footer(self) -> None:
            self.set_y(height - FOOT_MM)
            self.set_font("body", size=SMALL_PT)
            self.set_text_color(*GREY)
            self.multi_cell(w=width - 2 * MARGIN_MM - 38, h=2.7, text=CAUTIONS, new_x="RIGHT", new_y="TOP", align="L")
            self.set_xy(width - MARGIN_MM - 36, height - FOOT_MM)
            self.multi_cell(w=36, h=2.7, text=f"page {self.page_no()} of {{nb}}\n{made}", align="R")

    pdf = Report(unit="mm", format=(width, height), enforce_compliance="PDF/A-2U")
    pdf.set_auto_page_break(False)
    pdf.set_margins(MARGIN_MM, MARGIN_MM)
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdf.add_font("body", "", fonts / "DejaVuSans.ttf")
    pdf.add_font("body", "B", fonts / "DejaVuSans-Bold.ttf")
    pdf.set_title(title)
    pdf.set_lang("en")
    pdf.set_creator("Toeline")
    pdf.set_line_width(0.15)
    return pdf, width, height


def _text(
    page: _Page,
    x: float,
    y: float,
    text: str,
    *,
    size: float = SIZE_PT,
    bold: bool = False,
    colour: Colour = INK,
    width: float = 0.0,
    align: str = "L",
) -> None:
    page.pdf.set_font("body", "B" if bold else "", size)
    page.pdf.set_text_color(*colour)
    page.pdf.set_xy(x, y)
    page.pdf.cell(w=width or None, h=LINE_MM, text=text, align=align)


def _lines(page: _Page, text: str, width: float, *, size: float = SIZE_PT, bold: bool = False) -> list[str]:
    """Break a text into lines of a width; words longer than a line are broken, too."""
    page.pdf.set_font("body", "B" if bold else "", size)
    broken = page.pdf.multi_cell(w=width, h=LINE_MM, text=text or " ", dry_run=True, output="LINES")
    return [str(line) for line in broken]  # type: ignore[union-attr]


def _rule(page: _Page, y: float, *, strong: bool = False) -> None:
    page.pdf.set_draw_color(*(INK if strong else (190, 195, 198)))
    page.pdf.set_line_width(0.35 if strong else 0.12)
    page.pdf.line(page.left, y, page.left + page.inner, y)


def _head(page: _Page, sheet: Sheet, *, continued: bool) -> None:
    more = ", continued" if continued else ""
    _text(page, page.left, page.y, "Weld report", size=12, bold=True)
    _text(page, page.left, page.y, f"{sheet.name}  ·  {sheet.heading}{more}", size=9, width=page.inner, align="R")
    page.y += 6.2
    _rule(page, page.y, strong=True)
    page.y += 1.6
    _band(page, sheet)


def _band(page: _Page, sheet: Sheet) -> None:
    """Say in words, in a frame, whether a person has confirmed this."""
    word = "CONFIRMED" if sheet.confirmed else "NOT CONFIRMED"
    lines = _lines(page, sheet.state, page.inner - 36)
    tall = LINE_MM * max(len(lines), 1) + 2.0
    colour = GREEN if sheet.confirmed else RED
    page.pdf.set_draw_color(*colour)
    page.pdf.set_line_width(0.4 if sheet.confirmed else 0.7)
    page.pdf.rect(page.left, page.y, page.inner, tall)
    _text(page, page.left + 1.5, page.y + 1.0, word, bold=True, colour=colour)
    for number, line in enumerate(lines):
        _text(page, page.left + 34, page.y + 1.0 + number * LINE_MM, line)
    page.y += tall + 2.2


def _sheet(page: _Page, sheet: Sheet) -> None:
    _picture_and_identification(page, sheet)
    _values(page, sheet)
    if sheet.outcome_notes and not sheet.outcomes:
        _heading(page, "Limits and outcomes")
        _paragraphs(page, sheet.outcome_notes)
    elif sheet.outcomes:
        _table(page, "Limits and outcomes", ("outcome", "limit", sheet.outcome_value, "allowed", "P", "source"),
               sheet.outcomes, (29.0, 34.0, 17.0, 19.0, 15.5, 0.0), word=0)  # fmt: skip
        _paragraphs(page, sheet.outcome_notes)
    if sheet.gauges:
        heads = ("gauge", "quantity", "reads", "measured", "why they differ")
        _table(page, "What a hand gauge would read here (modelled)", heads, sheet.gauges, (23.0, 34.0, 18.0, 20.0, 0.0))
        _paragraphs(page, (CAUTION,))
    if sheet.indications:
        _table(page, "Indications in the weld metal", ("kind", "size", "below the surface"), sheet.indications,
               (50.0, 25.0, 0.0))  # fmt: skip
    if sheet.flags:
        _heading(page, sheet.flags_title)
        _paragraphs(page, sheet.flags)
    if sheet.history:
        _table(page, "What was done", ("when", "who", "what"), sheet.history, (34.0, 40.0, 0.0))
    page.need(3 * LINE_MM)
    page.y += 1.0
    _paragraphs(page, (sheet.hash_text,))


def _picture_and_identification(page: _Page, sheet: Sheet) -> None:
    top = page.y
    width, tall = _picture(page, sheet)
    x, room = page.left + width + 4.0, page.inner - width - 4.0
    label = min(32.0, 0.42 * room)
    y = top
    rows = [(name, text, False) for name, text in sheet.identification]
    if sheet.missing:
        rows.append(("still missing for a macro report", ", ".join(sheet.missing), True))
    for name, text, missing in rows:
        names, lines = _lines(page, name, label - 1.0, size=SMALL_PT), _lines(page, text, room - label)
        step = LINE_MM * max(len(names), len(lines))
        if y + step > page.height - FOOT_MM - 4:
            page.turn()
            x, room, y, top, tall = page.left, page.inner, page.y, page.y, 0.0
        for number, line in enumerate(names):
            _text(page, x, y + number * LINE_MM, line, size=SMALL_PT, colour=GREY)
        for number, line in enumerate(lines):
            _text(page, x + label, y + number * LINE_MM, line, colour=RED if missing else INK)
        y += step
    page.y = max(y, top + tall) + 2.5


def _picture(page: _Page, sheet: Sheet) -> tuple[float, float]:
    """Draw the picture with its dimensions at the left and return its width and height, mm."""
    drawing = sheet.drawing
    if drawing is None:
        lines = _lines(page, sheet.no_drawing or "No picture.", 56.0)
        page.pdf.set_draw_color(*GREY)
        page.pdf.rect(page.left, page.y, 60.0, LINE_MM * len(lines) + 4)
        for number, line in enumerate(lines):
            _text(page, page.left + 2, page.y + 2 + number * LINE_MM, line, colour=GREY)
        return 60.0, LINE_MM * len(lines) + 4
    rows = drawing.picture_height_px
    scale = min(PICTURE_MM[0] / drawing.width_px, PICTURE_MM[1] / rows)
    width, tall = scale * drawing.width_px, scale * rows
    bgr = cv2.cvtColor(drawing.background[:rows], cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 90])
    page.pdf.image(BytesIO(np.asarray(data).tobytes()), x=page.left, y=page.y, w=width, h=tall)
    with page.pdf.rect_clip(page.left, page.y, width, tall):
        for primitive in drawing.layered:
            draw_primitive(page.pdf, primitive, drawing, scale, np.array([page.left, page.y]))
    page.pdf.set_draw_color(*GREY)
    page.pdf.set_line_width(0.15)
    page.pdf.rect(page.left, page.y, width, tall)
    for line in _lines(page, caption(drawing), width, size=CAPTION_PT):
        _text(page, page.left, page.y + tall + 0.4, line, size=CAPTION_PT, colour=GREY)
        tall += CAPTION_MM
    return width, tall + 0.4


def _heading(page: _Page, text: str) -> None:
    page.need(3.5 * LINE_MM)
    page.y += 1.2
    _text(page, page.left, page.y, text, size=8.6, bold=True)
    page.y += LINE_MM + 0.6
    _rule(page, page.y)
    page.y += 0.6


def _values(page: _Page, sheet: Sheet) -> None:
    """Two columns of values, aligned on the decimal point; what could not be had follows with its reason."""
    inch = any(row[4] for row in sheet.values)
    _heading(page, sheet.values_title)
    half = (page.inner - 6.0) / 2
    at = 0
    while at < len(sheet.values):
        left = [(row, _label(page, row, half, inch)) for row in sheet.values[at:]]
        fits = int((page.height - FOOT_MM - 3 - page.y) / LINE_MM)
        fits = max(1, fits - sum(len(label) - 1 for _, label in left[: 2 * fits]))
        rows = min(math.ceil(len(left) / 2), fits)
        tallest = 0
        for column in (0, 1):
            lines = 0
            for row, label in left[column * rows : (column + 1) * rows]:
                _value(page, page.left + column * (half + 6.0), page.y + lines * LINE_MM, half, row, label, inch)
                lines += len(label)
            tallest = max(tallest, lines)
        at += 2 * rows
        page.y += tallest * LINE_MM
        if at < len(sheet.values):
            page.turn()
            _heading(page, "Values, continued")
    _paragraphs(page, [f"{label}: not measurable: {reason}" for label, reason in sheet.absent])


def _ends(row: Row, inch: bool) -> tuple[float, float, float]:
    """Return where value, doubt and unit stand, as shares of the width: a range takes more room than one number."""
    doubt = row[2]
    if " to " in doubt and not doubt.startswith("0 to"):
        return 0.53, 0.84, 0.91
    return (0.54, 0.76, 0.853) if inch else (0.62, 0.83, 0.91)


def _label(page: _Page, row: Row, width: float, inch: bool) -> list[str]:
    """Return what a value is called, in as many lines as the room before its number asks for."""
    return _lines(page, row[0], (_ends(row, inch)[0] - 0.11) * width)


def _value(page: _Page, x: float, y: float, width: float, row: Row, label: Sequence[str], inch: bool) -> None:
    _, value, doubt, unit, fraction = row
    ends = _ends(row, inch)
    for number, line in enumerate(label):
        _text(page, x, y + number * LINE_MM, line)
    y += (len(label) - 1) * LINE_MM
    _decimal(page, x + ends[0] * width, y, value, bold=True)
    _decimal(page, x + ends[1] * width, y, doubt)
    end = x + ends[1] * width + page.pdf.get_string_width(doubt[len(doubt.rpartition(".")[0]) :])
    _text(page, max(x + ends[2] * width, end), y, unit, size=SMALL_PT, colour=GREY)
    if inch and fraction:
        _text(page, x, y, fraction, size=SMALL_PT, width=width, align="R")


def _decimal(page: _Page, x: float, y: float, number: str, *, bold: bool = False) -> None:
    """Print a number with its decimal point at x."""
    page.pdf.set_font("body", "B" if bold else "", SIZE_PT)
    whole = number.rpartition(".")[0] or number
    _text(page, x - page.pdf.get_string_width(whole) - 1.0, y, number, bold=bold)


def _table(
    page: _Page, title: str, heads: Row, rows: Sequence[Row], widths: tuple[float, ...], word: int | None = None
) -> None:
    """A table whose cells wrap; the heading comes again on every page."""
    left = page.inner - sum(widths)
    full = tuple(width or left for width in widths)
    _heading(page, title)
    _table_heads(page, heads, full)
    for row in rows:
        cells = [
            _lines(page, text, width - 1.0, size=TABLE_PT, bold=index == word)
            for index, (text, width) in enumerate(zip(row, full, strict=True))
        ]
        tall = LINE_MM * max(len(cell) for cell in cells)
        if page.need(tall + 0.4):
            _heading(page, f"{title}, continued")
            _table_heads(page, heads, full)
        x = page.left
        for index, (cell, width) in enumerate(zip(cells, full, strict=True)):
            colour = _word_colour(row[index]) if index == word else INK
            for number, line in enumerate(cell):
                _text(page, x, page.y + number * LINE_MM, line, size=TABLE_PT, bold=index == word, colour=colour)
            x += width
        page.y += tall + 0.4


def _table_heads(page: _Page, heads: Row, widths: Sequence[float]) -> None:
    x = page.left
    for head, width in zip(heads, widths, strict=True):
        _text(page, x, page.y, head, size=SMALL_PT, colour=GREY)
        x += width
    page.y += LINE_MM


def _word_colour(word: str) -> Colour:
    if "does not" in word:
        return RED
    return GREEN if word.endswith("meets") else INK


def _paragraphs(page: _Page, texts: Sequence[str]) -> None:
    for text in texts:
        lines = _lines(page, text, page.inner, size=SMALL_PT)
        for line in lines:
            page.need(LINE_MM)
            _text(page, page.left, page.y, line, size=SMALL_PT)
            page.y += 0.88 * LINE_MM
        page.y += 0.4


def _summary(page: _Page, sheets: Sequence[Sheet], title: str) -> None:
    _text(page, page.left, page.y, "Weld report: summary", size=12, bold=True)
    page.y += 6.2
    _rule(page, page.y, strong=True)
    page.y += 1.5
    _paragraphs(page, (title,))
    confirmed = sum(sheet.confirmed for sheet in sheets)
    _text(page, page.left, page.y, f"{confirmed} of {len(sheets)} welds are confirmed.", bold=True,
          colour=GREEN if confirmed == len(sheets) else RED)  # fmt: skip
    page.y += LINE_MM + 1
    rows = [
        (
            sheet.name,
            sheet.heading,
            _counts(sheet),
            ("CONFIRMED " if sheet.confirmed else "NOT CONFIRMED: ") + sheet.state,
        )
        for sheet in sheets
    ]
    _table(page, "Welds", ("record or picture", "weld", "outcomes", "state"), rows, (42.0, 30.0, 50.0, 0.0))


def _counts(sheet: Sheet) -> str:
    counts = {WORDS["not_assessed"]: sheet.unjudged} if sheet.unjudged else {}
    for row in sheet.outcomes:
        counts[row[0]] = counts.get(row[0], 0) + 1
    return ", ".join(f"{word} {count}" for word, count in sorted(counts.items())) or "no limits compared"
