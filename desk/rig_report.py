"""The picture of a rig's calibration: poses in the picture, the light's plane from its edge, residuals of both fits."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibration.laser import RigCalibration
from calibration.laser_plane import distances
from core.geometry import Points
from desk.plot_paper import ACCENT, FAINT, INK, MARKERS, as_file, drawing, sheet, short
from inspection.document import write_bytes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_LISTED = 10
MOST_LEFT_OUT = 8
ARROW_SHARE = 0.05
"""The largest residual is drawn as long as this share of the picture's width."""


def write_rig_report(path: Path, rig: RigCalibration) -> None:
    """Write the report picture whole or not at all.

    Raises
    ------
    UnreadableFile
        When the file cannot be written.
    """
    write_bytes(path, rig_report(rig))


def rig_report(rig: RigCalibration) -> bytes:
    """Draw a rig's calibration and return the bytes of a PNG file."""
    with drawing():
        figure = sheet(11.0, 8.0)
        (first, second), (third, fourth) = figure.subplots(2, 2)
        _poses(first, rig)
        _edge_on(second, rig)
        _corners(third, rig)
        _plane(fourth, rig)
        facts = rig.calibration.provenance
        figure.suptitle(
            f"Laser rig: {facts['boards']} boards, {facts['stripes']} stripes, reprojection "
            f"{rig.lens_fit.calibration.rms_px:.3f} px, plane {1000 * rig.plane_fit.rms_mm:.1f} µm rms, "
            f"{rig.calibration.mm_per_px(np.array(rig.calibration.centre_px)):.4f} mm per pixel",
            x=0.01,
            ha="left",
            fontsize=11,
            fontweight="bold",
        )
        figure.supxlabel(left_out_text(rig.left_out), x=0.01, ha="left", fontsize=8.5)
        return as_file(figure, "png")


def left_out_text(left_out: Sequence[tuple[str, str]]) -> str:
    """Say which pictures do not serve and why, a line for each; that there are none is said, too."""
    if not left_out:
        return "No picture was left out."
    told = [f"  {short(name, 40)}: {short(reason.partition(':')[0], 100)}" for name, reason in left_out[:MOST_LEFT_OUT]]
    more = len(left_out) - MOST_LEFT_OUT
    told += [f"  and {more} more: the calibration file names them all"] if more > 0 else []
    return "\n".join([f"Left out ({len(left_out)}):", *told])


def _picture_axes(axes: Axes, rig: RigCalibration, title: str) -> None:
    lens = rig.lens_fit.calibration.lens
    axes.set_xlim(0, lens.width_px)
    axes.set_ylim(lens.height_px, 0)
    axes.set_aspect("equal")
    axes.set_xlabel("px")
    axes.set_ylabel("px")
    axes.set_title(title, loc="left")


def _poses(axes: Axes, rig: RigCalibration) -> None:
    """Draw each board's rim of corners and the points of its stripe that serve."""
    _picture_axes(axes, rig, "boards (outermost corners) and the points of the line that serve")
    for board in rig.lens_fit.boards:
        axes.plot(*_rim(board.points_px, board.board_mm).T, color=FAINT, linewidth=0.9)
    for number, points in enumerate(rig.plane_fit.points_px):
        axes.plot(*points.T, linestyle="none", marker=".", markersize=2.5, color=ACCENT, label=None)
        below = points[-1][1] < 0.06 * rig.lens_fit.calibration.lens.height_px  # above it is the title
        axes.annotate(
            str(number + 1), points[-1], xytext=(3, -3 if below else 3), textcoords="offset points", fontsize=8,
            color=INK, va="top" if below else "baseline",
        )  # fmt: skip


def _rim(points_px: Points, board_mm: Points) -> Points:
    """Return the corners of the convex rim of a board in the picture, closed."""
    import cv2

    order = cv2.convexHull(np.ascontiguousarray(board_mm, np.float32), returnPoints=False).ravel()
    return np.asarray(points_px[np.append(order, order[0])])


def _edge_on(axes: Axes, rig: RigCalibration) -> None:
    """Draw stripes and boards as seen along the laser plane's horizontal: the plane is a line."""
    from matplotlib.patheffects import withStroke

    plane = rig.plane_fit.plane
    normal = plane / np.linalg.norm(plane)
    together = np.vstack(rig.plane_fit.points_mm)
    middle = together.mean(axis=0)
    # The direction in the plane in which the stripes spread least is the one worth seeing.
    _, _, spread = np.linalg.svd(together - middle, full_matrices=False)
    within = spread[1] - normal * float(spread[1] @ normal)
    within = within / np.linalg.norm(within)
    for number, points in enumerate(rig.plane_fit.points_mm):
        marker = MARKERS[number % len(MARKERS)]
        at, off = (points - middle) @ within, 1000 * distances(points, plane)
        axes.plot(at, off, linestyle="none", marker=marker, markersize=2.5,
                  color=INK, fillstyle="none", markeredgewidth=0.5)  # fmt: skip
        last = int(np.argmax(at))
        axes.annotate(
            str(number + 1), (at[last], off[last]), xytext=(4, 0), textcoords="offset points", fontsize=8, color=INK,
            va="center", path_effects=[withStroke(linewidth=2.0, foreground="white")],
        )  # fmt: skip
    axes.axhline(0.0, color=ACCENT, linewidth=1.0)
    axes.set_xlabel("across the stripes, in the laser plane, mm")
    axes.set_ylabel("distance from the plane, µm")
    axes.set_title("points of the line against the fitted plane (accent): the spread holds its tilt", loc="left")


def _corners(axes: Axes, rig: RigCalibration) -> None:
    """Draw the residual of every corner as an arrow."""
    lens = rig.lens_fit.calibration.lens
    at, off = _residuals(rig)
    largest = max(float(np.hypot(*off.T).max()), 1e-6)
    scale = ARROW_SHARE * lens.width_px / largest
    _picture_axes(axes, rig, f"corner residuals, arrows x {scale:.0f} (largest {largest:.2f} px)")
    axes.quiver(*at.T, *off.T, angles="xy", scale_units="xy", scale=1 / scale, color=INK, width=0.0018)


def _residuals(rig: RigCalibration) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import cv2

    fit = rig.lens_fit
    lens = fit.calibration.lens
    at, off = [], []
    for board, turn, place in zip(fit.boards, fit.turns, fit.places, strict=True):
        flat = np.column_stack([board.board_mm, np.zeros(len(board.board_mm))])
        seen, _ = cv2.projectPoints(flat @ turn.T + place, np.zeros(3), np.zeros(3), lens.camera_matrix,
                                    lens.distortion)  # fmt: skip
        at.append(board.points_px)
        off.append(board.points_px - seen.reshape(-1, 2))
    return np.vstack(at), np.vstack(off)


def _plane(axes: Axes, rig: RigCalibration) -> None:
    """Draw rms of each view: corners in px beside stripes in µm."""
    fit = rig.lens_fit.calibration
    names = list(fit.views)[:MOST_LISTED]
    rows = np.arange(len(names))
    axes.barh(rows - 0.2, fit.view_rms_px[: len(names)], height=0.36, color="white", edgecolor=INK, hatch="////")
    axes.set_yticks(rows, [_label(name, rig) for name in names])
    axes.invert_yaxis()
    axes.set_xlabel("corners, rms px (hatched)")
    cut = f" (the first {len(names)} of {len(fit.views)})" if len(names) < len(fit.views) else ""
    axes.set_title(f"what each picture fits by{cut}; without a full bar: no line that serves", loc="left")
    other = axes.twiny()
    values = {
        name: 1000 * float(np.sqrt(np.mean(residual**2)))
        for name, residual in zip(rig.stripe_names, rig.plane_fit.residual_mm, strict=True)
    }
    other.barh(rows + 0.2, [values.get(name, 0.0) for name in names], height=0.36, color=ACCENT)
    other.set_xlabel("line from the plane, rms µm (full)")
    other.spines["top"].set_visible(True)


def _label(name: str, rig: RigCalibration) -> str:
    if name in rig.stripe_names:
        return f"{short(name, 18)} ({rig.stripe_names.index(name) + 1})"
    return short(name, 18)
