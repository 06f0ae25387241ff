"""Sections drawn from exact geometry, with or without noise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pytest

from core.fitting import LineFit, robust_line
from core.geometry import Line, Points, rotate
from vision.section import PlateSurface, PreparedEdge, Section, WeldSurface

PLATE_MM = 15.0


@dataclass(frozen=True)
class Sampling:
    """How a picture samples a section: spacing and noise of points, bias of all edges, doubt of the toes."""

    spacing: float = 0.03
    noise: float = 0.0
    correlation: int = 1
    edge_bias: float = 0.0
    toe_std: float = 0.0
    resolution: float = 0.03
    relative_std: dict[str, float] = field(default_factory=dict)
    scale: float = 1.0
    rng: np.random.Generator | None = None


EXACT = Sampling()


def exact_fit(point: Points, direction: Points, *, points: int = 0) -> LineFit:
    end = np.asarray(point, float) + np.asarray(direction, float)
    return LineFit(Line.through(np.asarray(point, float), end), 0.0, 1e-4, 1e-5, np.ones(points, bool))


def arc(start: Points, end: Points, sagitta: float, count: int) -> Points:
    """Points of a circular arc that bulges to the left of the way by the sagitta."""
    chord = end - start
    width = float(np.hypot(*chord))
    along = np.linspace(0.0, 1.0, count)
    if abs(sagitta) < 1e-12:
        return start + along[:, None] * chord
    radius = (width**2 / 4 + sagitta**2) / (2 * abs(sagitta))
    half = 2 * math.atan2(2 * abs(sagitta), width)
    angle = np.linspace(-half, half, count)
    across = (radius * np.cos(angle) - (radius - abs(sagitta))) * math.copysign(1.0, sagitta)
    unit = chord / width
    normal = np.array([-unit[1], unit[0]])
    middle = (start + end) / 2
    return middle + (radius * np.sin(angle))[:, None] * unit + across[:, None] * normal


def along_normals(points: Points, by: Points, air: int) -> Points:
    step = np.gradient(points, axis=0)
    normal = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(step[:, 0], step[:, 1])[:, None]
    return points + air * by[:, None] * normal


def disturbance(count: int, sampling: Sampling) -> Points:
    if sampling.rng is None or sampling.noise == 0:
        return np.full(count, sampling.edge_bias)
    m = sampling.correlation
    white = sampling.rng.normal(size=count + m - 1)
    return sampling.edge_bias + sampling.noise * np.convolve(white, np.full(m, 1 / math.sqrt(m)), "valid")


def welded(
    toe_left: Points,
    toe_right: Points,
    away_left: Points,
    away_right: Points,
    face: Callable[[int], Points],
    sampling: Sampling = EXACT,
    *,
    air: int = 1,
    beside: Callable[[Points], Points] | None = None,
) -> WeldSurface:
    """Draw a welded surface; ``beside`` gives the height of both plate surfaces at a distance from the toe."""
    length = float(np.sum(np.hypot(*np.diff(face(400), axis=0).T)))
    shape = face(max(40, round(length / sampling.spacing)))
    count = len(shape)
    seen = along_normals(shape, disturbance(count, sampling), air)
    ends = (shape[min(5, count - 1)] - shape[0], shape[-1] - shape[-min(6, count)])
    plates, toes = [], []
    for toe, away, sign, step in (
        (toe_left, away_left, -air, ends[0]),
        (toe_right, away_right, air, ends[1]),
    ):
        out = sign * np.array([-away[1], away[0]])
        along = np.arange(0.0, PLATE_MM, sampling.spacing)
        height = disturbance(len(along), sampling)
        if beside is not None:
            height = height + beside(along)
        points = toe + along[:, None] * away + height[:, None] * out
        if sampling.noise > 0:
            clear = along > 1.5
            fit = robust_line(points[clear], sampling.noise, correlation_points=sampling.correlation)
            line = fit.line if fit.line.direction @ away > 0 else fit.line.reversed()
            fit = replace(fit, line=line)
        else:
            fit = exact_fit(toe + 7.0 * away + sampling.edge_bias * out, away, points=len(along))
        normal = air * np.array([-step[1], step[0]]) / float(np.hypot(*step))
        corner = toe + sampling.edge_bias * (out + normal) / (1 + float(out @ normal))
        slip = 0.0 if sampling.rng is None else float(sampling.rng.normal(0, sampling.toe_std))
        toes.append(fit.line.at(float(fit.line.along(corner)) + slip))
        plates.append(PlateSurface(fit, points))
    seen[0], seen[-1] = toes
    return WeldSurface(plates[0], plates[1], toes[0], toes[1], seen, sampling.toe_std, sampling.toe_std)


def section(joint: str, face: WeldSurface, sampling: Sampling = EXACT, **more: object) -> Section:
    return Section(
        joint,
        point_std_mm=sampling.noise,
        resolution_mm=sampling.resolution,
        face=face,
        relative_std=sampling.relative_std,
        correlation_points=float(sampling.correlation),
        **more,
    )


def fillet(
    psi_deg: float, leg_left: float, leg_right: float, sagitta: float = 0.0, sampling: Sampling = EXACT
) -> Section:
    """Draw a fillet with its root at the origin and its bisector upwards."""
    half = math.radians(psi_deg / 2)
    left, right = np.array([-math.sin(half), math.cos(half)]), np.array([math.sin(half), math.cos(half)])
    toe_left, toe_right = leg_left * left * sampling.scale, leg_right * right * sampling.scale
    face = welded(
        toe_left, toe_right, left, right, lambda n: arc(toe_left, toe_right, sagitta * sampling.scale, n), sampling
    )
    return section("tee", face, sampling, root=np.zeros(2))


def butt(
    width: float,
    height: float,
    sampling: Sampling = EXACT,
    *,
    misalignment: float = 0.0,
    thickness: float = 10.0,
    root_width: float = 4.0,
    root_height: float = 1.0,
    tilt_deg: float = 0.0,
    beside: Callable[[Points], Points] | None = None,
) -> Section:
    """Draw a butt weld with circular caps; the right plate lies higher by the misalignment and is tilted up."""
    s = sampling.scale
    tilt = math.radians(tilt_deg)
    away = (np.array([-1.0, 0.0]), np.array([math.cos(tilt), math.sin(tilt)]))
    sides = []
    for w, h, y, air in ((width * s, height * s, 0.0, 1), (root_width * s, root_height * s, -thickness * s, -1)):
        step = misalignment * s
        left, right = np.array([-w / 2, y]), np.array([w / 2, y + step + math.tan(tilt) * w / 2])
        sides.append(
            welded(
                left,
                right,
                *away,
                lambda n, a=left, b=right, k=air * h: arc(a, b, k, n),
                sampling,
                air=air,
                beside=beside,
            )
        )
    return section("butt", sides[0], sampling, root_side=sides[1])


def turned(found: Section, angle_rad: float) -> Section:
    """Turn a whole section."""
    return _mapped(found, lambda points: rotate(points, angle_rad), swap=False)


def mirrored(found: Section) -> Section:
    """Mirror a section left to right, and call left what was right."""
    return _mapped(found, lambda points: np.asarray(points, float) * np.array([-1.0, 1.0]), swap=True)


def _mapped(found: Section, move: Callable[[Points], Points], *, swap: bool) -> Section:
    def line(fit: LineFit) -> LineFit:
        start, end = move(fit.line.point), move(fit.line.at(1.0))
        return replace(fit, line=Line.through(start, end))

    def surface(weld: WeldSurface | None) -> WeldSurface | None:
        if weld is None:
            return None
        plates = [PlateSurface(line(plate.fit), move(plate.points)) for plate in (weld.left, weld.right)]
        toes = [move(weld.toe_left), move(weld.toe_right)]
        stds = [weld.toe_std_left, weld.toe_std_right]
        face = move(weld.face)
        if swap:
            plates.reverse()
            toes.reverse()
            stds.reverse()
            face = face[::-1]
        return WeldSurface(*plates, *toes, face, *stds)

    def edge(member: PreparedEdge | None) -> PreparedEdge | None:
        if member is None:
            return None
        lines = {part: getattr(member, part) for part in ("outside", "inside", "bevel", "land")}
        corners = {part: move(getattr(member, part)) for part in ("outer_corner", "land_top", "land_bottom")}
        return PreparedEdge(**{part: None if fit is None else line(fit) for part, fit in lines.items()}, **corners)

    edges = [edge(found.edge_left), edge(found.edge_right)]
    if swap:
        edges.reverse()
    return replace(
        found,
        face=surface(found.face),
        root_side=surface(found.root_side),
        root=None if found.root is None else move(found.root),
        edge_left=edges[0],
        edge_right=edges[1],
    )


@pytest.fixture(scope="session")
def draw() -> SimpleNamespace:
    """The builders of this file."""
    return SimpleNamespace(
        Sampling=Sampling,
        exact_fit=exact_fit,
        arc=arc,
        welded=welded,
        section=section,
        fillet=fillet,
        butt=butt,
        turned=turned,
        mirrored=mirrored,
    )
