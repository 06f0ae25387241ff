"""What pores, inclusions and linear indications in the weld metal amount to."""

from __future__ import annotations

import math

from core.geometry import signed_area
from core.quantity import Measured
from measurement.uncertainty import Noise, quantity
from vision.fusion_line import Indication, Inside
from vision.section import Section
from vision.weld_metal import outlines


def spot_values(section: Section, inside: Inside, noise: Noise) -> dict[str, Measured]:
    """Return what the spots in the weld metal amount to; none found is zero, known to the smallest size looked for."""
    spots = inside.indications
    if spots is None:
        return {}
    total = sum(abs(signed_area(ring)) for ring in outlines(section, inside.lines))
    if total <= 0:
        return {}
    smallest = inside.pore_size_mm
    compact = [spot for spot in spots if spot.kind == "pore_or_inclusion"]
    linear = [spot for spot in spots if spot.kind == "linear_indication"]
    area = sum(spot.area_mm2 for spot in compact)
    std = math.hypot(0.25 * math.pi * (0.5 * smallest) ** 2, *(spot.area_std_mm2 for spot in compact))
    found: dict[str, Measured] = {
        "pore_area_share": quantity(100 * area / total, "percent", {"resolution": 100 * std / total}, noise)
    }
    found["largest_pore"] = _largest(compact, smallest, noise)
    longest = max((spot.length_mm for spot in linear), default=0.0)
    std_length = 0.5 * smallest if not linear else 2.0 * noise.resolution_mm
    found["longest_linear_indication"] = quantity(longest, "mm", {"resolution": std_length}, noise)
    return found


def _largest(spots: list[Indication], smallest: float, noise: Noise) -> Measured:
    if not spots:
        return quantity(0.0, "mm", {"resolution": 0.5 * smallest}, noise)
    spot = max(spots, key=lambda spot: spot.equivalent_diameter_mm)
    diameter = spot.equivalent_diameter_mm
    return quantity(diameter, "mm", {"edge": spot.area_std_mm2 / (math.pi / 2 * diameter)}, noise)
