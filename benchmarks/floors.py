"""How far a value may be off: the numbers the project has set itself, on pictures at 0.025 to 0.04 mm per pixel."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Floor:
    """Largest absolute error allowed in 95 % of cases; ``stated`` is False where only the benchmark sets one."""

    absolute: float
    relative: float = 0.0
    stated: bool = True

    def at(self, true: float) -> float:
        """Return the tolerance for a true value."""
        return max(self.absolute, self.relative * abs(true))


LENGTH = Floor(0.06, 0.01)
THROAT = Floor(0.05, 0.01)
HEIGHT = Floor(0.04)

FLOORS: dict[str, Floor] = {
    **dict.fromkeys(
        (
            "leg_left",
            "leg_right",
            "perpendicular_leg_left",
            "perpendicular_leg_right",
            "size",
            "face_width",
            "cap_width",
            "root_width",
            "thickness_left",
            "thickness_right",
            "root_gap",
            "root_face_left",
            "root_face_right",
        ),
        LENGTH,
    ),
    "throat": THROAT,
    "design_throat": THROAT,
    **dict.fromkeys(
        (
            "convexity",
            "concavity",
            "reinforcement",
            "reinforcement_from_left",
            "reinforcement_from_right",
            "root_reinforcement",
            "misalignment",
            "root_misalignment",
        ),
        HEIGHT,
    ),
    "undercut_left": Floor(0.04, 0.10),
    "undercut_right": Floor(0.04, 0.10),
    "joint_angle": Floor(0.3),
    "bevel_angle_left": Floor(0.4),
    "bevel_angle_right": Floor(0.4),
    # not in the table of numbers to reach: set here, so that a gross error shows
    "underfill": Floor(0.04, stated=False),
    "root_concavity": Floor(0.04, stated=False),
    "angular_misalignment": Floor(0.3, stated=False),
    "groove_angle": Floor(0.6, stated=False),
    "leg_difference": Floor(0.085, 0.01, stated=False),
    "weld_area": Floor(0.4, 0.02, stated=False),
    "preparation_depth_left": Floor(0.06, 0.01, stated=False),
    "preparation_depth_right": Floor(0.06, 0.01, stated=False),
    "toe_angle_left": Floor(3.0, stated=False),
    "toe_angle_right": Floor(3.0, stated=False),
    "toe_radius_left": Floor(0.15, 0.25, stated=False),
    "toe_radius_right": Floor(0.15, 0.25, stated=False),
    "undercut_width_left": Floor(0.10, 0.10, stated=False),
    "undercut_width_right": Floor(0.10, 0.10, stated=False),
    "overlap_left": Floor(0.10, 0.10, stated=False),
    "overlap_right": Floor(0.10, 0.10, stated=False),
    "spatter_height": Floor(0.06, 0.10, stated=False),
    "pit_depth": Floor(0.06, 0.10, stated=False),
}

LINE_FLOORS: dict[str, Floor] = FLOORS | {
    **dict.fromkeys(
        ("leg_left", "leg_right", "perpendicular_leg_left", "perpendicular_leg_right", "cap_width", "root_gap"),
        Floor(0.08, 0.01),
    ),
    "undercut_left": Floor(0.04),
    "undercut_right": Floor(0.04),
    "bevel_angle_left": Floor(0.3),
    "bevel_angle_right": Floor(0.3),
}
"""The same for laser lines at 0.03 to 0.06 mm per pixel."""

MEASURED_SHARE = 0.98
COVERAGE_RANGE = (0.93, 0.98)
SILENT_EXPANDED = 5.0
"""A value further off than this many expanded uncertainties, and beyond its floor, is silently wrong."""
