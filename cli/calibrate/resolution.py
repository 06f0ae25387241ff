"""``toeline calibrate resolution``: the pixel size that the picture file states."""

from __future__ import annotations

from cli.calibrate.common import Image, Operator, Out


def resolution(image: Image, out: Out, operator: Operator = None) -> None:
    """Take the pixel size from the file's own words; results carry a flag."""
    from calibration.resolution import calibrate_resolution
    from cli.calibrate import common
    from vision.picture import read_picture

    picture = read_picture(image)
    calibration = calibrate_resolution(image)
    common.save(out, calibration, image, picture.sha256, (picture.width_px, picture.height_px), operator)
