"""What was found inside an etched section: fusion lines, heat-affected zone, gap behind the root, indications."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

Side = Literal["whole", "left", "right", "root side"]

CLEAR = 4.0
SEEN = 2.0
"""Contrast over noise from which a piece of a line is clear, and below which the etch does not show it."""


def stretches(marked: NDArray[np.bool_]) -> list[slice]:
    """Return the stretches of marked points of a line, (N,)."""
    ends = np.flatnonzero(np.diff(marked, prepend=False, append=False))
    return [slice(int(first), int(end)) for first, end in ends.reshape(-1, 2)]


@dataclass(frozen=True, slots=True)
class Found:
    """A length read off the picture with its standard uncertainty, mm."""

    value_mm: float
    std_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class FusionLine:
    """A boundary between weld metal and parent metal.

    Attributes
    ----------
    side
        "whole" runs from the left toe to the right toe of the face side, "root side" the same on the root
        side; "left" and "right" run from the toe of the face side to that of the root side.
    points_mm, points_px
        (N, 2), at about equal steps.
    std_mm
        (N,) standard uncertainty across the line.
    confidence
        (N,) step of tone or texture across the line over the noise of that step, local; below `SEEN` the etch
        does not show the line there.
    marked
        A person's points lead it.
    meets
        (N,) whether a point lies where the weld metal of the neighbouring weld begins, not parent metal: there the
        line is the straight one between the two places where the fusion lines of both meet. None when it meets none.
    stained
        (N,) whether a stain hides the boundary at a point: the line was led across it. None where none does.
    """

    side: Side
    points_mm: Points
    points_px: Points
    std_mm: NDArray[np.float64]
    confidence: NDArray[np.float64]
    marked: bool = False
    meets: NDArray[np.bool_] | None = None
    stained: NDArray[np.bool_] | None = None

    @property
    def own(self) -> NDArray[np.bool_]:
        """Return which points lie on the boundary to parent metal, (N,)."""
        return np.ones(len(self.points_mm), bool) if self.meets is None else ~self.meets

    @property
    def led_across(self) -> NDArray[np.bool_]:
        """Return which points lie in a stain, (N,)."""
        return np.zeros(len(self.points_mm), bool) if self.stained is None else self.stained


@dataclass(frozen=True, slots=True)
class Indication:
    """A spot in the weld metal that differs from it; what it is, a person decides.

    Attributes
    ----------
    kind
        "pore_or_inclusion" for a compact spot, "linear_indication" for a long, thin one.
    tone
        Against the weld metal around it.
    equivalent_diameter_mm
        Diameter of the circle of the same area.
    surface_distance_mm
        From the rim of the spot to the nearest surface of the metal.
    """

    kind: Literal["pore_or_inclusion", "linear_indication"]
    tone: Literal["dark", "bright"]
    centre_px: tuple[float, float]
    centre_mm: tuple[float, float]
    area_mm2: float
    area_std_mm2: float
    equivalent_diameter_mm: float
    length_mm: float
    width_mm: float
    surface_distance_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Inside:
    """The inside of one weld.

    Attributes
    ----------
    lines
        One for a fillet; for a butt weld that goes through its left and right one, else that of the face side
        and, when there is one, of the root side. Empty when ``reason`` tells why.
    reason
        Why no line is claimed.
    haz_left, haz_right
        Width of the heat-affected zone beside the line, or why there is none to state.
    root_gap
        Open gap between the plates behind the root of a fillet, or why there is none to state.
    indications
        None when they were not looked for.
    pore_size_mm
        Equivalent diameter above which spots are listed.
    haz_mm
        Outer limits of the heat-affected zone as far as they were found, (N, 2) each.
    hollow_root
        A dark hollow lies at the root and no person marked the line past it.
    near_neighbour
        The line comes so near to that of another weld that the etch does not tell whether both have run together.
    walls_mm
        By "left" and "right" the side walls of a butt weld's groove that a person gave, (N, 2) each.
    wall_std_mm
        How exactly they are given.
    between
        Side of the plate that lies between this weld and one that it meets or comes near to.
    """

    lines: tuple[FusionLine, ...]
    reason: str | None = None
    haz_left: Found | str = "no heat-affected zone was looked for"
    haz_right: Found | str = "no heat-affected zone was looked for"
    root_gap: Found | str = "no gap was looked for"
    indications: tuple[Indication, ...] | None = None
    pore_size_mm: float = 0.2
    haz_mm: tuple[Points, ...] = ()
    hollow_root: bool = False
    near_neighbour: bool = False
    between: Literal["left", "right"] | None = None
    walls_mm: Mapping[str, Points] = field(default_factory=dict)
    wall_std_mm: float = 0.0

    @property
    def through(self) -> bool:
        """Whether the weld goes from face to root side (a butt weld's two lines)."""
        return any(line.side == "left" for line in self.lines)
