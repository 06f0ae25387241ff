"""``toeline demo``: the whole job on a sample picture, in one go."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from core.errors import UnreadableFile

SAMPLE = "tee"


def demo(
    output: Annotated[Path, typer.Option(metavar="DIR", help="Where to write.")] = Path("toeline-demo"),
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch.")] = "metric",
) -> int:
    """Measure a sample picture and write the result file and the overlay."""
    from cli.measure import measure

    picture, calibration = find_sample()
    overlay, result = output / f"{SAMPLE}-overlay.png", output / "result.json"
    print(f"Wrote {overlay} (what was measured, drawn into the picture) and {result} (all values).")
    print(f"The same again: toeline measure {picture} --calibration {calibration} --output {output}\n")
    return measure([picture], calibration=calibration, units=units, output=output)


def find_sample() -> tuple[Path, Path]:
    """Return the sample picture and its calibration: beside the sources, or the copy in the package."""
    here = Path(__file__).resolve().parent
    for folder in (here.parent / "sample_images", here / "samples"):
        picture, calibration = folder / f"{SAMPLE}.jpg", folder / f"{SAMPLE}.cal.json"
        if picture.is_file() and calibration.is_file():
            return picture, calibration
    raise UnreadableFile("the sample picture is missing from this installation: install the package again.")
