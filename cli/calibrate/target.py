"""``toeline calibrate target``: a board to print in true scale."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from core.errors import UsageError


def target(
    out: Annotated[Path, typer.Option("--out", metavar="TARGET.pdf", help="PDF to write.")],
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    corners: Annotated[str, typer.Option(metavar="11x7", help="Inner corners, columns x rows.")] = "11x7",
    square: Annotated[str, typer.Option(metavar="LENGTH", help="Side of a square.")] = "10 mm",
) -> None:
    """Write a printable board with a length bar to measure after printing."""
    from cli.options import choose, parse_corners
    from core.units import parse_length_mm
    from desk.target import write_target

    if out.suffix.lower() != ".pdf":
        raise UsageError(f"--out {str(out)!r} must end in .pdf.")
    columns, rows = parse_corners(corners)
    square_mm = parse_length_mm(square, name="--square")
    sheet = {"a4": "A4", "letter": "Letter"}[choose(paper.lower(), ("a4", "letter"), "--paper")]
    write_target(out, paper=sheet, columns=columns, rows=rows, square_mm=square_mm)
    print(f"Wrote {out}")
    print("Print it at 100 %, measure the bar, and give its length: toeline calibrate board ... --measured-bar LENGTH")
