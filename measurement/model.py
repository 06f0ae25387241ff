"""The model of a weld's values: what they are computed from, what is not known of it, how a value is finished."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from core.quantity import Measured, Unit
from measurement.uncertainty import Input, Noise, combined, propagate, quantity

Geometry = TypeVar("Geometry")


@dataclass(frozen=True, slots=True, eq=False)
class Model(Generic[Geometry]):
    """One geometry, the values that follow from it, and its independent inputs.

    Attributes
    ----------
    values
        Geometry to values by name, smooth in its inputs.
    nominal, inputs
        The geometry as found, and how it moves with each input.
    units
        Unit of each value.
    noise
        What the section says about its points and its scale.
    edge
        Name to source to standard uncertainty: what point noise and blur do to a value on their own.
    not_below_zero, without_sign
        Values that are 0 when the model gives less, and values of which only the size counts.
    notes
        What a reader must know of a value.
    """

    values: Callable[[Geometry], dict[str, float]]
    nominal: Geometry
    inputs: tuple[Input[Geometry], ...]
    units: Mapping[str, Unit]
    noise: Noise
    edge: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    not_below_zero: tuple[str, ...] = ()
    without_sign: tuple[str, ...] = ()
    notes: Mapping[str, str] = field(default_factory=dict)

    def finished(self, name: str, value: float) -> float:
        """Return a value as it is reported."""
        if name in self.not_below_zero:
            return value if value > 0 else 0.0
        return abs(value) if name in self.without_sign else value


def evaluated(model: Model[Geometry]) -> dict[str, Measured]:
    """Return the model's values, each with its budget by the law of propagation."""
    values, parts = propagate(model.values, model.nominal, model.inputs)
    return {
        name: quantity(
            model.finished(name, value),
            model.units[name],
            combined(parts[name], model.edge.get(name, {})),
            model.noise,
            note=model.notes.get(name),
        )
        for name, value in values.items()
    }
