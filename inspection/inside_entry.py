"""What an etched section shows inside a weld, as entries of the result document."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from inspection.document import Entry
from vision.fusion_line import FusionLine, Indication, Inside
from vision.marks import WeldMarks
from vision.tone import ToneCurve

if TYPE_CHECKING:
    from vision.found import FoundWelds

InsideChoice = Literal["auto", "on", "off"]
MOST_POINTS = 250
"""Points of a fusion line kept in a result file."""


def with_inside(
    gray: NDArray[np.uint8],
    found: FoundWelds,
    calibration: Calibration,
    choice: InsideChoice,
    marks: Sequence[WeldMarks] | None,
    pore_size_mm: float,
    curve: ToneCurve = "linear",
) -> FoundWelds:
    """Look inside the welds of a picture as chosen.

    ``auto`` keeps what was found only where the etch shows a fusion line or a person marked one; ``on`` keeps
    the reasons too where there is none.
    """
    if choice == "off":
        return found
    from vision.fusion import look_inside

    looked = look_inside(gray, found, calibration, marks, pore_size_mm=pore_size_mm, curve=curve)
    if choice == "on":
        return looked
    welds = tuple(
        new if new.section.inside is not None and new.section.inside.lines else old
        for old, new in zip(found.welds, looked.welds, strict=True)
    )
    return replace(found, welds=welds)


def inside_entries(inside: Inside | None) -> Entry:
    """Return ``fusion_lines`` and ``indications`` of a weld, nothing for one that was not looked into."""
    if inside is None:
        return {}
    entry: Entry = {"fusion_lines": [_line(line) for line in inside.lines]}
    if inside.indications is not None:
        entry["indications"] = [_indication(spot) for spot in inside.indications]
        entry["smallest_indication_mm"] = inside.pore_size_mm
    return entry


def _line(line: FusionLine) -> Entry:
    keep = np.unique(np.linspace(0, len(line.points_px) - 1, min(MOST_POINTS, len(line.points_px))).astype(int))
    entry: Entry = {
        "side": line.side,
        "marked": line.marked,
        "points_px": [[round(float(x), 2), round(float(y), 2)] for x, y in line.points_px[keep]],
        "confidence": [round(float(value), 1) for value in line.confidence[keep]],
        "standard_uncertainty_mm": [round(float(value), 4) for value in line.std_mm[keep]],
    }
    if line.meets is not None and line.meets.any():
        ends = line.points_px[np.flatnonzero(line.meets)[[0, -1]]]
        entry["meets_neighbour_px"] = [[round(float(x), 2), round(float(y), 2)] for x, y in ends]
    return entry


def _indication(spot: Indication) -> Entry:
    return {
        "kind": spot.kind,
        "tone": spot.tone,
        "centre_px": [round(value, 2) for value in spot.centre_px],
        "centre_mm": [round(value, 4) for value in spot.centre_mm],
        "area_mm2": round(spot.area_mm2, 5),
        "area_standard_uncertainty_mm2": round(spot.area_std_mm2, 5),
        "equivalent_diameter_mm": round(spot.equivalent_diameter_mm, 4),
        "length_mm": round(spot.length_mm, 4),
        "width_mm": round(spot.width_mm, 4),
        "surface_distance_mm": round(spot.surface_distance_mm, 4),
    }
