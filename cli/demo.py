"""``toeline demo``: the whole job on a sample picture, in one go."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from core.errors import UnreadableFile, UsageError

SAMPLE = "tee.jpg"


def demo(
    output: Annotated[Path, typer.Option(metavar="DIR", help="Where to write.")] = Path("toeline-demo"),
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch.")] = "metric",
) -> int:
    """Calibrate and measure a sample picture."""
    from cli.calibrate.ruler import ruler
    from cli.measure import measure

    picture = find_sample()
    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--output {output}: the folder cannot be made: {error.strerror}.") from None
    calibration = output / "tee.cal.json"
    print(f"This writes into {output}:")
    print("  tee.cal.json     what a pixel is in mm, from the rule in the picture")
    print("  tee-overlay.png  what was measured, drawn into the picture: look at this first")
    print("  tee-gauges.png   what hand gauges would read on the same profile, and where they touch")
    print("  result.json      every value with its uncertainty")
    print("The same by hand:")
    print(f'  toeline calibrate ruler {picture} --spacing "1 mm" --out {calibration}')
    print(f"  toeline measure {picture} --calibration {calibration} --gauges --output {output}\n")
    ruler(picture, spacing="1 mm", out=calibration)
    print()
    return measure([picture], calibration=calibration, units=units, gauges=True, output=output)


def find_sample() -> Path:
    """Return the sample picture: the one in the checkout, or the copy inside the package."""
    here = Path(__file__).resolve().parent
    for folder in (here.parent / "sample_images", here / "samples"):
        if (folder / SAMPLE).is_file():
            return folder / SAMPLE
    raise UnreadableFile("the sample picture is missing from this installation: install the package again.")
