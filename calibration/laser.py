"""A laser rig: pixels of a laser line to mm in the plane of its light.

The lens comes from the boards (`calibration.lens`), the plane from the stripes on them (`calibration.laser_plane`).
A pinhole camera sees a plane by a homography, so the result is an ordinary `Calibration`. Its frame is that of the
picture, turned by a right angle where needed so that y points to the camera: there is the air.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.board import BOARD_REL_STD
from calibration.corners import FoundBoard
from calibration.laser_plane import LineView, PlaneFit, clear_points, fit_plane, on_board, views_of_one_plane
from calibration.laser_uncertainty import what_boards_leave_unknown
from calibration.laser_view import homography_of, lay_frame, plane_gradient, sight
from calibration.lens import LensFit, fit_lens
from calibration.lens_solve import LEAST_VIEWS
from calibration.model import Calibration, length_gradients
from core.errors import CalibrationRefused
from core.geometry import Points

SMALLEST_ANGLE_DEG = 8.0
"""Between the line of sight and the laser plane: below it heights hardly move the line."""


BORDER_SQUARES = 1.4
"""A board has one more square around its inner corners, and a light border of at least some of one."""


@dataclass(frozen=True, slots=True, eq=False)
class RigCalibration:
    """A calibrated rig with what it rests on.

    Attributes
    ----------
    calibration
        Of kind "laser".
    lens_fit
        Lens, corners and poses of all boards.
    plane_fit
        The light's plane and the points that carry it, one entry a view with a stripe.
    stripe_names
        Pictures of those views, in the same order.
    left_out
        Name and reason of pictures that do not serve.
    """

    calibration: Calibration
    lens_fit: LensFit
    plane_fit: PlaneFit
    stripe_names: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]


def calibrate_laser(
    boards: Sequence[FoundBoard],
    names: Sequence[str],
    stripes: Sequence[LineView],
    shape: tuple[int, ...],
    *,
    left_out: Sequence[tuple[str, str]] = (),
) -> RigCalibration:
    """Calibrate a rig from boards found and the laser line on some of them.

    Parameters
    ----------
    boards, names
        Each board in ordinary light and the name of its picture.
    stripes
        The line on boards of the same names, in the dark.
    shape
        (height, width) of all pictures.

    Raises
    ------
    CalibrationRefused
        When lens or plane are not determined, with what to do.
    """
    if len(boards) < LEAST_VIEWS:
        reason = f" ({left_out[0][0]}: {left_out[0][1]})" if left_out else ""
        raise CalibrationRefused(
            f"the board is seen in {len(boards)} pictures and {LEAST_VIEWS} are needed for the lens, better 10 from "
            f"different sides{reason}"
        )
    fit = fit_lens(boards, names, left_out, shape)
    lens = fit.calibration.lens
    used: list[tuple[str, int, Points]] = []
    dropped = list(fit.calibration.left_out)
    served = fit.calibration.views
    for view in stripes:
        if view.name not in served:
            dropped.append(
                (view.name, "its board was not found" if view.name not in names else "its board does not serve")
            )
            continue
        try:
            index = served.index(view.name)
            used.append((view.name, index, clear_points(_on_sheet(view, fit, index), lens)))
        except CalibrationRefused as refusal:
            dropped.append((view.name, refusal.message))
    if not used:
        reason = f" ({dropped[-1][0]}: {dropped[-1][1]})" if dropped else ""
        raise CalibrationRefused(f"no stripe serves for the laser plane{reason}")
    seen = [on_board(points, lens, fit.turns[index], fit.places[index]) for _, index, points in used]
    pixel = float(np.mean([place[2] for place in fit.places])) / float(lens.camera_matrix[0, 0])
    kept = views_of_one_plane(seen, pixel)
    for stranger in sorted(set(range(len(used))) - set(kept)):
        dropped.append((used[stranger][0], "its stripe lies off the plane of the others: another pose, or no line"))
    used, seen = [used[i] for i in kept], [seen[i] for i in kept]
    plane = fit_plane([points for _, _, points in used], seen, pixel)
    calibration = _calibration(fit, plane, [index for _, index, _ in used], [name for name, _, _ in used], dropped)
    return RigCalibration(calibration, fit, plane, tuple(name for name, _, _ in used), tuple(dropped))


def _on_sheet(view: LineView, fit: LensFit, index: int) -> LineView:
    """Return the view without the points that lie beside the board: what is there has another distance."""
    local = on_board(view.points_px, fit.calibration.lens, fit.turns[index], fit.places[index]) - fit.places[index]
    local = local @ fit.turns[index]
    known = fit.boards[index].board_mm
    away = np.linalg.norm(known[:, None] - known[None], axis=2)
    border = BORDER_SQUARES * float(away[away > 0].min())
    inside = (local[:, :2] > known.min(axis=0) - border) & (local[:, :2] < known.max(axis=0) + border)
    keep = inside.all(axis=1)
    return replace(view, points_px=view.points_px[keep], std_px=view.std_px[keep])


def _calibration(
    fit: LensFit,
    plane: PlaneFit,
    indices: Sequence[int],
    names: Sequence[str],
    left_out: Sequence[tuple[str, str]],
) -> Calibration:
    lens = fit.calibration.lens
    centre = np.vstack(plane.points_px).mean(axis=0)
    ideal = lens.undistort(centre[None])[0]
    frame = lay_frame(lens, plane.plane, ideal)
    px_to_mm = homography_of(lens.camera_matrix, plane.plane, frame)
    known = what_boards_leave_unknown(fit, plane, indices, frame)
    of_plane = plane_gradient(lens.camera_matrix, plane.plane, frame)
    covariance = known.homography_covariance + of_plane @ plane.covariance @ of_plane.T
    covariance = 0.5 * (covariance + covariance.T)
    lengths = length_gradients(px_to_mm, ideal, 1.0)
    common = lengths.mean(axis=0)
    scale2 = float(common @ covariance @ common)
    worst2 = float(np.einsum("ni,ij,nj->n", lengths, covariance, lengths).max())
    normal = plane.plane / np.linalg.norm(plane.plane)
    grazing = 90.0 - math.degrees(math.acos(min(1.0, abs(float(sight(lens, ideal) @ normal)))))
    if grazing < SMALLEST_ANGLE_DEG:
        raise CalibrationRefused(
            f"the camera looks along the laser plane ({grazing:.0f} degrees between them): turn one of them so that "
            "20 to 60 degrees lie between"
        )
    return Calibration(
        "laser",
        px_to_mm,
        {
            "scale": math.hypot(math.sqrt(max(0.0, scale2)), BOARD_REL_STD),
            "tilt": math.sqrt(max(0.0, worst2 - scale2)),
            "lens": 0.0,
        },
        centre_px=(float(centre[0]), float(centre[1])),
        lens_growth_per_px2=known.lens_growth_per_px2,
        lens=lens,
        provenance=_provenance(fit, plane, names, grazing, left_out),
        px_to_mm_covariance=covariance,
    )


def _provenance(
    fit: LensFit, plane: PlaneFit, names: Sequence[str], grazing: float, left_out: Sequence[tuple[str, str]]
) -> dict[str, object]:
    lens = fit.calibration
    return {
        "boards": len(lens.views),
        "stripes": len(names),
        "reprojection_rms_px": lens.rms_px,
        "plane_rms_mm": plane.rms_mm,
        "angle_to_plane_deg": grazing,
        "plane_per_mm": plane.plane.tolist(),
        "plane_covariance": plane.covariance.tolist(),
        "lens_std": dict(lens.std),
        "board_views": [{"name": n, "rms_px": r} for n, r in zip(lens.views, lens.view_rms_px, strict=True)],
        "stripe_views": [
            {"name": name, "points": len(residual), "rms_mm": float(np.sqrt(np.mean(residual**2)))}
            for name, residual in zip(names, plane.residual_mm, strict=True)
        ],
        "left_out": [list(entry) for entry in left_out],
    }
