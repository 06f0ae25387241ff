"""The law of propagation checked by random trials on the same model (JCGM 101:2008).

Every input is drawn from a normal distribution and the values are computed again from the moved geometry. Values
without a geometry of their own (undercut, toe angle and radius, surface defects) have independent parts that
add up: for them the trials show what the bound at 0 does to the interval.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from core.quantity import Measured, Quantity, Unit
from measurement.butt import butt_model
from measurement.fillet import fillet_model
from measurement.groove import groove_model
from measurement.model import Model
from measurement.names import SIGNED
from measurement.uncertainty import Input, Noise, noise_of, relative_parts
from vision.section import Section

Geometry = TypeVar("Geometry")
Samples = NDArray[np.float64]

DRAWS = 4000
COVERAGE = 0.9545
"""Probability of k = 2 for a normal distribution, so that the two intervals are comparable."""


@dataclass(frozen=True, slots=True)
class Trials:
    """What random trials say of one value.

    Attributes
    ----------
    mean, standard_uncertainty
        Of the values of all trials.
    low, high
        The shortest interval that holds ``COVERAGE`` of them (JCGM 101:2008, 7.7).
    draws
        Number of trials.
    """

    mean: float
    standard_uncertainty: float
    low: float
    high: float
    draws: int


def simulate(
    section: Section, measured: Mapping[str, Measured], *, draws: int = DRAWS, seed: int = 1
) -> dict[str, Trials]:
    """Return what random trials say of every measured value of a section, by name."""
    rng = np.random.default_rng(seed)
    model = model_of(section)
    samples = {} if model is None else model_samples(model, draws, rng)
    for name, value in measured.items():
        if isinstance(value, Quantity) and name not in samples and value.budget:
            samples[name] = _added_up(value, draws, rng, signed=name in SIGNED)
    return {name: summary(drawn) for name, drawn in samples.items() if isinstance(measured.get(name), Quantity)}


def model_samples(model: Model[Geometry], draws: int, rng: np.random.Generator) -> dict[str, Samples]:
    """Return ``draws`` values by name, each from a geometry with all inputs moved at random."""
    drawn = geometry_samples(model.values, model.nominal, model.inputs, draws, rng)
    scales = rng.standard_normal((len(model.noise.relative_std), draws))
    for name, (lesser, other) in model.lesser.items():
        drawn[name] = drawn[name] * np.minimum(1.0, drawn[other] / drawn[lesser])
    finished: dict[str, Samples] = {}
    for name, values in drawn.items():
        for std in model.edge.get(name, {}).values():
            values = values + std * rng.standard_normal(draws)
        values = values + _relative(values, model.units[name], model.noise, scales)
        if name in model.not_below_zero:
            values = np.maximum(values, 0.0)
        elif name in model.without_sign:
            values = np.abs(values)
        finished[name] = values
    return finished


def geometry_samples(
    values: Callable[[Geometry], dict[str, float]],
    nominal: Geometry,
    inputs: Iterable[Input[Geometry]],
    draws: int,
    rng: np.random.Generator,
) -> dict[str, Samples]:
    """Return the values of ``draws`` geometries by name, (draws,) each."""
    moves = [entry.move for entry in inputs]
    shares = rng.standard_normal((draws, len(moves)))
    rows = []
    for row in shares:
        geometry = nominal
        for move, share in zip(moves, row, strict=True):
            geometry = move(geometry, float(share))
        rows.append(values(geometry))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def summary(samples: Samples, coverage: float = COVERAGE) -> Trials:
    """Return mean, standard deviation and shortest interval of samples, (N,)."""
    ordered = np.sort(samples)
    inside = max(1, math.ceil(coverage * len(ordered)) - 1)
    widths = ordered[inside:] - ordered[: len(ordered) - inside]
    first = int(np.argmin(widths))
    spread = float(samples.std(ddof=1)) if len(samples) > 1 else 0.0
    return Trials(float(samples.mean()), spread, float(ordered[first]), float(ordered[first + inside]), len(samples))


def model_of(section: Section) -> Model[object] | None:
    """Return the model of a section's values, None where it has none."""
    noise = noise_of(section)
    if section.joint == "groove":
        return groove_model(section, noise)  # type: ignore[return-value]
    if section.face is None:
        return None
    if section.joint == "butt":
        return butt_model(section, noise)  # type: ignore[return-value]
    return fillet_model(section.face, noise)  # type: ignore[return-value]


def _relative(values: Samples, unit: Unit, noise: Noise, scales: Samples) -> Samples:
    """What the calibration leaves unknown, drawn once for all values of a trial."""
    parts = relative_parts(1.0, unit, noise)
    share = sum(
        (parts.get(source, 0.0) * row for source, row in zip(noise.relative_std, scales, strict=True)), np.zeros(1)
    )
    return share * np.ones_like(values) if unit == "deg" else share * values


def _added_up(value: Quantity, draws: int, rng: np.random.Generator, *, signed: bool) -> Samples:
    """A value whose parts are independent and add up, within what it can be."""
    drawn = np.full(draws, value.value)
    for part in value.budget:
        drawn = drawn + part.standard_uncertainty * rng.standard_normal(draws)
    if value.unit == "percent":
        drawn = np.minimum(drawn, max(value.value, 100.0))
    return drawn if signed else np.maximum(drawn, min(value.value, 0.0))
