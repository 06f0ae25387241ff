"""What a modelled gauge reads, where it touches and why that differs from the true value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from core.geometry import Points

LEAST_PART_MM = 0.02
"""A part of a difference that is smaller than this is not told: no hand gauge shows it."""

BEYOND_SIGHT = "it touches where the plate is not seen, taken as straight there"

CAUTION = (
    "A modelled reading is not a reading: the gauge is taken for perfect and set with a steady hand; "
    "its own tolerance and the person's are not in it."
)


@dataclass(frozen=True, slots=True)
class Part:
    """One reason why a reading differs from the true value, and by how much (in the reading's unit)."""

    reason: str
    amount: float


@dataclass(frozen=True, slots=True, eq=False)
class GaugeReading:
    """The modelled reading of one gauge for one quantity.

    Attributes
    ----------
    gauge, quantity
        Kind of gauge and name of the quantity it is meant for.
    reading, unit
        Where the gauge stands, between its graduations, too.
    step_reading, step_text
        What its graduations let a person read; None when it is off their range.
    true
        The value measured on the same profile, None when it was not measurable.
    parts
        Why reading and true value differ; together they make up the difference but for what is not told.
    remarks
        What else a person at the gauge would see.
    contacts
        (K, 2) where it touches, mm, section frame.
    outline
        Polylines of the body as it stands, mm, section frame.
    fits
        Sizes of a set of blades and whether each fits.
    """

    gauge: str
    quantity: str
    reading: float
    unit: Literal["mm", "deg"]
    step_reading: float | None
    step_text: str
    true: float | None
    contacts: Points
    outline: tuple[Points, ...]
    parts: tuple[Part, ...] = ()
    remarks: tuple[str, ...] = ()
    fits: tuple[tuple[str, bool], ...] = ()

    @property
    def difference(self) -> float | None:
        """Reading less true value."""
        return None if self.true is None else self.reading - self.true

    @property
    def why(self) -> str:
        """The parts and remarks in one line."""
        unit = "°" if self.unit == "deg" else f" {self.unit}"
        return "; ".join([*(f"{part.reason} ({part.amount:+.2f}{unit})" for part in self.parts), *self.remarks])


@dataclass(frozen=True, slots=True)
class NoReading:
    """A gauge that cannot be set to this weld, and why."""

    gauge: str
    quantity: str
    reason: str
    unit: Literal["mm", "deg"] = "mm"


Read = GaugeReading | NoReading


def parts_of(*steps: tuple[str, float], least: float = LEAST_PART_MM) -> tuple[Part, ...]:
    """Return the parts that are large enough to be told, in the order given."""
    return tuple(Part(reason, amount) for reason, amount in steps if abs(amount) >= least)


def to_step(value: float, step: float) -> float:
    """Return a value to the nearest graduation."""
    return round(value / step) * step


def step_text(value: float, step: float, unit: str) -> str:
    """Return a graduation's value with as many decimals as its step has."""
    decimals = max(0, len(f"{step:.6f}".rstrip("0").partition(".")[2]))
    return f"{value:z.{decimals}f}{unit if unit == '°' else f' {unit}'}"
