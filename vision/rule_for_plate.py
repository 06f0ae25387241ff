"""Welds of which a plate surface is the edge of a rule.

A rule that is laid across a section, or along it, is cut out of the ground as the metal is: its edge is straight and as
long as a plate's. Ticks begin there, a known distance apart (`vision.rule_beside`), on whichever side the rule lies: of
a plate surface along which they do, the picture shows the rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Line
from vision.found import FoundWeld, FoundWelds
from vision.ground_doubt import ROOT_SIDE
from vision.rule_beside import RuleEdge, has_ticks
from vision.section import PlateSurface, Section

Gray = NDArray[np.uint8]

Ruled = tuple[Line, tuple[float, float]]
TicksAlong = Callable[[Line, tuple[float, float]], Ruled | None]

LEAST_MM = 16.0
"""Length of a line that is looked at: ticks go on along a rule where the plate that it was taken for ends."""

LEAST_ALIKE = 0.65
"""Correlation along ticks that were taken for a plate: those of drawn rules reach 0.78, walls and grain beside real
plates 0.46."""

SAME_MM = 0.5
"""A plate surface is the edge of a rule if both ends of it lie so near."""

ON_RULE = "a rule lies along the {} side, its edge shows there and not that of the metal"


def ticks_along(gray: Gray, calibration: Calibration) -> TicksAlong:
    """Return what tells of a line, and the stretch of it to look at, whether ticks begin there; each is looked at once.

    It returns the line directed so that the rule lies to its right, and the stretch; None without ticks.

    Parameters
    ----------
    gray
        (H, W), the picture in which welds were found.
    calibration
        That of the same picture.
    """

    @cache
    def ruled(line: Line, span_mm: tuple[float, float]) -> Ruled | None:
        for way, span in ((line, span_mm), (line.reversed(), (-span_mm[1], -span_mm[0]))):
            if has_ticks(gray, way, span, calibration, LEAST_ALIKE):
                return way, span
        return None

    return ruled


def ruled_lines(found: FoundWelds, ticks: TicksAlong) -> Iterator[Ruled]:
    """Yield the lines of what was found that are edges of rules, directed so that the rule lies to the right."""
    for weld in found.welds:
        for line, span in _outer_lines(weld.section):
            ruled = ticks(line, span)
            if ruled is not None:
                yield ruled


def without_rules(
    found: FoundWelds, edges: Sequence[RuleEdge], ticks: TicksAlong, calibration: Calibration
) -> FoundWelds | None:
    """Return the welds whose plate surfaces are no edges of rules, with what rests on one left open; None without any.

    Parameters
    ----------
    edges
        The edges of rules that outlines run along, bare ones too.
    ticks
        Of the picture in which the welds were found.
    calibration
        Of the same picture.
    """
    kept = [_off_rules(weld, edges, ticks, calibration) for weld in found.welds]
    welds = tuple(weld for weld in kept if weld is not None)
    return replace(found, welds=welds) if welds else None


def _off_rules(
    weld: FoundWeld, edges: Sequence[RuleEdge], ticks: TicksAlong, calibration: Calibration
) -> FoundWeld | None:
    section = weld.section
    near_px = SAME_MM / calibration.mm_per_px(calibration.to_px(np.zeros((1, 2)))[0])
    for line, span in _outer_lines(section):
        ends_px = calibration.to_px(np.array([line.at(value) for value in span]))
        if any(edge.away_px(ends_px).max() < near_px for edge in edges):
            return None
    if any(ticks(line, span) for line, span in _outer_lines(section)):
        return None
    unseen: dict[str, str] = {}
    for side, fit in (("left", section.opposite_left), ("right", section.opposite_right)):
        if fit is not None and ticks(fit.line, (-LEAST_MM / 2, LEAST_MM / 2)):
            unseen[f"thickness_{side}"] = ON_RULE.format("other")
    below = () if section.root_side is None else (section.root_side.left, section.root_side.right)
    if any(ticks(plate.fit.line, _span(plate)) for plate in below):
        names = (*ROOT_SIDE, "root_misalignment", "thickness_left", "thickness_right")
        unseen |= dict.fromkeys(names, ON_RULE.format("root"))
    return replace(weld, section=replace(section, unseen={**unseen, **section.unseen})) if unseen else weld


def _outer_lines(section: Section) -> Iterator[Ruled]:
    """Yield the lines that all of a weld or a prepared joint rests on, each with the stretch of it to look at."""
    if section.face is not None:
        for plate in (section.face.left, section.face.right):
            yield plate.fit.line, _span(plate)
    for member in (section.edge_left, section.edge_right, section.bare_left, section.bare_right):
        if member is not None:
            start = float(member.outside.line.along(member.outer_corner))
            yield member.outside.line, (start, start + LEAST_MM)


def _span(plate: PlateSurface) -> tuple[float, float]:
    along = plate.fit.line.along(plate.points)
    first, last = float(along.min()), float(along.max())
    return first, max(last, first + LEAST_MM)
