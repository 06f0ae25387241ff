"""A report as PDF: A4 or Letter pages, vector drawing over the picture, embedded fonts, selectable text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from io import BytesIO

import cv2
import numpy as np

from desk.drawing import INK
from desk.legend import caption
from desk.report_drawing import draw_primitive
from desk.report_outcomes import WORDS, Row
from desk.report_page import FOOT_MM, GREEN, GREY, LINE_MM, RED, SMALL_PT, Page, document
from desk.report_sheet import CAUTIONS, Sheet
from measurement.gauges import CAUTION

CAPTION_MM, CAPTION_PT = 2.9, 6.0
PICTURE_MM = (104.0, 88.0)
"""Largest width and height of the picture on the page."""


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
    page = document(title, made, paper, CAUTIONS)
    if len(sheets) > 1:
        page.turn()
        _summary(page, sheets, title)
    for sheet in sheets:
        page.head = None
        page.turn()
        page.head = partial(_head, page, sheet, continued=True)
        _head(page, sheet, continued=False)
        _sheet(page, sheet)
    for data in pictures:
        page.turn()
        room = page.height - FOOT_MM - 4 - page.y
        rows, columns = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)).shape
        wide = min(page.inner, room * columns / rows)
        page.pdf.image(BytesIO(data), x=page.left, y=page.y, w=wide, h=wide * rows / columns)
    return bytes(page.pdf.output())


def _head(page: Page, sheet: Sheet, *, continued: bool) -> None:
    more = ", continued" if continued else ""
    page.text(page.left, page.y, "Weld report", size=12, bold=True)
    page.text(page.left, page.y, f"{sheet.name}  ·  {sheet.heading}{more}", size=9, width=page.inner, align="R")
    page.y += 6.2
    page.rule(page.y, strong=True)
    page.y += 1.6
    _band(page, sheet)


def _band(page: Page, sheet: Sheet) -> None:
    """Say in words, in a frame, whether a person has confirmed this."""
    word = "CONFIRMED" if sheet.confirmed else "NOT CONFIRMED"
    lines = page.lines(sheet.state, page.inner - 36)
    tall = LINE_MM * max(len(lines), 1) + 2.0
    colour = GREEN if sheet.confirmed else RED
    page.pdf.set_draw_color(*colour)
    page.pdf.set_line_width(0.4 if sheet.confirmed else 0.7)
    page.pdf.rect(page.left, page.y, page.inner, tall)
    page.text(page.left + 1.5, page.y + 1.0, word, bold=True, colour=colour)
    for number, line in enumerate(lines):
        page.text(page.left + 34, page.y + 1.0 + number * LINE_MM, line)
    page.y += tall + 2.2


def _sheet(page: Page, sheet: Sheet) -> None:
    _picture_and_identification(page, sheet)
    _values(page, sheet)
    if sheet.outcome_notes and not sheet.outcomes:
        page.heading("Limits and outcomes")
        page.paragraphs(sheet.outcome_notes)
    elif sheet.outcomes:
        page.table("Limits and outcomes", ("outcome", "limit", sheet.outcome_value, "allowed", "P", "source"),
               sheet.outcomes, (29.0, 34.0, 17.0, 19.0, 15.5, 0.0), word=0)  # fmt: skip
        page.paragraphs(sheet.outcome_notes)
    if sheet.gauges:
        heads = ("gauge", "quantity", "reads", "measured", "why they differ")
        page.table("What a hand gauge would read here (modelled)", heads, sheet.gauges, (23.0, 34.0, 18.0, 20.0, 0.0))
        page.paragraphs((CAUTION,))
    if sheet.indications:
        page.table("Indications in the weld metal", ("kind", "size", "below the surface"), sheet.indications,
               (50.0, 25.0, 0.0))  # fmt: skip
    if sheet.flags:
        page.heading(sheet.flags_title)
        page.paragraphs(sheet.flags)
    if sheet.history:
        page.table("What was done", ("when", "who", "what"), sheet.history, (34.0, 40.0, 0.0))
    page.need(3 * LINE_MM)
    page.y += 1.0
    page.paragraphs((sheet.hash_text,))


def _picture_and_identification(page: Page, sheet: Sheet) -> None:
    top = page.y
    width, tall = _picture(page, sheet)
    x, room = page.left + width + 4.0, page.inner - width - 4.0
    label = min(32.0, 0.42 * room)
    y = top
    rows = [(name, text, False) for name, text in sheet.identification]
    if sheet.missing:
        rows.append(("still missing for a macro report", ", ".join(sheet.missing), True))
    for name, text, missing in rows:
        names, lines = page.lines(name, label - 1.0, size=SMALL_PT), page.lines(text, room - label)
        step = LINE_MM * max(len(names), len(lines))
        if y + step > page.height - FOOT_MM - 4:
            page.turn()
            x, room, y, top, tall = page.left, page.inner, page.y, page.y, 0.0
        for number, line in enumerate(names):
            page.text(x, y + number * LINE_MM, line, size=SMALL_PT, colour=GREY)
        for number, line in enumerate(lines):
            page.text(x + label, y + number * LINE_MM, line, colour=RED if missing else INK)
        y += step
    page.y = max(y, top + tall) + 2.5


def _picture(page: Page, sheet: Sheet) -> tuple[float, float]:
    """Draw the picture with its dimensions at the left and return its width and height, mm."""
    drawing = sheet.drawing
    if drawing is None:
        lines = page.lines(sheet.no_drawing or "No picture.", 56.0)
        page.pdf.set_draw_color(*GREY)
        page.pdf.rect(page.left, page.y, 60.0, LINE_MM * len(lines) + 4)
        for number, line in enumerate(lines):
            page.text(page.left + 2, page.y + 2 + number * LINE_MM, line, colour=GREY)
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
    for line in page.lines(caption(drawing), width, size=CAPTION_PT):
        page.text(page.left, page.y + tall + 0.4, line, size=CAPTION_PT, colour=GREY)
        tall += CAPTION_MM
    return width, tall + 0.4


def _values(page: Page, sheet: Sheet) -> None:
    """Two columns of values, aligned on the decimal point; what could not be had follows with its reason."""
    inch = any(row[4] for row in sheet.values)
    page.heading(sheet.values_title)
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
            page.heading("Values, continued")
    page.paragraphs([f"{label}: not measurable: {reason}" for label, reason in sheet.absent])


def _ends(row: Row, inch: bool) -> tuple[float, float, float]:
    """Return where value, doubt and unit stand, as shares of the width: a range takes more room than one number."""
    doubt = row[2]
    if " to " in doubt and not doubt.startswith("0 to"):
        return 0.53, 0.84, 0.91
    return (0.54, 0.76, 0.853) if inch else (0.62, 0.83, 0.91)


def _label(page: Page, row: Row, width: float, inch: bool) -> list[str]:
    """Return what a value is called, in as many lines as the room before its number asks for."""
    return page.lines(row[0], (_ends(row, inch)[0] - 0.11) * width)


def _value(page: Page, x: float, y: float, width: float, row: Row, label: Sequence[str], inch: bool) -> None:
    _, value, doubt, unit, fraction = row
    ends = _ends(row, inch)
    for number, line in enumerate(label):
        page.text(x, y + number * LINE_MM, line)
    y += (len(label) - 1) * LINE_MM
    page.decimal(x + ends[0] * width, y, value, bold=True)
    page.decimal(x + ends[1] * width, y, doubt)
    end = x + ends[1] * width + page.pdf.get_string_width(doubt[len(doubt.rpartition(".")[0]) :])
    page.text(max(x + ends[2] * width, end), y, unit, size=SMALL_PT, colour=GREY)
    if inch and fraction:
        page.text(x, y, fraction, size=SMALL_PT, width=width, align="R")


def _summary(page: Page, sheets: Sequence[Sheet], title: str) -> None:
    page.text(page.left, page.y, "Weld report: summary", size=12, bold=True)
    page.y += 6.2
    page.rule(page.y, strong=True)
    page.y += 1.5
    page.paragraphs((title,))
    confirmed = sum(sheet.confirmed for sheet in sheets)
    page.text(page.left, page.y, f"{confirmed} of {len(sheets)} welds are confirmed.", bold=True,
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
    page.table("Welds", ("record or picture", "weld", "outcomes", "state"), rows, (42.0, 30.0, 50.0, 0.0))


def _counts(sheet: Sheet) -> str:
    counts = {WORDS["not_assessed"]: sheet.unjudged} if sheet.unjudged else {}
    for row in sheet.outcomes:
        counts[row[0]] = counts.get(row[0], 0) + 1
    return ", ".join(f"{word} {count}" for word, count in sorted(counts.items())) or "no limits compared"
