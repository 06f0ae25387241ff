"""A lens as JSON: inside a calibration file, or in a file of its own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.model import Lens
from calibration.storage import Door, read_document, write_document

SCHEMA = "toeline.lens/1"
STD_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


@dataclass(frozen=True, slots=True, eq=False)
class LensCalibration:
    """A lens with what the views say about it.

    Attributes
    ----------
    rms_px
        Reprojection error over all views.
    view_rms_px
        The same for each view, in the order given.
    std
        Standard deviation of fx, fy, cx, cy (px) and the distortion coefficients.
    views
        Names of the pictures that serve.
    left_out
        Name and reason of those that do not.
    """

    lens: Lens
    rms_px: float
    view_rms_px: tuple[float, ...]
    std: dict[str, float]
    views: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...] = ()
    date: str | None = None
    operator: str | None = None


def lens_to_document(lens: Lens) -> dict[str, object]:
    """Return a lens as JSON-able values; floats keep every digit."""
    return {
        "camera_matrix": lens.camera_matrix.tolist(),
        "distortion": np.ravel(lens.distortion).tolist(),
        "width_px": lens.width_px,
        "height_px": lens.height_px,
        "corner_std": lens.corner_std,
    }


def lens_from_document(door: Door) -> Lens:
    """Return the lens in a document, or refuse it."""
    matrix = door.array("camera_matrix", (3, 3))
    wanted = np.array([[matrix[0, 0], 0, matrix[0, 2]], [0, matrix[1, 1], matrix[1, 2]], [0, 0, 1]])
    if not np.array_equal(matrix, wanted) or matrix[0, 0] <= 0 or matrix[1, 1] <= 0:
        raise door.refuse("'camera_matrix' is not that of a camera")
    distortion = door.array("distortion", (5,))
    width, height = door.number("width_px", 1, 1e6), door.number("height_px", 1, 1e6)
    if width != int(width) or height != int(height):
        raise door.refuse("'width_px' and 'height_px' are no whole numbers")
    # Files from before it was kept do not tell it.
    corner_std = door.number("corner_std", 0.0, 10.0) if "corner_std" in door.document else 0.0
    return Lens(matrix, distortion, int(width), int(height), corner_std)


def write_lens(path: Path, calibrated: LensCalibration) -> None:
    """Write a lens file."""
    write_document(
        path,
        {
            "schema": SCHEMA,
            "date": calibrated.date,
            "operator": calibrated.operator,
            "rms_px": calibrated.rms_px,
            "lens": lens_to_document(calibrated.lens),
            "std": calibrated.std,
            "views": [{"name": n, "rms_px": r} for n, r in zip(calibrated.views, calibrated.view_rms_px, strict=True)],
            "left_out": [{"name": name, "reason": reason} for name, reason in calibrated.left_out],
        },
    )


def read_lens(path: Path) -> LensCalibration:
    """Read a lens file.

    Raises
    ------
    UnreadableFile
        When it is missing, damaged or of another kind.
    """
    document, _ = read_document(path, SCHEMA, "lens")
    door = Door(path, document)
    std = Door(path, door.mapping("std"))
    views = [_entry(door, entry) for entry in door.sequence("views")]
    left_out = [_entry(door, entry) for entry in door.sequence("left_out")]
    return LensCalibration(
        lens_from_document(Door(path, door.mapping("lens"))),
        door.number("rms_px", 0, 1e3),
        tuple(view.number("rms_px", 0, 1e3) for view in views),
        {name: std.number(name, 0, 1e9) for name in STD_NAMES},
        tuple(view.text("name") for view in views),
        tuple((entry.text("name"), entry.text("reason")) for entry in left_out),
        None if document.get("date") is None else door.text("date"),
        None if document.get("operator") is None else door.text("operator"),
    )


def _entry(door: Door, entry: object) -> Door:
    if not isinstance(entry, dict):
        raise door.refuse("'views' or 'left_out' holds something else than pictures")
    return Door(door.path, entry)
