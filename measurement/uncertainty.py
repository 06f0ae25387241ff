"""The uncertainty model: what is not known of a section, carried over to every value.

Lines and toes are shifted one standard uncertainty at a time, up and down, and the values computed again; the
change is that input's part of the budget (JCGM 100:2008, 5.1.3 note 2). What all inputs share, the scale and shape of
the picture frame, comes on top as a share of the value itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit, mean_of_wander
from core.geometry import Line
from core.quantity import Component, Quantity, Unit
from vision.section import Section, WeldSurface

RIM_SHADE, RIM_MM = 0.02, 0.12
"""Metal is a little brighter or darker at its rim, which is rounded by grinding and lies beside resin: a slope of tones
within the spread of an edge moves all its points alike, by the variance of that spread over the width of the rim, times
a share of how deep the shade is against the step (the first, a standard uncertainty; assumptions without a source, they
hold on rendered pictures). What the tone curve of the picture does comes on top."""

EDGE_BIAS_PX = 0.005
"""The same of an edge without any shade, inside a pixel."""

KEPT, SAMPLED_PX2 = 0.78, 1.25
"""Share of an edge's variance that its blur is taken from, and what sampling adds to blur (`vision.outline`)."""

FACE_BIAS_PX, UNLIKE_BIAS_PX = 0.03, 0.3
"""Standard uncertainty of where the edge of a face lies against those of its plates: weld metal takes the etch and
the light otherwise than the plate, and less so at its very rim. The first where both are of one tone; the second times
the share by which their tones differ comes on top. Judged on rendered pictures of surfaces without wander."""

USUAL_UNLIKE = 0.1
"""That share where nobody looked at the tones."""

LINE_BIAS_PX = 0.01
"""The same along a laser line or a scanned surface, as a share of the points' spacing: the centre of a line is nearly
free of what the surface does to its light (judged on rendered frames). Such a line as a whole may lie anywhere:
nothing is measured from it to anything else."""

OPERATOR = "operator's mark"
MISSING = "missing points"
RIM = "second edge"
OVEREXPOSURE = "overexposure"

SOURCES = ("edge", "plate fit", "toe location", "fusion line", OPERATOR, "resolution", "tone curve", RIM,
           OVEREXPOSURE, "blur", MISSING)  # fmt: skip
"""Sources of this room, in the order of a budget; those of the calibration come before them."""

Geometry = TypeVar("Geometry")


@dataclass(frozen=True, slots=True)
class Noise:
    """What a section says about its own points.

    Attributes
    ----------
    point_std_mm
        Of a single point, across the outline.
    correlation_points
        Neighbouring points that carry one independent piece of information, at least 1.
    edge_bias_mm, tone_doubt_mm, rim_doubt_mm, limit_doubt_mm
        Standard uncertainty of the place of all edges alike: inside a pixel, by the picture's tone curve, by a rim or
        a gap along the metal, and by a side at the limit of the sensor.
    face_bias_mm, unlike_bias_mm
        Standard uncertainty of the place of a face's edge against those of its plates: of any, and times the share by
        which their tones differ.
    blur_mm
        Standard deviation of the edge spread.
    resolution_mm
        Size of a pixel.
    relative_std
        Source to relative standard uncertainty of a length.
    wander_mm, wander_length_mm
        How far surfaces wander slowly, which is in ``point_std_mm``, and over what length as one piece; 0 where that is
        not told.
    of_line
        The points are those of a laser line or a scanned surface, not of the edge in a picture.
    """

    point_std_mm: float
    correlation_points: float
    edge_bias_mm: float
    blur_mm: float
    resolution_mm: float
    relative_std: Mapping[str, float]
    tone_doubt_mm: float = 0.0
    rim_doubt_mm: float = 0.0
    face_bias_mm: float = 0.0
    unlike_bias_mm: float = 0.0
    wander_mm: float = 0.0
    wander_length_mm: float = 0.0
    of_line: bool = False
    limit_doubt_mm: float = 0.0

    @property
    def rounded_mm(self) -> float:
        """Return the length of surface beside a corner that blur rounds.

        A line rounds corners less than an edge of its width would, but over twice its width all the same.
        """
        return (4.0 if self.of_line else 2.0) * self.blur_mm

    @property
    def all_edges(self) -> dict[str, float]:
        """Return what moves all edges alike outwards or inwards, by source, mm."""
        parts = {
            "resolution": self.edge_bias_mm,
            "tone curve": self.tone_doubt_mm,
            RIM: self.rim_doubt_mm,
            OVEREXPOSURE: self.limit_doubt_mm,
        }
        return {source: std for source, std in parts.items() if std > 0}

    def of_mean(self, share: float) -> float:
        """Return the standard uncertainty of a weighted mean of points.

        ``share`` is the sum of the squared weights, 1/n for a plain mean of n points. Correlated points never
        make it better than independent ones nor worse than a single point.
        """
        return self.point_std_mm * math.sqrt(min(share * self.correlation_points, max(share, 1.0)))

    def bias_of_face(self, surface: WeldSurface) -> float:
        """Return the standard uncertainty of the place of a face's edge against those of its plates."""
        unlike = USUAL_UNLIKE if surface.unlike is None else surface.unlike
        # Of an overexposed section the darker weld metal may be within the limit of the sensor.
        return math.hypot(self.face_bias_mm, unlike * self.unlike_bias_mm, self.limit_doubt_mm)

    def of_face(self, length_mm: float, count: int) -> float:
        """Return the standard uncertainty of the mean place of a surface, so long and of so many points.

        It wanders as the plates do, and over the same length: neighbours of a few points only do not show that.
        """
        if self.wander_length_mm <= 0:
            return self.of_mean(1 / max(count, 1))
        own = self.point_std_mm**2 - self.wander_mm**2
        scatter = replace(self, point_std_mm=math.sqrt(max(own, 0.0))).of_mean(1 / max(count, 1))
        return math.hypot(scatter, self.wander_mm * mean_of_wander(length_mm, self.wander_length_mm))


def edge_bias_px(blur_mm: float, resolution_mm: float) -> float:
    """Return the standard uncertainty of the place of all edges alike, from the blur and the size of a pixel."""
    if resolution_mm <= 0:
        return EDGE_BIAS_PX
    spread_px2 = ((blur_mm / resolution_mm) ** 2 + SAMPLED_PX2) / KEPT
    return math.hypot(EDGE_BIAS_PX, RIM_SHADE * spread_px2 * resolution_mm / RIM_MM)


def noise_of(section: Section) -> Noise:
    """Return what a section says about its own points."""
    edges, face, unlike = edge_bias_px(section.blur_mm, section.resolution_mm), FACE_BIAS_PX, UNLIKE_BIAS_PX
    if section.one_sided:
        edges, face, unlike = (0.0, LINE_BIAS_PX, 0.0)
    return Noise(
        section.point_std_mm,
        max(section.correlation_points, 1.0),
        edges * section.resolution_mm,
        section.blur_mm,
        section.resolution_mm,
        section.relative_std,
        section.tone_doubt_mm,
        section.rim_doubt_mm,
        face * section.resolution_mm,
        unlike * section.resolution_mm,
        section.wander_mm,
        section.wander_length_mm,
        section.one_sided,
        section.limit_doubt_mm,
    )


def quantity(
    value: float, unit: Unit, parts: Mapping[str, float], noise: Noise, *, note: str | None = None
) -> Quantity:
    """Return a value with its whole budget.

    Parameters
    ----------
    parts
        Source to standard uncertainty in ``unit``, what this room found.
    """
    budget = [Component(source, std) for source, std in relative_parts(value, unit, noise).items()]
    budget += [Component(source, parts[source]) for source in SOURCES if parts.get(source, 0.0) > 0]
    if not budget:
        budget = [Component("edge", parts.get("edge", 0.0))]
    return Quantity(float(value), unit, tuple(budget), note)


def relative_parts(value: float, unit: Unit, noise: Noise) -> dict[str, float]:
    """Return what the calibration adds to a value, by source.

    Lengths grow with the scale, areas with its square; angles only bend with the frame, shares do not change.
    """
    if unit == "percent":
        return {}
    if unit == "deg":
        return {source: math.degrees(std) for source, std in noise.relative_std.items() if source in ("tilt", "lens")}
    power = 2.0 if unit == "mm2" else 1.0
    return {source: power * abs(value) * std for source, std in noise.relative_std.items()}


@dataclass(frozen=True, slots=True)
class Input(Generic[Geometry]):
    """One independent input of a geometry: its source, and how the geometry moves with it.

    ``move(geometry, share)`` returns the geometry with this input off by ``share`` standard uncertainties; moves
    of several inputs may follow one another. ``degrees`` are those of freedom of its standard uncertainty, infinite
    for one that is judged.
    """

    source: str
    move: Callable[[Geometry, float], Geometry]
    degrees: float = math.inf


def propagate(
    values: Callable[[Geometry], dict[str, float]], nominal: Geometry, inputs: Iterable[Input[Geometry]]
) -> tuple[dict[str, float], dict[str, dict[str, float]]]:
    """Return the values, and for each name the standard uncertainty by source.

    Each input goes one standard uncertainty up and down. Half the difference is its linear part; what the two
    leave over is the bend of the model, which adds half its square to the variance (JCGM 100:2008, 5.1.2 note).

    Parameters
    ----------
    values
        Always of the same names in the same order. Smooth in its inputs: no clipping at 0 and no absolute value, else a
        part of the budget is lost.
    """
    base = values(nominal)
    here = np.array(list(base.values()))
    squares: dict[str, NDArray[np.float64]] = {}
    for entry in inputs:
        above, below = (np.array([*values(entry.move(nominal, share)).values()]) for share in (1.0, -1.0))
        linear, bend = (above - below) / 2, above + below - 2 * here
        squares[entry.source] = squares.get(entry.source, 0.0) + linear**2 + bend**2 / 2
    stds = {source: np.sqrt(square).tolist() for source, square in squares.items()}
    return base, {name: {source: std[at] for source, std in stds.items()} for at, name in enumerate(base)}


def combined(*parts: Mapping[str, float]) -> dict[str, float]:
    """Return the root sum of squares of independent parts, source by source."""
    sources = {source for part in parts for source in part}
    return {source: math.hypot(*(part.get(source, 0.0) for part in parts)) for source in sources}


def offset_line(line: Line, by: float) -> Line:
    """Return the line moved to the left of its direction."""
    return Line(line.x - by * line.dy, line.y + by * line.dx, line.dx, line.dy)


def turned_line(line: Line, by_rad: float) -> Line:
    """Return the line turned counter-clockwise about its point."""
    c, s = math.cos(by_rad), math.sin(by_rad)
    return Line(line.x, line.y, c * line.dx - s * line.dy, s * line.dx + c * line.dy)


def degrees_of_fit(fit: LineFit) -> float:
    """Return the degrees of freedom of a fitted line: its independent pieces less two.

    Independent pieces under a line are the square of its residual over the uncertainty of its mean.
    """
    if fit.offset_std <= 0 or fit.residual_std <= 0:
        return math.inf
    return max(1.0, (fit.residual_std / fit.offset_std) ** 2 - 2)


def line_shifts(fit: LineFit) -> tuple[Callable[[Line, float], Line], Callable[[Line, float], Line]]:
    """Return how a fitted line moves with its offset, and with its direction, by a share of their uncertainties."""
    return (
        lambda line, share: offset_line(line, share * fit.offset_std),
        lambda line, share: turned_line(line, share * fit.angle_std_rad),
    )
