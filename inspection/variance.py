"""Analysis of variance of balanced designs: one factor, or parts crossed with operators.

Sums of squares are taken of centred data, so that a large common offset costs no digits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a table of variance; F and p are None for what is tested against nothing."""

    source: str
    degrees_of_freedom: int
    sum_of_squares: float
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares per degree of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


def one_way(values: Values) -> tuple[Line, Line]:
    """Return the lines "part" and "repeatability" of (groups, repeats) values, both at least 2."""
    groups, repeats = values.shape
    centred = _centred(values)
    means = centred.mean(axis=1)
    within = Line("repeatability", groups * (repeats - 1), _squares(centred - means[:, None]))
    between = _tested("part", groups - 1, repeats * _squares(means - means.mean()), within)
    return between, within


def crossed(values: Values) -> tuple[Line, Line, Line, Line]:
    """Return "part", "operator", "interaction" and "repeatability" of (parts, operators, trials) values, each >= 2.

    Parts and operators are random: they are tested against the interaction, which is tested against repeatability.
    """
    parts, operators, trials = values.shape
    centred = _centred(values)
    cells = centred.mean(axis=2)
    by_part, by_operator, centre = cells.mean(axis=1), cells.mean(axis=0), cells.mean()
    repeatability = Line("repeatability", parts * operators * (trials - 1), _squares(centred - cells[:, :, None]))
    apart = cells - by_part[:, None] - by_operator[None, :] + centre
    interaction = _tested("interaction", (parts - 1) * (operators - 1), trials * _squares(apart), repeatability)
    part = _tested("part", parts - 1, operators * trials * _squares(by_part - centre), interaction)
    operator = _tested("operator", operators - 1, parts * trials * _squares(by_operator - centre), interaction)
    return part, operator, interaction, repeatability


def pooled(part: Line, operator: Line, interaction: Line, repeatability: Line) -> tuple[Line, Line, Line]:
    """Return "part", "operator" and "repeatability" with the interaction counted as repeatability."""
    error = Line(
        "repeatability",
        interaction.degrees_of_freedom + repeatability.degrees_of_freedom,
        interaction.sum_of_squares + repeatability.sum_of_squares,
    )
    return (
        _tested(part.source, part.degrees_of_freedom, part.sum_of_squares, error),
        _tested(operator.source, operator.degrees_of_freedom, operator.sum_of_squares, error),
        error,
    )


def _centred(values: Values) -> Values:
    once = values - values.flat[0]
    centred: Values = once - once.mean()
    return centred


def _squares(values: Values) -> float:
    return float(np.sum(values * values))


def _tested(source: str, degrees_of_freedom: int, sum_of_squares: float, against: Line) -> Line:
    from scipy.special import fdtrc

    line = Line(source, degrees_of_freedom, sum_of_squares)
    if against.mean_square <= 0:
        return line
    f = line.mean_square / against.mean_square
    return Line(
        source, degrees_of_freedom, sum_of_squares, f, float(fdtrc(degrees_of_freedom, against.degrees_of_freedom, f))
    )
