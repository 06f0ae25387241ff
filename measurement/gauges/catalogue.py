"""The gauges that are modelled, what each is meant for, and how one is read."""

from __future__ import annotations

from collections.abc import Mapping

from core.quantity import Measured, Quantity
from measurement.gauges.blades import INCH_BLADES, METRIC_BLADES, BladeSet, read_blades
from measurement.gauges.bridge import BridgeGauge, read_bridge
from measurement.gauges.contact import Tip
from measurement.gauges.joint_gauges import BevelBlade, GapFeeler, HookGauge, read_bevel, read_gap, read_hook
from measurement.gauges.reading import NoReading, Read
from measurement.gauges.seat import SeatGauge, read_seat
from vision.section import Joint, Section

Gauge = SeatGauge | BladeSet | BridgeGauge | HookGauge | BevelBlade | GapFeeler

ASTRIDE = BridgeGauge("bridge", (-15.0, 15.0), Tip(width_mm=2.0))
BESIDE = BridgeGauge("needle bridge", (3.0, 23.0), Tip(radius_mm=0.15, half_angle_deg=20.0))
OVER_PIT = BridgeGauge("pit bridge", (-10.0, 10.0), Tip(radius_mm=0.15, half_angle_deg=20.0))

GAUGES: Mapping[str, tuple[tuple[Gauge, tuple[str, ...]], ...]] = {
    "fillet": (
        (SeatGauge(), ("throat",)),
        (METRIC_BLADES, ("leg_left", "leg_right")),
        (INCH_BLADES, ("leg_left", "leg_right")),
        (BESIDE, ("undercut_left", "undercut_right")),
        (OVER_PIT, ("pit_depth",)),
    ),
    "butt": (
        (ASTRIDE, ("reinforcement", "root_reinforcement")),
        (BESIDE, ("undercut_left", "undercut_right")),
        (OVER_PIT, ("pit_depth",)),
    ),
    "groove": (
        (BevelBlade(), ("bevel_angle_left", "bevel_angle_right")),
        (GapFeeler(), ("root_gap",)),
        (HookGauge(), ("root_misalignment", "thickness_left", "thickness_right")),
    ),
}
"""The gauges of each kind of joint with what they are set to; their dimensions are usual ones, without a source."""


def gauges_for(joint: Joint) -> tuple[tuple[Gauge, tuple[str, ...]], ...]:
    """Return the gauges of a kind of joint with what each is meant for."""
    return GAUGES.get(joint, GAUGES["fillet"])


def read(gauge: Gauge, section: Section, quantity: str, values: Mapping[str, Measured]) -> Read:
    """Return what a gauge reads for a quantity of a section.

    Parameters
    ----------
    values
        What was measured on the same section, by name: the true values.
    """
    value = values.get(quantity)
    true = value.value if isinstance(value, Quantity) else None
    if isinstance(gauge, HookGauge):
        return read_hook(gauge, section, quantity, true)
    if isinstance(gauge, BevelBlade):
        return read_bevel(gauge, section, quantity, true)
    if isinstance(gauge, GapFeeler):
        return read_gap(gauge, section, quantity, true)
    lap = section.joint == "lap"
    surface = section.root_side if quantity.startswith("root_") else section.face
    if surface is None:
        side = "root side" if quantity.startswith("root_") else "weld face"
        name = gauge.name if isinstance(gauge, BladeSet | BridgeGauge) else "seat"
        return NoReading(name, quantity, f"no {side} was found to set the gauge on")
    if isinstance(gauge, SeatGauge):
        return read_seat(gauge, surface, quantity, true, lap=lap)
    if isinstance(gauge, BladeSet):
        return read_blades(gauge, surface, quantity, true, lap=lap)
    return read_bridge(gauge, surface, quantity, true, air=-1 if quantity.startswith("root_") else 1, lap=lap)


def readings(section: Section, values: Mapping[str, Measured]) -> tuple[Read, ...]:
    """Return what all gauges of the section's kind of joint read, in the order of the catalogue."""
    return tuple(
        read(gauge, section, quantity, values)
        for gauge, quantities in gauges_for(section.joint)
        for quantity in quantities
    )
