"""What a ground that is not plain leaves open of a weld: where it hides the edge, and how far grain of it reaches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.hidden_edge import LONG_MM, MOST_HIDDEN, NEAR_MM, OF_CORNER, of_prepared_edges
from vision.outline import Outline
from vision.plate_line import Detail
from vision.runs import Run
from vision.section import Flag, Section, WeldSurface
from vision.untold_toe import OF_ANY_TOE, OF_BOTH_TOES, OF_THIS_TOE, of_toe

BESIDE_MM = 1.0
"""Angle and radius of a toe, and undercut, are told so near it."""

MOST_HIDDEN_FACE = 0.7
"""Share of a weld's face that may be hidden."""

MOST_HIDDEN_BEAD = 0.05
"""Share of a bead on the root side: its top may be what is hidden."""

CLEAR = 3.5
"""On a plain ground 99 of 100 points of straight surfaces lie within so many times their wander (rendered pictures)."""

OF_GRAIN = 0.5
"""Standard uncertainty of a place on an edge, over how far grain of the ground reaches out on straight surfaces."""

LEAST_GRAIN_MM = 0.03

SMALLEST = 6.0
"""A face narrower than so many times that may be grain itself."""

SMALL = ("toe_angle", "toe_radius", "undercut", "undercut_width", "overlap")
LEGS = ("leg", "perpendicular_leg")
ROOT_SIDE = ("root_width", "root_reinforcement", "root_concavity")
OF_PLATE = ("joint_angle", "misalignment", "root_misalignment", "angular_misalignment")
NO_LENGTHS = ("toe_angle", "toe_radius", "weld_area")


def doubted(section: Section, outlines: Sequence[tuple[Points, Outline]], grain_mm: float) -> Section:
    """Return a section with what its ground leaves open.

    Parameters
    ----------
    outlines
        Points of each outline in mm, (N, 2), and the outline.
    grain_mm
        How far grain of the ground reaches out on straight surfaces, 0 on a plain ground (`reach_of_grain`).
    """
    unseen, hidden = _of_grain(section, grain_mm)
    places, lengths = _bridges(outlines)
    for more, wider in _of_bridges(section, places, lengths) if len(places) else ():
        unseen |= more
        hidden |= {name: max(hidden.get(name, 0.0), std) for name, std in wider.items()}
    if not unseen and not hidden:
        return section
    flags = section.flags
    if unseen:
        text = "the ground hides parts of the edge, or grain of it cannot be told from the metal: small features beside"
        flags = (*flags, Flag("edge_hidden", f"{text} them are not measured; lay the section on plain paper"))
    grown = {name: float(np.hypot(section.hidden.get(name, 0.0), std)) for name, std in hidden.items()}
    return replace(section, flags=flags, unseen={**unseen, **section.unseen}, hidden={**section.hidden, **grown})


def _of_bridges(
    section: Section, places: Points, lengths: NDArray[np.float64]
) -> Iterator[tuple[dict[str, str], dict[str, float]]]:
    if section.face is not None:
        yield _of_face(section.face, places, lengths)
        yield _of_root_side(section.root_side, places, lengths)
    else:
        yield of_prepared_edges({"left": section.edge_left, "right": section.edge_right}, places, lengths)


def is_of_ground(section: Section, outlines: Sequence[tuple[Points, Outline]], grain_mm: float) -> bool:
    """Tell whether what was taken for a weld may be grain of the ground beside a plate, or a line along it."""
    face = section.face
    if face is None:
        return False
    if _width_mm(section) < SMALLEST * grain_mm:
        return True
    places, lengths = _bridges(outlines)
    return _hidden_share(face.face, places[lengths > LONG_MM]) > MOST_HIDDEN_FACE


def reach_of_grain(points: Points, runs: Sequence[Run], detail: Detail) -> float:
    """Return how far an outline (N, 2) leaves its straight surfaces where grain of the ground joins them, in mm.

    0 where it leaves them no farther than surfaces wander.
    """
    away = [np.abs(fit.line.offset(points[run.indices(len(points))])) for run, fit in detail.lines.items()]
    away += [np.abs(run.line.offset(points[run.indices(len(points))])) for run in runs if not run.cut]
    if not away:
        return 0.0
    reach = float(np.quantile(np.concatenate(away), 0.99))
    return reach if reach > max(LEAST_GRAIN_MM, CLEAR * detail.wander_mm) else 0.0


def _of_grain(section: Section, grain_mm: float) -> tuple[dict[str, str], dict[str, float]]:
    if grain_mm <= 0:
        return {}, {}
    reason = (
        f"grain of the ground as bright as the metal, or a shadow as dark, moves the edge by up to {grain_mm:.2f} mm: "
        "nothing so small can be told; lay the section on plain paper in even light"
    )
    small = (f"{name}_{side}" for name in SMALL for side in ("left", "right"))
    sides = [f"{name}_{side}" for name in OF_THIS_TOE if name not in SMALL for side in ("left", "right")]
    sizes = [*sides, *OF_BOTH_TOES, *ROOT_SIDE, "root_gap", "root_face_left", "root_face_right"]
    std = OF_GRAIN * grain_mm
    return dict.fromkeys((*small, *OF_ANY_TOE), reason), {
        name: std * (_width_mm(section) if name == "weld_area" else 1.0) for name in sizes
    }


def _width_mm(section: Section) -> float:
    face = section.face
    return 1.0 if face is None else float(np.hypot(*(face.toe_right - face.toe_left)))


def _bridges(outlines: Sequence[tuple[Points, Outline]]) -> tuple[Points, NDArray[np.float64]]:
    """Return the points where no edge was seen, (N, 2) in mm, and the length of the stretch each lies in, in mm."""
    found = []
    for points, outline in outlines:
        if outline.bridged_px is not None and (outline.bridged_px > 0).any():
            step = np.hypot(*(points - np.roll(points, 1, axis=0)).T)
            scale = float(np.median(step)) / outline.step_px
            here = outline.bridged_px > 0
            found.append(np.column_stack([points[here], outline.bridged_px[here] * scale]))
    every = np.vstack([np.empty((0, 3)), *found])
    return every[:, :2], every[:, 2]


def _of_face(
    face: WeldSurface, places: Points, lengths: NDArray[np.float64]
) -> tuple[dict[str, str], dict[str, float]]:
    unseen: dict[str, str] = {}
    hidden: dict[str, float] = {}
    for side, toe, plate in (("left", face.toe_left, face.left), ("right", face.toe_right, face.right)):
        away = np.hypot(*(places - toe).T)
        reason = f"a line of the ground runs along the edge beside the {side} toe; lay the section on plain paper"
        names = of_toe(side)
        covered = _hidden_share(plate.points, places[lengths > LONG_MM])
        if covered > MOST_HIDDEN:
            # The legs of both sides begin where the two plates meet.
            legs = (f"{name}_{each}" for name in LEGS for each in ("left", "right"))
            unseen |= dict.fromkeys((*names, *legs, *OF_PLATE, f"thickness_{side}"), reason)
        elif ((away < NEAR_MM) & (lengths > LONG_MM)).any():
            unseen |= dict.fromkeys(names, reason)
        elif (away < BESIDE_MM).any():
            unseen |= dict.fromkeys((f"{name}_{side}" for name in SMALL), reason)
            std = OF_CORNER * float(lengths[away < BESIDE_MM].max())
            for name in names:
                hidden[name] = max(hidden.get(name, 0.0), std)
    return unseen, {name: std for name, std in hidden.items() if not name.startswith(NO_LENGTHS)}


def _of_root_side(
    root: WeldSurface | None, places: Points, lengths: NDArray[np.float64]
) -> tuple[dict[str, str], dict[str, float]]:
    if root is None:
        return {}, {}
    unseen: dict[str, str] = {}
    stds = [0.0]
    reason = "a line of the ground runs along the edge on the root side; lay the section on plain paper"
    if _hidden_share(root.face, places[lengths > LONG_MM]) > MOST_HIDDEN_BEAD:
        unseen |= dict.fromkeys(ROOT_SIDE, reason)
    for side, toe, plate in (("left", root.toe_left, root.left), ("right", root.toe_right, root.right)):
        away = np.hypot(*(places - toe).T)
        if _hidden_share(plate.points, places[lengths > LONG_MM]) > MOST_HIDDEN:
            unseen |= dict.fromkeys((*ROOT_SIDE, "root_misalignment", f"thickness_{side}"), reason)
        elif ((away < NEAR_MM) & (lengths > LONG_MM)).any():
            unseen |= dict.fromkeys(ROOT_SIDE, reason)
        elif (away < BESIDE_MM).any():
            stds.append(OF_CORNER * float(lengths[away < BESIDE_MM].max()))
    return unseen, dict.fromkeys(ROOT_SIDE, max(stds)) if max(stds) > 0 else {}


def _hidden_share(points: Points, places: Points) -> float:
    if not len(points) or not len(places):
        return 0.0
    some = points[:: max(1, len(points) // 60)]
    away = np.hypot(*(some[:, None] - places[None]).transpose(2, 0, 1)).min(axis=1)
    step = float(np.median(np.hypot(*np.diff(points, axis=0).T))) if len(points) > 1 else 0.0
    return float(np.mean(away < 2 * step + 1e-9))
