"""How well an uncertainty is itself known: effective degrees of freedom (JCGM 100:2008, annex G).

What is estimated from the scatter of points has as many degrees of freedom as independent pieces of surface, less
two for the line through them. All other parts are judged, and count as known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from core.fitting import LineFit
from measurement.model import Geometry, Model
from measurement.monte_carlo import model_of
from measurement.uncertainty import degrees_of_fit
from vision.section import Section

PLATE_FIT = "plate fit"
SCATTERED = ("edge", "toe location")
"""Sources that rest on the scatter about all lines of a section taken together."""


def effective_degrees_of_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom of a root sum of squares (Welch-Satterthwaite; G.4.1, equation G.2b).

    Parameters
    ----------
    parts
        Standard uncertainty and degrees of freedom of each part, ``math.inf`` for one that is known.
    """
    listed = list(parts)
    below = sum(std**4 / degrees for std, degrees in listed)
    return sum(std**2 for std, _ in listed) ** 2 / below if below > 0 else math.inf


def coverage_factor(degrees_of_freedom: float, level: float = 0.95) -> float:
    """Return k from the t distribution, the degrees of freedom cut to a whole number first (G.4.1, G.6.4)."""
    from scipy.stats import norm, t

    point = (1 + level) / 2
    if math.isinf(degrees_of_freedom):
        return float(norm.ppf(point))
    return float(t.ppf(point, max(1, math.floor(degrees_of_freedom))))


def degrees_by_value(section: Section, names: Iterable[str]) -> Mapping[str, Mapping[str, float]]:
    """Return, for each value, the degrees of freedom of the sources that rest on scatter; all others are known.

    A value rests on some lines of its section, and on them by different shares: of these its plate fit has its degrees.
    Of a value that no model computes the line that is known least counts.
    """
    fits = [degrees_of_fit(fit) for fit in _fits(section)]
    if not fits:
        return {name: {} for name in names}
    model = model_of(section)
    own = {} if model is None else _of_lines(model)
    scattered = dict.fromkeys(SCATTERED, sum(fits))
    return {name: {PLATE_FIT: own.get(name, min(fits)), **scattered} for name in names}


def _of_lines(model: Model[Geometry]) -> dict[str, float]:
    """Return the effective degrees of freedom of the plate fit of each value that the model computes."""
    parts: dict[str, list[tuple[float, float]]] = {}
    for entry in model.inputs:
        if entry.source == PLATE_FIT:
            above, below = (model.values(entry.move(model.nominal, share)) for share in (1.0, -1.0))
            for name, value in above.items():
                parts.setdefault(name, []).append((abs(value - below[name]) / 2, entry.degrees))
    return {name: effective_degrees_of_freedom(found) for name, found in parts.items()}


def _fits(section: Section) -> list[LineFit]:
    surfaces = [surface for surface in (section.face, section.root_side) if surface is not None]
    edges = [edge for edge in (section.edge_left, section.edge_right) if edge is not None]
    found = [plate.fit for surface in surfaces for plate in (surface.left, surface.right)]
    found += [fit for edge in edges for fit in (edge.outside, edge.inside, edge.bevel, edge.land) if fit is not None]
    return [fit for fit in found if fit.residual_std > 0]
