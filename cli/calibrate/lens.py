"""``toeline calibrate lens``: what the lens bends, from many views of one board."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.calibrate.common import Corners, Dictionary, MarkerRatio, Pattern, Square

TOLD_CORNER_STD = 0.002
"""As little as nothing is gained over a lens that nobody calibrated (`calibration.unseen.CORNER_DISTORTION`)."""


def lens(
    images: Annotated[list[Path], typer.Argument(metavar="IMAGE...", help="Views of the board, tilted and turned.")],
    pattern: Pattern,
    corners: Corners,
    square: Square,
    out: Annotated[Path, typer.Option("--out", metavar="LENS.json", help="Lens file to write.")],
    dictionary: Dictionary = "DICT_4X4_250",
    marker_ratio: MarkerRatio = None,
) -> None:
    """Find camera matrix and distortion from many views of a board."""
    from calibration.lens import calibrate_lens, write_lens
    from cli.calibrate import common
    from cli.options import refuse_overwriting
    from vision.picture import read_picture

    described = common.board_of(pattern, corners, square, dictionary, marker_ratio)
    refuse_overwriting([out], images)
    grays = [read_picture(path).gray8 for path in images]
    found = calibrate_lens(grays, described, names=[path.name for path in images])
    write_lens(out, found)
    print(f"Wrote {out}")
    print(f"  focal length {found.lens.camera_matrix[0, 0]:.1f} x {found.lens.camera_matrix[1, 1]:.1f} px")
    print(f"  reprojection error {found.rms_px:.3f} px over {len(found.views)} of {len(images)} pictures")
    print(f"  left open at the corners of the picture: ± {200 * found.lens.corner_std:.2g} % (k = 2)")
    for name, reason in found.left_out:
        print(f"  left out: {name}: {reason}")
    if found.lens.corner_std > TOLD_CORNER_STD:
        print("  ! the views say little of the corners of the picture: bring the board there, tilted, in a few more")
