"""What the calibrate commands share: options, their plane offset, and the file they write."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from core.errors import UsageError

if TYPE_CHECKING:
    from calibration.board import Board
    from calibration.file import Origin
    from calibration.model import Calibration, Lens
    from calibration.plane import PlaneOffset

PATTERNS = ("chessboard", "charuco", "circles", "asymmetric-circles")

Image = Annotated[Path, typer.Argument(metavar="IMAGE", help="Picture with the target in the plane of the section.")]
Out = Annotated[Path, typer.Option("--out", metavar="CAL.json", help="Calibration file to write.")]
LensFile = Annotated[Path | None, typer.Option("--lens", metavar="LENS.json", help="Made by toeline calibrate lens.")]
PlaneOption = Annotated[
    str | None,
    typer.Option(
        "--plane-offset", metavar="LENGTH", help="How much nearer to the camera the section lies than the target."
    ),
]
Distance = Annotated[
    str | None, typer.Option("--camera-distance", metavar="LENGTH", help="From the lens to the section.")
]
Operator = Annotated[str | None, typer.Option("--operator", metavar="NAME", help="Who calibrates.")]
Pattern = Annotated[str, typer.Option("--pattern", help=", ".join(PATTERNS) + ".")]
Corners = Annotated[str, typer.Option("--corners", metavar="8x3", help="Inner corners, columns x rows.")]
Square = Annotated[str, typer.Option("--square", metavar="LENGTH", help='Side of a square: "3 mm".')]
Dictionary = Annotated[str, typer.Option("--dictionary", help="ArUco dictionary of a charuco board.")]
MarkerRatio = Annotated[
    float | None, typer.Option("--marker-ratio", help="Marker side over square side of a charuco board.")
]


def plane_offset(offset: str | None, distance: str | None) -> PlaneOffset:
    """Return the offset between target and section, as far as it was given."""
    from calibration.plane import PlaneOffset
    from core.units import parse_length_mm, parse_signed_length_mm

    return PlaneOffset(
        offset_mm=None if offset is None else parse_signed_length_mm(offset, name="--plane-offset"),
        distance_mm=None if distance is None else parse_length_mm(distance, name="--camera-distance"),
    )


def lens_of(path: Path | None) -> Lens | None:
    """Return the lens of a lens file, None without one."""
    if path is None:
        return None
    from calibration.lens import read_lens

    return read_lens(path).lens


def board_of(pattern: str, corners: str, square: str, dictionary: str, marker_ratio: float | None) -> Board:
    """Return the board that the options describe."""
    from calibration.board import Board
    from cli.options import choose, parse_corners
    from core.units import parse_length_mm

    columns, rows = parse_corners(corners)
    return Board(
        choose(pattern, PATTERNS, "--pattern"),  # type: ignore[arg-type]
        columns,
        rows,
        parse_length_mm(square, name="--square"),
        dictionary=dictionary,
        marker_ratio=marker_ratio,
    )


def today() -> str:
    """Return the date and time of the call, local with its offset, to the second."""
    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")


def origin_of(image: Path, sha256: str, operator: str | None) -> Origin:
    """Return what a calibration file says about where it came from."""
    from calibration.file import Origin

    return Origin(source=image.name, sha256=sha256, date=today(), operator=operator)


def save(out: Path, calibration: Calibration, image: Path, sha256: str, size_px: tuple[int, int], operator: str | None,
         more: dict[str, Any] | None = None) -> None:  # fmt: skip
    """Write the calibration and print what it says."""
    from calibration.file import write_calibration
    from cli.options import refuse_overwriting

    refuse_overwriting([out], [image])
    write_calibration(out, calibration, origin_of(image, sha256, operator))
    tell(out, calibration, size_px, more)


def tell(out: Path, calibration: Calibration, size_px: tuple[int, int], more: dict[str, Any] | None = None) -> None:
    """Print what a calibration just written says."""
    import math

    import numpy as np

    centre = np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2])
    parts = calibration.relative_components(centre[None, :])
    print(f"Wrote {out}")
    print(f"  {calibration.kind}: {calibration.mm_per_px(centre):.6g} mm per pixel in the middle of the picture")
    total = 2 * math.hypot(*parts.values())
    listed = ", ".join(f"{name} {200 * part:.2g} %" for name, part in parts.items())
    print(f"  uncertainty ± {100 * total:.2g} % (k = 2): {listed}")
    for name, value in (dict(calibration.provenance) | (more or {})).items():
        if isinstance(value, (int, float, str)) and not isinstance(value, bool):
            print(f"  {name.replace('_', ' ')}: {value:.5g}" if isinstance(value, float) else
                  f"  {name.replace('_', ' ')}: {value}")  # fmt: skip
    for code, message in calibration.flags:
        print(f"  ! {code}: {message}")


def one_of(given: dict[str, bool], message: str) -> None:
    """Refuse none or several of things that exclude each other."""
    if sum(given.values()) != 1:
        raise UsageError(message)
