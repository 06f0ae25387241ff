"""``toeline calibrate ruler``: the graduations of a rule or scale bar, found in the picture."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from cli.calibrate.common import Distance, Image, LensFile, Operator, Out, PlaneOption


def ruler(
    image: Image,
    spacing: Annotated[str, typer.Option(metavar="LENGTH", help='From graduation to graduation: "1 mm", "1/32 in".')],
    out: Out,
    region: Annotated[str | None, typer.Option(metavar="X,Y,W,H", help="Where the rule lies, px.")] = None,
    plane_offset: PlaneOption = None,
    camera_distance: Distance = None,
    lens: LensFile = None,
    operator: Operator = None,
) -> None:
    """Find the graduations of a rule and take the scale from them."""
    from calibration.ruler import calibrate_ruler
    from cli.calibrate import common
    from core.units import parse_length_mm
    from inspection.settings import parse_region
    from vision.picture import read_picture

    spacing_mm = parse_length_mm(spacing, name="--spacing")
    region_px = None if region is None else parse_region(region)
    plane = common.plane_offset(plane_offset, camera_distance)
    picture = read_picture(image)
    plane = replace(plane, focal_35_mm=picture.focal_35_mm)
    calibration = calibrate_ruler(
        picture.gray8, spacing_mm, region_px=region_px, plane=plane, lens=common.lens_of(lens)
    )
    common.save(out, calibration, image, picture.sha256, (picture.width_px, picture.height_px), operator)
