"""The model of a weld's values: what they are computed from, what is not known of it, how a value is finished."""

from __future__ import annotations

import math
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
    lesser
        Value to the two values of which it follows the lesser, that one first.
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
    lesser: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    def finished(self, name: str, value: float) -> float:
        """Return a value as it is reported."""
        if name in self.not_below_zero:
            return value if value > 0 else 0.0
        return abs(value) if name in self.without_sign else value


def evaluated(model: Model[Geometry]) -> dict[str, Measured]:
    """Return the model's values, each with its budget by the law of propagation."""
    values, parts = propagate(model.values, model.nominal, model.inputs)
    known = {name: combined(parts[name], model.edge.get(name, {})) for name in values}
    known |= {name: _of_lesser(values, known, name, *pair) for name, pair in model.lesser.items()}
    return {
        name: quantity(
            model.finished(name, value),
            model.units[name],
            known[name],
            model.noise,
            note=model.notes.get(name),
        )
        for name, value in values.items()
    }


def _of_lesser(
    values: Mapping[str, float], known: Mapping[str, Mapping[str, float]], name: str, lesser: str, other: str
) -> dict[str, float]:
    """Return the budget of a value that follows the lesser of two, which may be the other one.

    The least of two normal variables differs from what it is expected at by the one's error or the other's, as often as
    each is the lesser (C. E. Clark, Operations Research 9, 1961, 145-162: exact for two of one size).
    """
    apart = math.hypot(*known[lesser].values(), *known[other].values())
    if apart == 0 or values[lesser] == 0:
        return dict(known[name])
    share = 0.5 * math.erfc((values[other] - values[lesser]) / apart / math.sqrt(2.0))
    factor = values[name] / values[lesser]
    mine, others = known[name], {source: factor * std for source, std in known[other].items()}
    return {
        source: math.sqrt((1 - share) * mine.get(source, 0.0) ** 2 + share * others.get(source, 0.0) ** 2)
        for source in {**mine, **others}
    }
