"""``toeline calibrate points``: a known length between two marked points."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from cli.calibrate.common import Distance, Image, LensFile, Operator, Out, PlaneOption


def points(
    image: Image,
    length: Annotated[str, typer.Option(metavar="LENGTH", help='Length between the points: "50 mm".')],
    start: Annotated[str, typer.Option("--from", metavar="X,Y", help="First point, px.")],
    end: Annotated[str, typer.Option("--to", metavar="X,Y", help="Second point, px.")],
    out: Out,
    plane_offset: PlaneOption = None,
    camera_distance: Distance = None,
    lens: LensFile = None,
    operator: Operator = None,
) -> None:
    """Take the scale from a known length between two points of the picture."""
    from calibration.points import calibrate_points
    from cli.calibrate import common
    from cli.options import parse_point
    from core.units import parse_length_mm
    from vision.picture import read_picture

    length_mm = parse_length_mm(length, name="--length")
    first, second = parse_point(start, "--from"), parse_point(end, "--to")
    plane = common.plane_offset(plane_offset, camera_distance)
    picture = read_picture(image)
    plane = replace(plane, focal_35_mm=picture.focal_35_mm)
    size = (picture.width_px, picture.height_px)
    calibration = calibrate_points(
        first, second, length_mm, size_px=size, plane=plane, lens=common.lens_of(lens)
    )  # fmt: skip
    common.save(out, calibration, image, picture.sha256, size, operator)
