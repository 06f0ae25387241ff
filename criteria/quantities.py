"""Which values a limit may name: with a side, or without one where both are meant."""

from __future__ import annotations

from core.quantity import Unit
from measurement.names import LABELS

INSIDE: dict[str, Unit] = {
    "penetration_left": "mm",
    "penetration_right": "mm",
    "root_penetration": "mm",
    "throat_with_penetration": "mm",
    "lack_of_root_fusion": "mm",
    "haz_width_left": "mm",
    "haz_width_right": "mm",
    "fused_area": "mm2",
    "lack_of_penetration": "mm",
}
"""Values of the inside of an etched section."""

UNSEEN: dict[str, Unit] = {
    "shrinkage_groove": "mm",
    "burn_through": "mm",
    "joint_thickness": "mm",
}
"""What rows limit and no measured value shows: such a row is listed and never judged."""

UNITS: dict[str, Unit] = INSIDE | UNSEEN | {name: label.unit for name, label in LABELS.items()}

LIMITED = ("mm", "deg")
"""Units of values that can have a limit."""


def names_of(quantity: str) -> tuple[str, ...]:
    """Return the measured names a limit on this quantity means; empty when it is not known.

    >>> names_of("leg")
    ('leg_left', 'leg_right')
    >>> names_of("undercut_left")
    ('undercut_left',)
    """
    if quantity in UNITS:
        return (quantity,)
    both = (f"{quantity}_left", f"{quantity}_right")
    return both if all(name in UNITS for name in both) else ()


def known() -> list[str]:
    """Return every name a limit may have, those without a side first."""
    bases = {name.removesuffix("_left") for name in UNITS if name.endswith("_left")}
    return sorted(bases) + sorted(set(UNITS) - set(UNSEEN))


def unit_of(quantity: str) -> Unit:
    """Return the unit of a known quantity."""
    return UNITS[names_of(quantity)[0]]


def label_of(name: str) -> str:
    """Return what a table calls a value."""
    return LABELS[name].label if name in LABELS else name.replace("_", " ")
