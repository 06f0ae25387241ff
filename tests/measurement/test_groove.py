"""Preparations of ISO 9692-1 drawn by weldx, measured back."""

from __future__ import annotations

import functools
import itertools
import math
import warnings
from dataclasses import replace

import numpy as np
import pytest

from core.geometry import Line, intersection
from core.quantity import NotMeasurable, Quantity
from measurement import measure, names_for
from vision.section import PreparedEdge, Section

MM = 1.0


@pytest.fixture(scope="session")
def weldx_groove():
    """weldx warns of its own dependencies on import; those warnings are not ours."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from weldx import Q_
        from weldx.welding.groove.iso_9692_1 import get_groove

    # Each is drawn once for all its turns: that takes a second.
    @functools.cache
    def draw(groove_type, **sizes):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            units = {name: Q_(size, "deg" if name.endswith("angle") else "mm") for name, size in sizes.items()}
            profile = get_groove(groove_type=groove_type, **units).to_profile(width_default=Q_(20, "mm"))
            return [_corners(shape) for shape in profile.shapes]

    return draw


def _corners(shape):
    points = []
    for segment in shape.segments:
        for end in (segment.point_start, segment.point_end):
            xy = np.asarray(getattr(end, "magnitude", end), float)
            if getattr(end, "units", None) is not None:
                xy = np.asarray(end.to("mm").magnitude, float)
            if not points or np.hypot(*(xy - points[-1])) > 1e-9:
                points.append(xy)
    return np.array(points)


def member(draw, corners, side):
    """Read a member's edges from its polygon: inside surface, land, bevel, outside surface, by direction alone."""
    edges = [(a, b) for a, b in itertools.pairwise(corners) if np.hypot(*(b - a)) > 1e-9]
    level = [e for e in edges if abs(e[1][1] - e[0][1]) < 1e-9]
    outside = max(level, key=lambda e: e[0][1])
    inside = min(level, key=lambda e: e[0][1])
    middle = [e for e in edges if e is not outside and e is not inside and np.ptp([e[0][0], e[1][0]]) < 19]
    middle = [e for e in middle if min(abs(p[0]) for p in e) < 15]
    land = next((e for e in middle if abs(e[0][0] - e[1][0]) < 1e-9), None)
    bevel = next((e for e in middle if e is not land), None)

    def fit(edge, direction=None):
        if edge is None:
            return None
        vector = edge[1] - edge[0] if direction is None else np.array(direction)
        return draw.exact_fit((edge[0] + edge[1]) / 2, vector)

    top, bottom = fit(outside, (side, 0.0)), fit(inside, (side, 0.0))
    bevel_fit, land_fit = fit(bevel), fit(land)
    upper, lower = bevel_fit or land_fit, land_fit or bevel_fit
    outer = intersection(top.line, upper.line)
    edge_bottom = intersection(lower.line, bottom.line)
    between = intersection(bevel_fit.line, land_fit.line) if bevel_fit and land_fit else None
    if between is None:
        between = outer if land_fit else edge_bottom
    return PreparedEdge(top, bottom, bevel_fit, land_fit, outer, between, edge_bottom)


def joint(draw, shapes):
    shapes = sorted(shapes, key=lambda corners: corners[:, 0].mean())
    return Section(
        "groove",
        point_std_mm=0.01,
        resolution_mm=0.02,
        edge_left=member(draw, shapes[0], -1.0),
        edge_right=member(draw, shapes[1], 1.0),
    )


def value(measured, name):
    assert isinstance(measured[name], Quantity), measured[name]
    return measured[name].value


@pytest.mark.parametrize("angle", [40, 50, 60])
@pytest.mark.parametrize(("thickness", "face", "gap"), [(8, 1.0, 2.0), (10, 2.0, 3.0), (5, 1.5, 0.0)])
@pytest.mark.parametrize("turn", [0.0, 0.7, math.pi, -2.0])
def test_single_v(draw, weldx_groove, angle, thickness, face, gap, turn):
    """ISO 9692-1 no. 1.3: plate thickness t, groove angle alpha, gap b, root face c."""
    shapes = weldx_groove("VGroove", workpiece_thickness=thickness, groove_angle=angle, root_face=face, root_gap=gap)
    measured = measure(draw.turned(joint(draw, shapes), turn))
    for side in ("left", "right"):
        assert value(measured, f"bevel_angle_{side}") == pytest.approx(angle / 2, abs=1e-6)
        assert value(measured, f"root_face_{side}") == pytest.approx(face, abs=1e-6)
        assert value(measured, f"preparation_depth_{side}") == pytest.approx(thickness - face, abs=1e-6)
        assert value(measured, f"thickness_{side}") == pytest.approx(thickness, abs=1e-6)
    assert value(measured, "groove_angle") == pytest.approx(angle, abs=1e-6)
    assert value(measured, "root_gap") == pytest.approx(gap, abs=1e-6)
    assert value(measured, "misalignment") == pytest.approx(0, abs=1e-6)
    assert value(measured, "root_misalignment") == pytest.approx(0, abs=1e-6)


def test_single_bevel(draw, weldx_groove):
    """ISO 9692-1 no. 1.9: one edge bevelled by beta, the other square."""
    shapes = weldx_groove("HVGroove", workpiece_thickness=9, bevel_angle=45, root_face=1.5, root_gap=2.5)
    measured = measure(joint(draw, shapes))
    angles = sorted(value(measured, f"bevel_angle_{side}") for side in ("left", "right"))
    assert angles == pytest.approx([0.0, 45.0], abs=1e-6)
    assert value(measured, "groove_angle") == pytest.approx(45, abs=1e-6)
    assert value(measured, "root_gap") == pytest.approx(2.5, abs=1e-6)
    faces = sorted(value(measured, f"root_face_{side}") for side in ("left", "right"))
    assert faces == pytest.approx([1.5, 9.0], abs=1e-6)


def test_square_edges(draw, weldx_groove):
    """ISO 9692-1 no. 1.2: no bevel, the whole edge is land."""
    measured = measure(joint(draw, weldx_groove("IGroove", workpiece_thickness=4, root_gap=1.2)))
    assert value(measured, "bevel_angle_left") == pytest.approx(0, abs=1e-6)
    assert "square edge" in measured["bevel_angle_left"].note
    assert value(measured, "root_face_left") == pytest.approx(4, abs=1e-6)
    assert value(measured, "root_gap") == pytest.approx(1.2, abs=1e-6)
    assert value(measured, "preparation_depth_right") == 0


def lifted(draw, edge, by):
    """Move one member up."""

    def up(fit):
        return None if fit is None else draw.exact_fit(fit.line.point + np.array([0, by]), fit.line.direction)

    corners = {name: getattr(edge, name) + np.array([0, by]) for name in ("outer_corner", "land_top", "land_bottom")}
    return PreparedEdge(up(edge.outside), up(edge.inside), up(edge.bevel), up(edge.land), **corners)


@pytest.mark.parametrize("by", [-0.8, 0.4])
def test_offset_members(draw, weldx_groove, by):
    shapes = weldx_groove("VGroove", workpiece_thickness=8, groove_angle=60, root_face=1, root_gap=2)
    found = joint(draw, shapes)
    found = replace(found, edge_right=lifted(draw, found.edge_right, by))
    measured = measure(draw.turned(found, 1.1))
    assert value(measured, "misalignment") == pytest.approx(by, abs=1e-6)
    assert value(measured, "root_misalignment") == pytest.approx(by, abs=1e-6)
    mirrored = measure(draw.mirrored(found))
    assert value(mirrored, "misalignment") == pytest.approx(-by, abs=1e-6)
    assert value(mirrored, "root_gap") == pytest.approx(value(measured, "root_gap"), abs=1e-6)


def test_without_the_inside_its_values_have_a_reason(draw, weldx_groove):
    found = joint(draw, weldx_groove("VGroove", workpiece_thickness=8, groove_angle=60, root_face=1, root_gap=2))
    edges = {side: replace(getattr(found, side), inside=None) for side in ("edge_left", "edge_right")}
    measured = measure(replace(found, **edges))
    for name in ("root_face_left", "root_misalignment", "thickness_right"):
        assert isinstance(measured[name], NotMeasurable)
        assert "inside surface" in measured[name].reason
    assert "lowest visible" in measured["root_gap"].note


def test_with_one_member_missing(draw, weldx_groove):
    found = joint(draw, weldx_groove("VGroove", workpiece_thickness=8, groove_angle=60, root_face=1, root_gap=2))
    measured = measure(replace(found, edge_right=None))
    assert value(measured, "bevel_angle_left") == pytest.approx(30, abs=1e-6)
    for name in ("bevel_angle_right", "groove_angle", "root_gap", "misalignment"):
        assert isinstance(measured[name], NotMeasurable)
    assert tuple(measured) == tuple(name.name for name in names_for("groove"))


def test_interval_covers_lines_fitted_with_their_stated_uncertainty(draw, weldx_groove):
    """Lines are drawn with the offset and direction errors they claim; 95 of 100 intervals hold the truth."""
    rng = np.random.default_rng(5)
    found = joint(draw, weldx_groove("VGroove", workpiece_thickness=10, groove_angle=60, root_face=2, root_gap=3))
    truth = {"groove_angle": 60, "root_gap": 3, "root_face_left": 2, "misalignment": 0, "thickness_left": 10}
    truth |= {"preparation_depth_right": 8, "root_misalignment": 0, "bevel_angle_left": 30}
    hits = dict.fromkeys(truth, 0)
    runs = 300
    for _ in range(runs):
        edges = {side: _disturbed(getattr(found, side), rng) for side in ("edge_left", "edge_right")}
        measured = measure(replace(found, resolution_mm=1e-6, **edges))
        for name, exact in truth.items():
            hits[name] += abs(value(measured, name) - exact) <= measured[name].expanded_uncertainty
    for name, count in hits.items():
        assert 0.92 <= count / runs <= 0.985, (name, count / runs)


def _disturbed(edge, rng, offset_std=0.01, angle_std=0.004):
    lines = {}
    for part in ("outside", "inside", "bevel", "land"):
        fit = getattr(edge, part)
        turn, by = rng.normal(0, angle_std), rng.normal(0, offset_std)
        old = fit.line
        point = old.point + by * old.normal
        angle = math.atan2(old.dy, old.dx) + turn
        line = Line(float(point[0]), float(point[1]), math.cos(angle), math.sin(angle))
        lines[part] = replace(fit, line=line, offset_std=offset_std, angle_std_rad=angle_std)
    return PreparedEdge(
        **lines,
        outer_corner=intersection(lines["outside"].line, lines["bevel"].line),
        land_top=intersection(lines["bevel"].line, lines["land"].line),
        land_bottom=intersection(lines["land"].line, lines["inside"].line),
    )
