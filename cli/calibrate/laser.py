"""``toeline calibrate laser``: lens and laser plane of a rig, from a board held in several poses."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.calibrate.common import Corners, Dictionary, MarkerRatio, Operator, Pattern, Square

EPILOG = (
    "Laser light can blind: know the class on the laser's label (IEC 60825-1). Never look into the beam or its mirror "
    "image on bright metal; class 3R, 3B and 4 need the measures of your laser safety officer, for 3B and 4 "
    "eyewear for the wavelength and a closed area. Switch the laser off while you move boards by hand."
)


def laser(
    boards: Annotated[Path, typer.Option("--boards", metavar="DIR", help="Pictures of the board in ordinary light.")],
    stripes: Annotated[
        Path, typer.Option("--stripes", metavar="DIR", help="The laser line on the same boards, under the same names.")
    ],
    pattern: Pattern,
    corners: Corners,
    square: Square,
    out: Annotated[Path, typer.Option("--out", metavar="RIG.json", help="Calibration file of the rig to write.")],
    report: Annotated[
        Path | None, typer.Option("--report", metavar="FILE.png", help="Picture of poses, residuals and plane fit.")
    ] = None,
    dictionary: Dictionary = "DICT_4X4_250",
    marker_ratio: MarkerRatio = None,
    operator: Operator = None,
) -> None:
    """Calibrate a rig of camera and line laser from boards and the laser line on them."""
    from calibration.file import write_calibration
    from cli.calibrate import common
    from cli.options import refuse_overwriting
    from core.errors import UsageError
    from inspection.rig import calibrate_rig

    described = common.board_of(pattern, corners, square, dictionary, marker_ratio)
    if report is not None and report.suffix.lower() != ".png":
        raise UsageError(f"--report {str(report)!r} must end in .png.")
    refuse_overwriting([out, report], [])
    found = calibrate_rig(boards, stripes, described, date=common.today(), operator=operator)
    write_calibration(out, found.rig.calibration, found.origin)
    common.tell(out, found.rig.calibration, found.size_px)
    for name, reason in found.rig.left_out:
        print(f"  left out: {name}: {reason}")
    if report is not None:
        from desk.rig_report import write_rig_report

        write_rig_report(report, found.rig)
        print(f"Wrote {report}")
