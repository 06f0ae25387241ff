"""A toe that cannot be told: what a profile shows of the weld all the same, and what it does not."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from core.geometry import Line, Points, distance
from vision.section import Flag

SHORTEST_PLATE_MM = 5.0
FEWEST_PLATE_POINTS = 40
"""A plate beside a toe that is not told must be seen over so much: else even its line may be another thing's."""

OF_ANY_TOE = ("pit_depth", "spatter_height")
OF_THIS_TOE = (
    "toe_angle", "toe_radius", "undercut", "undercut_width", "overlap", "leg", "perpendicular_leg",
)  # fmt: skip
OF_BOTH_TOES = (
    "leg_difference", "size", "design_throat", "throat", "convexity", "concavity", "face_width", "weld_area",
    "cap_width", "reinforcement", "reinforcement_from_left", "reinforcement_from_right", "underfill",
)  # fmt: skip


def stand_in(line: Line, towards_weld: Points, across_weld: Points) -> tuple[Points, float]:
    """Return a point in the place of a toe that is not told, and its standard uncertainty along the plate.

    Parameters
    ----------
    line
        Of the plate.
    towards_weld, across_weld
        (2,) the ends of the straight stretches on both sides of the weld, this plate's first: the toe lies between.
    """
    return line.at(float(line.along(towards_weld))), 0.5 * distance(across_weld, towards_weld)


def of_toe(side: str) -> tuple[str, ...]:
    """Return the names of the values that need the toe of this side, "left" or "right"."""
    return (*(f"{name}_{side}" for name in OF_THIS_TOE), *OF_BOTH_TOES, *OF_ANY_TOE)


def not_seen(sides: Collection[str]) -> dict[str, str]:
    """Return the names of the values that need the toes of these sides, each with the reason."""
    unseen: dict[str, str] = {}
    for side in sides:
        reason = (
            f"the {side} toe cannot be told, because points are missing or scatter there or the face leaves the plate"
        )
        unseen = {**dict.fromkeys(of_toe(side), f"{reason} nearly flush"), **unseen}
    return unseen


def flags_for(sides: Collection[str]) -> Iterator[Flag]:
    """Yield what a person should know of a weld with such toes."""
    for side in sides:
        yield Flag("toe_untold", f"the {side} toe cannot be told: only values that do without it are measured")
