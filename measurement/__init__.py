"""From what was found in a profile to values with their uncertainty."""

from __future__ import annotations

from dataclasses import replace

from core.quantity import Component, Measured, NotMeasurable, Quantity
from measurement.butt import butt_values
from measurement.fillet import fillet_values
from measurement.groove import groove_values
from measurement.inside import inside_values
from measurement.names import LABELS, SIGNED, Name, names_for
from measurement.plate import surface_defects
from measurement.toe import overlap, toe_angle, toes_of
from measurement.toe_radius import Transition, fit_transition, toe_radius
from measurement.uncertainty import MISSING, Noise, noise_of
from measurement.undercut import undercut
from vision.section import Section, WeldSurface

__all__ = ["LABELS", "SIGNED", "Name", "measure", "names_for"]


def measure(section: Section) -> dict[str, Measured]:
    """Return every value that applies to the section's joint, in the order of ``names_for``.

    Those inside the weld follow, in the order of ``inside_names_for``, where the inside was looked at.

    A value that the section does not support is a `NotMeasurable`, and one such value hides no other.
    """
    noise = noise_of(section)
    names = names_for(section.joint)
    if section.joint == "groove":
        found = groove_values(section, noise)
    elif section.face is None:
        reason = "no weld face was found; mark the toes or choose another region"
        found = {name.name: NotMeasurable(reason, name.unit) for name in names}
    else:
        own = butt_values(section, noise) if section.joint == "butt" else fillet_values(section.face, noise)
        found = own | toe_values(section.face, noise) | surface_defects(section.face, noise)
    unseen = section.unseen
    values = {
        name.name: NotMeasurable(unseen[name.name], name.unit)
        if name.name in unseen
        else _less_sure(found[name.name], section.hidden.get(name.name, 0.0))
        for name in names
    }
    if section.inside is None:
        return values
    return values | {
        name: NotMeasurable(unseen[name], value.unit) if name in unseen else value
        for name, value in inside_values(section, noise).items()
    }


def _less_sure(value: Measured, std: float) -> Measured:
    if std <= 0 or not isinstance(value, Quantity):
        return value
    return replace(value, budget=(*value.budget, Component(MISSING, std)))


def toe_values(surface: WeldSurface, noise: Noise) -> dict[str, Measured]:
    """Return angle, radius, undercut and overlap of both toes by name."""
    values: dict[str, Measured] = {}
    for side, toe in toes_of(surface).items():
        groove = undercut(toe, noise)
        transition: Transition | str = "an undercut lies beside the toe, plate and face do not meet in one arc"
        if not groove.present:
            transition = fit_transition(toe, noise)
        arc, share = None, 0.0
        if not isinstance(transition, str) and transition.likely > 0:
            arc, share = (transition.corner, transition.end), transition.likely
        angle = toe_angle(toe, noise, arc=arc, arc_share=share)
        values[f"undercut_{side}"] = groove.depth
        values[f"undercut_width_{side}"] = groove.width
        values[f"toe_angle_{side}"] = angle
        values[f"toe_radius_{side}"] = toe_radius(toe, transition, noise)
        values[f"overlap_{side}"] = overlap(toe, angle, noise)
    return values
