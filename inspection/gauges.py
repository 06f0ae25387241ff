"""Modelled readings of hand gauges added to what was measured: per weld of one file, and in its document entry."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from calibration.model import Calibration
from core.geometry import Points
from inspection.document import Entry
from inspection.picture import Inspection

if TYPE_CHECKING:
    from measurement.gauges import Read

Readings = tuple[tuple["Read", ...], ...]
"""The readings of each weld, left to right."""


def with_gauges(inspection: Inspection) -> tuple[Inspection, Readings]:
    """Return the inspection with ``gauges`` in the entry of each weld, and the readings themselves.

    A file that gave nothing comes back as it is.
    """
    from measurement.gauges import readings

    if inspection.found is None:
        return inspection, ()
    pairs = zip(inspection.found.welds, inspection.measured, strict=True)
    taken = tuple(readings(weld.section, values) for weld, values in pairs)
    welds = [
        weld | {"gauges": [gauge_entry(reading, inspection.calibration) for reading in own]}
        for weld, own in zip(inspection.entry["welds"], taken, strict=True)
    ]
    return replace(inspection, entry=inspection.entry | {"welds": welds}), taken


def gauge_entry(taken: Read, calibration: Calibration | None) -> Entry:
    """Return one modelled reading as the document keeps it; without a picture there are no contacts in pixels."""
    from measurement.gauges import NoReading

    about: Entry = {"gauge": taken.gauge, "quantity": taken.quantity}
    if isinstance(taken, NoReading):
        return about | {"state": "no_reading", "reading": None, "unit": taken.unit, "reason": taken.reason}
    entry: Entry = about | {
        "state": "modelled",
        "reading": round(taken.reading, 6),
        "unit": taken.unit,
        "step_reading": None if taken.step_reading is None else round(taken.step_reading, 6),
        "step_text": taken.step_text,
        "true": None if taken.true is None else round(taken.true, 6),
        "difference": None if taken.difference is None else round(taken.difference, 6),
        "why": taken.why,
        "contacts_mm": _pairs(taken.contacts),
        "contacts_px": [] if calibration is None else _pairs(calibration.to_px(taken.contacts)),
    }
    if taken.fits:
        entry["fits"] = dict(taken.fits)
    return entry


def _pairs(points: Points) -> list[list[float]]:
    return [[round(float(x), 6), round(float(y), 6)] for x, y in points]
