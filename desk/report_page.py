"""A page of a PDF that is being written: text, headings and tables that turn it where they need more room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from desk.drawing import INK, Colour
from desk.report_outcomes import Row

if TYPE_CHECKING:
    from fpdf import FPDF

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN_MM, FOOT_MM = 14.0, 13.0
LINE_MM, SIZE_PT, TABLE_PT, SMALL_PT = 3.9, 7.6, 7.0, 6.6
RED, GREEN, GREY = (150, 30, 20), (30, 95, 55), (95, 100, 105)


@dataclass
class Page:
    """The page being written: where it goes on, and what stands at the top of the next one."""

    pdf: FPDF
    width: float
    height: float
    head: Callable[[], None] | None = None
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
        """Begin the next page, with what stands at the top of it."""
        self.pdf.add_page()
        self.y = MARGIN_MM
        if self.head is not None:
            self.head()

    def text(
        self,
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
        """Print one line of text from a place on, mm, or aligned within a width."""
        self.pdf.set_font("body", "B" if bold else "", size)
        self.pdf.set_text_color(*colour)
        self.pdf.set_xy(x, y)
        self.pdf.cell(w=width or None, h=LINE_MM, text=text, align=align)

    def lines(self, text: str, width: float, *, size: float = SIZE_PT, bold: bool = False) -> list[str]:
        """Break a text into lines of a width; words longer than a line are broken, too."""
        self.pdf.set_font("body", "B" if bold else "", size)
        broken = self.pdf.multi_cell(w=width, h=LINE_MM, text=text or " ", dry_run=True, output="LINES")
        return [str(line) for line in broken]  # type: ignore[union-attr]

    def rule(self, y: float, *, strong: bool = False) -> None:
        """Draw a line across the page."""
        self.pdf.set_draw_color(*(INK if strong else (190, 195, 198)))
        self.pdf.set_line_width(0.35 if strong else 0.12)
        self.pdf.line(self.left, y, self.left + self.inner, y)

    def heading(self, text: str) -> None:
        """Print a heading that some lines follow on the same page."""
        self.need(3.5 * LINE_MM)
        self.y += 1.2
        self.text(self.left, self.y, text, size=8.6, bold=True)
        self.y += LINE_MM + 0.6
        self.rule(self.y)
        self.y += 0.6

    def decimal(self, x: float, y: float, number: str, *, bold: bool = False) -> None:
        """Print a number with its decimal point at x."""
        self.pdf.set_font("body", "B" if bold else "", SIZE_PT)
        whole = number.rpartition(".")[0] or number
        self.text(x - self.pdf.get_string_width(whole) - 1.0, y, number, bold=bold)

    def table(
        self, title: str, heads: Row, rows: Sequence[Row], widths: tuple[float, ...], word: int | None = None
    ) -> None:
        """A table whose cells wrap; the heading comes again on every page."""
        left = self.inner - sum(widths)
        full = tuple(width or left for width in widths)
        self.heading(title)
        self._table_heads(heads, full)
        for row in rows:
            cells = [
                self.lines(text, width - 1.0, size=TABLE_PT, bold=index == word)
                for index, (text, width) in enumerate(zip(row, full, strict=True))
            ]
            tall = LINE_MM * max(len(cell) for cell in cells)
            if self.need(tall + 0.4):
                self.heading(f"{title}, continued")
                self._table_heads(heads, full)
            x = self.left
            for index, (cell, width) in enumerate(zip(cells, full, strict=True)):
                colour = _word_colour(row[index]) if index == word else INK
                for number, line in enumerate(cell):
                    self.text(x, self.y + number * LINE_MM, line, size=TABLE_PT, bold=index == word, colour=colour)
                x += width
            self.y += tall + 0.4

    def _table_heads(self, heads: Row, widths: Sequence[float]) -> None:
        x = self.left
        for head, width in zip(heads, widths, strict=True):
            self.text(x, self.y, head, size=SMALL_PT, colour=GREY)
            x += width
        self.y += LINE_MM

    def paragraphs(self, texts: Sequence[str]) -> None:
        """Print texts one below the other in the width of the page."""
        for text in texts:
            lines = self.lines(text, self.inner, size=SMALL_PT)
            for line in lines:
                self.need(LINE_MM)
                self.text(self.left, self.y, line, size=SMALL_PT)
                self.y += 0.88 * LINE_MM
            self.y += 0.4


def document(title: str, made: str, paper: str, foot: str) -> Page:
    """Return a document whose pages all end with a text, their number and when it was made; it has no page yet."""
    import matplotlib
    from fpdf import FPDF

    width, height = PAPERS_MM[paper]

    class Report(FPDF):
        def footer(self) -> None:
            self.set_y(height - FOOT_MM)
            self.set_font("body", size=SMALL_PT)
            self.set_text_color(*GREY)
            self.multi_cell(w=width - 2 * MARGIN_MM - 38, h=2.7, text=foot, new_x="RIGHT", new_y="TOP", align="L")
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
    return Page(pdf, width, height)


def _word_colour(word: str) -> Colour:
    if "does not" in word:
        return RED
    return GREEN if word.endswith("meets") else INK
