"""Undercut beside a toe, pits and spatter on the plates, on profiles drawn with them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from core.quantity import NotMeasurable, Quantity
from measurement import measure
from measurement.undercut import _roots

LEFT, RIGHT = np.array([-1.0, 0.0]), np.array([1.0, 0.0])


def value(measured, name):
    assert isinstance(measured[name], Quantity), measured[name]
    return measured[name].value


def groove_beside(depth, width):
    """A circular undercut of a depth and width at the plate line, beginning at the toe."""
    radius = (width**2 / 4 + depth**2) / (2 * depth)

    def height(along):
        inside = np.abs(along - width / 2) < width / 2
        across = np.sqrt(np.maximum(radius**2 - (along - width / 2) ** 2, 0)) - (radius - depth)
        return np.where(inside, -across, 0.0)

    return height


@pytest.mark.parametrize(("depth", "width"), [(0.2, 0.8), (0.5, 1.2), (0.8, 2.0), (0.3, 1.5)])
def test_undercut(draw, depth, width):
    sampling = draw.Sampling(spacing=0.02, noise=0.005, rng=np.random.default_rng(2), resolution=0.02)
    measured = measure(draw.butt(12.0, 1.5, sampling, beside=groove_beside(depth, width)))
    for side in ("left", "right"):
        found = measured[f"undercut_{side}"]
        assert abs(found.value - depth) < 1.5 * found.expanded_uncertainty
        assert found.expanded_uncertainty < 0.02
        assert value(measured, f"undercut_width_{side}") == pytest.approx(width, abs=0.12)
        assert isinstance(measured[f"toe_radius_{side}"], NotMeasurable)
    assert value(measured, "pit_depth") == 0


def test_undercut_intervals_cover(draw):
    rng = np.random.default_rng(8)
    hits = {"undercut": 0, "undercut_width": 0}
    runs = 100
    for _ in range(runs):
        depth, width = rng.uniform(0.1, 0.8), rng.uniform(0.8, 1.8)
        sampling = draw.Sampling(spacing=0.02, noise=0.006, rng=rng, resolution=0.02, toe_std=0.03)
        measured = measure(draw.butt(12.0, 1.5, sampling, beside=groove_beside(depth, width)))
        for side in ("left", "right"):
            for name, exact in (("undercut", depth), ("undercut_width", width)):
                found = measured[f"{name}_{side}"]
                hits[name] += abs(found.value - exact) <= found.expanded_uncertainty
    assert hits["undercut"] / (2 * runs) >= 0.92
    assert hits["undercut_width"] / (2 * runs) >= 0.9


@pytest.mark.parametrize("blur", [0.05, 0.09])
def test_undercut_that_blur_has_filled_is_told_as_deep_as_it_was(draw, blur):
    """A Gaussian groove of 0.3 mm: blurred by b, it is left with s / sqrt(s² + b²) of its depth."""
    depth, spread = 0.3, 0.16
    wide = math.hypot(spread, blur)
    seen = depth * spread / wide
    sampling = draw.Sampling(spacing=0.02, noise=0.003, rng=np.random.default_rng(5), resolution=0.02)
    drawn = draw.butt(
        12.0, 1.5, sampling, beside=lambda along: -seen * np.exp(-((along - 2.5 * wide) ** 2) / (2 * wide**2))
    )
    as_it_is, told = (measure(replace(drawn, blur_mm=b)) for b in (0.0, blur))
    for side in ("left", "right"):
        assert value(as_it_is, f"undercut_{side}") == pytest.approx(seen, abs=0.006)
        found = told[f"undercut_{side}"]
        assert abs(found.value - depth) < 0.75 * (depth - seen)
        assert abs(found.value - depth) < found.expanded_uncertainty
        assert {part.source for part in found.budget} >= {"blur"}


@pytest.mark.parametrize(("toe_std", "given"), [(0.05, True), (1.5, False)])
def test_what_lies_below_the_plate_beside_an_unsure_toe_may_be_undercut_or_face(draw, toe_std, given):
    toes = np.array([-6.0, 0.0]), np.array([6.0, 0.0])
    sampling = draw.Sampling(noise=0.005, rng=np.random.default_rng(6))

    def hollow(count):
        x = np.linspace(-6, 6, count)
        return np.column_stack([x, -0.8 * (1 - (x / 6) ** 2)])

    face = replace(draw.welded(*toes, LEFT, RIGHT, hollow, sampling), toe_std_left=toe_std)
    found = measure(draw.section("butt", face, sampling))["undercut_left"]
    if given:
        assert found.value == 0
    else:
        assert isinstance(found, NotMeasurable)
        assert "3.0 mm" in found.reason


@pytest.mark.parametrize(("toe_std", "offset", "given"), [(0.05, 0.0, True), (0.8, 0.0, False), (0.8, -0.7, True)])
def test_an_undercut_beyond_an_unsure_toe_is_not_told_as_none(draw, toe_std, offset, given):
    """A toe found too far out on the plate has the undercut on its weld's side: it was told as none, to 0.07 mm."""
    toes = np.array([-9.0, 0.0]), np.array([5.0, offset])
    sampling = draw.Sampling(noise=0.005, rng=np.random.default_rng(6))

    def face(count):
        x = np.linspace(-9, 5, count)
        cap = np.maximum(1.5 * (1 - ((x - 1) / 4) ** 2), 0.0) + offset * np.clip((x - 1) / 4, 0, 1)
        return np.column_stack([x, cap - (0.5 * np.exp(-(((x + 4.2) / 0.5) ** 2)) if offset == 0 else 0.0)])

    found = draw.welded(*toes, LEFT, RIGHT, face, sampling)
    measured = measure(draw.section("butt", replace(found, toe_std_left=toe_std), sampling))["undercut_left"]
    assert isinstance(measured, NotMeasurable) is not given


def test_no_undercut_reads_zero_with_its_bound(draw):
    sampling = draw.Sampling(noise=0.01, rng=np.random.default_rng(6))
    measured = measure(draw.butt(12.0, 1.5, sampling))
    for side in ("left", "right"):
        assert value(measured, f"undercut_{side}") == 0
        assert value(measured, f"undercut_width_{side}") == 0
        assert 0.01 < measured[f"undercut_{side}"].expanded_uncertainty < 0.05
        assert "noise" in measured[f"undercut_{side}"].note


def test_the_rim_of_a_plate_that_blur_rounds_is_no_undercut(draw):
    """Blur of standard deviation b leaves a square corner at (0, 0) where phi(x/b) phi(y/b) = 1/2."""
    rim, blur = 1.3, 0.04

    def rounded(along):
        lower = blur * ndtri(0.5 / ndtr(np.maximum(rim - along, 0.004) / blur))
        return np.where(along < rim, -lower, 0.0)

    sampling = draw.Sampling(spacing=0.03, noise=0.0015, rng=np.random.default_rng(7))
    drawn = draw.butt(12.0, 1.5, sampling, beside=rounded)
    plates = {
        side: replace(plate, points=plate.points[: np.searchsorted(np.abs(plate.points[:, 0]) - 6.0, rim - 0.005)])
        for side, plate in (("left", drawn.face.left), ("right", drawn.face.right))
    }
    measured = measure(replace(drawn, face=replace(drawn.face, **plates), blur_mm=blur))
    assert plates["left"].points[-1, 1] < -0.03
    for side in ("left", "right"):
        assert value(measured, f"undercut_{side}") == 0
        assert value(measured, f"undercut_width_{side}") == 0


@pytest.mark.parametrize("height", [-0.3, 0.4])
def test_pit_and_spatter_away_from_the_toes(draw, height):
    sampling = draw.Sampling(spacing=0.02, noise=0.005, rng=np.random.default_rng(9), resolution=0.02)
    measured = measure(
        draw.butt(12.0, 1.5, sampling, beside=lambda along: height * np.exp(-((along - 7.0) ** 2) / (2 * 0.3**2)))
    )
    found, other = ("pit_depth", "spatter_height") if height < 0 else ("spatter_height", "pit_depth")
    assert value(measured, found) == pytest.approx(abs(height), abs=0.012)
    assert value(measured, other) == 0


def test_rounded_end_of_a_plate_is_no_pit(draw):
    sampling = draw.Sampling(spacing=0.02, noise=0.005, rng=np.random.default_rng(9), resolution=0.02)
    measured = measure(draw.butt(12.0, 1.5, sampling, beside=lambda along: -2.0 * np.maximum(along - 14.7, 0)))
    assert value(measured, "pit_depth") == 0


def test_roots_of_a_wall():
    rng = np.random.default_rng(1)
    for square, linear, constant in rng.normal(0, 1, (200, 3)).tolist():
        expected = np.roots([square, linear, constant])
        real = np.sort(expected[np.isreal(expected)].real)
        assert sorted(_roots(square, linear, constant)) == pytest.approx(real.tolist(), rel=1e-9)
    assert _roots(0.0, 2.0, -1.0) == (0.5,)
    assert _roots(0.0, 0.0, 1.0) == ()
    assert _roots(1.0, 0.0, 0.0) == (0.0,)
