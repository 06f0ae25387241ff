"""``toeline calibrate check``: a known artefact measured again, kept in the calibration file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.calibrate.common import Dictionary, Image, MarkerRatio, Operator

if TYPE_CHECKING:
    from calibration.check import CheckEntry


def check(
    image: Image,
    calibration: Annotated[Path, typer.Option(metavar="CAL.json", help="Calibration to check; a line is added.")],
    tolerance: Annotated[str, typer.Option(metavar="LENGTH", help='Largest bias allowed: "0.05 mm".')],
    length: Annotated[str | None, typer.Option(metavar="LENGTH", help="Known length, with --from and --to.")] = None,
    start: Annotated[str | None, typer.Option("--from", metavar="X,Y", help="First point, px.")] = None,
    end: Annotated[str | None, typer.Option("--to", metavar="X,Y", help="Second point, px.")] = None,
    spacing: Annotated[str | None, typer.Option(metavar="LENGTH", help="Graduations of a rule.")] = None,
    region: Annotated[str | None, typer.Option(metavar="X,Y,W,H", help="Where the rule lies, px.")] = None,
    pattern: Annotated[str | None, typer.Option(help="A board, with --corners and --square.")] = None,
    corners: Annotated[str | None, typer.Option(metavar="8x3", help="Inner corners, columns x rows.")] = None,
    square: Annotated[str | None, typer.Option(metavar="LENGTH", help="Side of a square.")] = None,
    step: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Known height of a step in a laser frame of a rig.")
    ] = None,
    dictionary: Dictionary = "DICT_4X4_250",
    marker_ratio: MarkerRatio = None,
    operator: Operator = None,
) -> int:
    """Measure a known artefact again: two points, a rule, a board, or a step under a laser rig."""
    from calibration.check import append_check, check_board, check_points, check_ruler
    from calibration.file import read_calibration
    from calibration.points import refuse_points_outside
    from cli.calibrate import common
    from cli.options import complain, parse_point
    from core.errors import CalibrationRefused
    from core.units import parse_length_mm
    from inspection.settings import parse_region
    from vision.picture import read_picture

    common.one_of(
        {
            "points": length is not None,
            "ruler": spacing is not None,
            "board": pattern is not None,
            "step": step is not None,
        },
        "give one artefact: --length with --from and --to, --spacing of a rule, "
        "--pattern with --corners and --square, or --step of a step block.",
    )
    allowed_mm = parse_length_mm(tolerance, name="--tolerance")
    known = read_calibration(calibration)
    when = common.today()
    entry: CheckEntry
    if step is not None:
        from calibration.laser_check import check_step
        from inspection.rig import stripe_profile

        step_mm = parse_length_mm(step, name="--step")
        profile = stripe_profile(image, known)
        entry = check_step(known, profile.points_mm, profile.std_mm, step_mm, allowed_mm, date=when, operator=operator,
                           source=image.name)  # fmt: skip
    elif length is not None:
        length_mm = parse_length_mm(length, name="--length")
        first = parse_point(start or "", "--from")
        second = parse_point(end or "", "--to")
        picture = read_picture(image)
        known.check_size(picture.width_px, picture.height_px)
        refuse_points_outside((picture.width_px, picture.height_px), first, second)
        entry = check_points(
            known, first, second, length_mm, allowed_mm, date=when, operator=operator, source=image.name
        )  # fmt: skip
    elif spacing is not None:
        spacing_mm = parse_length_mm(spacing, name="--spacing")
        region_px = None if region is None else parse_region(region)
        entry = check_ruler(known, read_picture(image).gray8, spacing_mm, allowed_mm, date=when, operator=operator,
                            source=image.name, region_px=region_px)  # fmt: skip
    else:
        board = common.board_of(pattern or "", corners or "", square or "", dictionary, marker_ratio)
        entry = check_board(known, read_picture(image).gray8, board, allowed_mm, date=when, operator=operator,
                            source=image.name)  # fmt: skip
    append_check(calibration, entry)
    print(f"{entry.artefact}: {entry.measured_mm:.4f} mm measured where {entry.known_mm:g} mm is known")
    known_to = f"± {entry.test_uncertainty_mm:.4f} mm (k = 2: the artefact, how it lay, its ends)"
    print(f"  bias {entry.bias_mm:+.4f} mm {known_to}, tolerance {entry.tolerance_mm:g} mm")
    print(f"  the calibration itself states ± {entry.expanded_uncertainty_mm:.4f} mm (k = 2) for this length")
    print(f"The line was added to {calibration}")
    if entry.passed:
        if abs(entry.bias_mm) > math.hypot(entry.expanded_uncertainty_mm, entry.test_uncertainty_mm):
            print("  ! the bias is larger than what the calibration states: its results claim too much")
        if entry.expanded_uncertainty_mm > entry.tolerance_mm:
            print("  ! the calibration states more than the tolerance: this length is right, others may be off by more")
        return 0
    if entry.outcome == "undecided":
        text = (
            f"{calibration}: the check decides nothing: the bias is known to ± {entry.test_uncertainty_mm:.4f} mm, and "
            "with that it may lie beyond the tolerance; take a better known artefact, laid level with the plane, or a "
            "tolerance that such a check can show."
        )
        return complain(text, CalibrationRefused.exit_status)
    text = f"{calibration}: the check is not passed, the bias is larger than the tolerance: calibrate again."
    return complain(text, CalibrationRefused.exit_status)
