"""``toeline calibrate board``: scale and tilt from a printed board."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from cli.calibrate.common import (
    Corners,
    Dictionary,
    Distance,
    Image,
    LensFile,
    MarkerRatio,
    Operator,
    Out,
    Pattern,
    PlaneOption,
    Square,
)


def board(
    image: Image,
    pattern: Pattern,
    corners: Corners,
    square: Square,
    out: Out,
    dictionary: Dictionary = "DICT_4X4_250",
    marker_ratio: MarkerRatio = None,
    measured_bar: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Length read on the printed 100 mm bar.")
    ] = None,
    plane_offset: PlaneOption = None,
    camera_distance: Distance = None,
    lens: LensFile = None,
    operator: Operator = None,
) -> None:
    """Take scale and tilt from a board in the plane of the section."""
    from calibration.board import calibrate_board
    from cli.calibrate import common
    from core.units import parse_length_mm
    from vision.picture import read_picture

    described = common.board_of(pattern, corners, square, dictionary, marker_ratio)
    bar_mm = None if measured_bar is None else parse_length_mm(measured_bar, name="--measured-bar")
    plane = common.plane_offset(plane_offset, camera_distance)
    picture = read_picture(image)
    plane = replace(plane, focal_35_mm=picture.focal_35_mm)
    calibration = calibrate_board(
        picture.gray8, described, lens=common.lens_of(lens), plane=plane, measured_bar_mm=bar_mm
    )
    common.save(out, calibration, image, picture.sha256, (picture.width_px, picture.height_px), operator)
