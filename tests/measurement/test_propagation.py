"""The law of propagation and the random trials against the worked examples of the guides.

GUM is JCGM 100:2008, its Supplement 1 is JCGM 101:2008.
"""

import math

import numpy as np
import pytest

from core.quantity import Component, Quantity
from measurement import measure
from measurement.degrees import coverage_factor, effective_degrees_of_freedom
from measurement.monte_carlo import DRAWS, geometry_samples, simulate, summary
from measurement.uncertainty import Input, propagate

Vector = np.ndarray


def moved(step: Vector):
    return lambda values, share: values + share * step


def independent(*stds: float) -> list[Input]:
    return [Input(f"x{i}", moved(np.eye(len(stds))[i] * std)) for i, std in enumerate(stds)]


def total(parts: dict[str, float]) -> float:
    return math.hypot(*parts.values())


def rectangular(index: int, count: int) -> Input:
    """An input with a rectangular distribution of standard deviation 1."""
    axis = np.eye(count)[index]

    def move(values: Vector, share: float) -> Vector:
        return values + axis * math.sqrt(3) * math.erf(share / math.sqrt(2))

    return Input(f"x{index}", move)


def test_end_gauge_adds_up_to_32_nm() -> None:
    """GUM H.1.4: contributions in nm; u_c = 32 nm, 31.705 with the figures unrounded."""
    parts = (25.0, 5.8, 3.9, 6.7, 50e6 * 0.1 * 0.58e-6, 50e6 * 11.5e-6 * 0.029)
    gauge = Quantity(838.0, "mm", tuple(Component(str(i), part) for i, part in enumerate(parts)))
    assert gauge.standard_uncertainty == pytest.approx(31.705, abs=0.001)


def test_end_gauge_has_sixteen_degrees_of_freedom() -> None:
    """GUM H.1.6: nu_eff = 16.7 from six terms, cut to 16; from memory: k for 99 % 2.92, U99 = 93 nm."""
    parts = (25.0, 5.8, 3.9, 6.7, 50e6 * 0.1 * 0.58e-6, 50e6 * 11.5e-6 * 0.029)
    effective = effective_degrees_of_freedom(zip(parts, (18, 24, 5, 8, 50, 2), strict=True))
    assert effective == pytest.approx(16.645, abs=0.001)
    assert coverage_factor(effective) == pytest.approx(2.1199, abs=1e-4)
    assert coverage_factor(effective, 0.99) == pytest.approx(2.9208, abs=1e-4)
    assert coverage_factor(effective, 0.99) * 32 == pytest.approx(93, abs=0.6)


def test_known_parts_leave_the_normal_factor() -> None:
    """JCGM 100:2008, table G.2, last row: 1.960 for 95 %; table G.2, 4 degrees: 2.78."""
    assert effective_degrees_of_freedom([(1.0, math.inf), (0.3, math.inf)]) == math.inf
    assert coverage_factor(math.inf) == pytest.approx(1.960, abs=5e-4)
    assert coverage_factor(4.99) == pytest.approx(2.78, abs=5e-3)
    assert effective_degrees_of_freedom([(2.0, 7.0), (0.0, 1.0)]) == pytest.approx(7.0)


def test_end_gauge_bends_to_34_nm() -> None:
    """GUM H.1.7: products of two inputs near 0 raise u_c from 32 to 34 nm (from memory); first order misses them."""

    def length(x: Vector) -> dict[str, float]:
        d, alpha, theta, delta_alpha, delta_theta = x
        return {"l": d - 50e6 * (delta_alpha * theta + alpha * delta_theta)}

    nominal = np.array([215.0, 11.5e-6, -0.1, 0.0, 0.0])
    stds = (math.hypot(25.0, 5.8, 3.9, 6.7), 1.2e-6, 0.41, 0.58e-6, 0.029)
    _, parts = propagate(length, nominal, independent(*stds))
    assert total(parts["l"]) == pytest.approx(31.7, abs=0.1)
    drawn = geometry_samples(length, nominal, independent(*stds), 60_000, np.random.default_rng(3))
    assert summary(drawn["l"]).standard_uncertainty == pytest.approx(34, abs=0.5)


def test_resistance_and_reactance_from_correlated_readings() -> None:
    """GUM H.2, table H.2 and H.4: five simultaneous sets of readings; R, X, Z with their uncertainties in ohm."""
    readings = np.array(
        [
            [5.007, 19.663e-3, 1.0456],
            [4.994, 19.639e-3, 1.0438],
            [5.005, 19.640e-3, 1.0468],
            [4.990, 19.685e-3, 1.0428],
            [4.999, 19.678e-3, 1.0433],
        ]
    )
    mean, covariance = readings.mean(axis=0), np.cov(readings.T) / len(readings)
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    assert correlation[0, 1] == pytest.approx(-0.36, abs=0.005)
    assert correlation[0, 2] == pytest.approx(0.86, abs=0.005)
    assert correlation[1, 2] == pytest.approx(-0.65, abs=0.006)

    def impedance(x: Vector) -> dict[str, float]:
        voltage, current, phase = x
        z = voltage / current
        return {"R": z * math.cos(phase), "X": z * math.sin(phase), "Z": z}

    # correlated inputs are moved together, along the columns of a root of their covariance
    root = np.linalg.cholesky(covariance)
    values, parts = propagate(impedance, mean, [Input(str(i), moved(root[:, i])) for i in range(3)])
    assert values == pytest.approx({"R": 127.732, "X": 219.847, "Z": 254.260}, abs=0.001)
    assert total(parts["R"]) == pytest.approx(0.071, abs=0.0005)
    assert total(parts["X"]) == pytest.approx(0.295, abs=0.001)
    assert total(parts["Z"]) == pytest.approx(0.236, abs=0.001)
    # the same taken for independent: far too much for R, too little for X
    _, alone = propagate(impedance, mean, independent(*spread))
    assert total(alone["R"]) == pytest.approx(0.195, abs=0.002)
    assert total(alone["X"]) == pytest.approx(0.201, abs=0.002)


def added(x: Vector) -> dict[str, float]:
    return {"y": float(x.sum())}


def test_sum_of_four_normal_inputs() -> None:
    """JCGM 101 9.2.2: u = 2.0, 95 % interval [-3.92, 3.92], by both ways."""
    _, parts = propagate(added, np.zeros(4), independent(1, 1, 1, 1))
    assert total(parts["y"]) == pytest.approx(2.0)
    drawn = geometry_samples(added, np.zeros(4), independent(1, 1, 1, 1), 100_000, np.random.default_rng(5))
    trials = summary(drawn["y"], 0.95)
    assert trials.standard_uncertainty == pytest.approx(2.0, abs=0.02)
    assert (trials.low, trials.high) == (pytest.approx(-3.92, abs=0.06), pytest.approx(3.92, abs=0.06))


def test_sum_of_four_rectangular_inputs_is_narrower_than_normal() -> None:
    """JCGM 101 9.2.3: trials [-3.88, 3.88] where the law of propagation states 1.96 u = 3.92."""
    inputs = [rectangular(i, 4) for i in range(4)]
    drawn = geometry_samples(added, np.zeros(4), inputs, 200_000, np.random.default_rng(6))["y"]
    assert float(drawn.std()) == pytest.approx(2.0, abs=0.01)
    assert float(np.quantile(np.abs(drawn), 0.95)) == pytest.approx(3.8794, abs=0.012)


@pytest.mark.parametrize(
    ("x1", "first_order", "low", "high"),
    [(0.0, 0.0, 0.0, 150e-6), (0.010, 100e-6, 0.0, 367e-6), (0.050, 500e-6, 1590e-6, 3543e-6)],
)
def test_mismatch_of_a_power_meter(x1: float, first_order: float, low: float, high: float) -> None:
    """JCGM 101 9.4: y = x1² + x2², u = 0.005 each, uncorrelated; figures times 1e-6 (upper end of 0.010 from memory).

    The guide's first-order law gives u = 0 at x1 = 0, the second-order term 50e-6 as the trials do.
    """

    def mismatch(x: Vector) -> dict[str, float]:
        return {"y": float(x @ x)}

    inputs = independent(0.005, 0.005)
    _, parts = propagate(mismatch, np.array([x1, 0.0]), inputs)
    assert total(parts["y"]) == pytest.approx(math.hypot(first_order, 50e-6), rel=1e-9)
    drawn = geometry_samples(mismatch, np.array([x1, 0.0]), inputs, 100_000, np.random.default_rng(8))["y"]
    trials = summary(drawn, 0.95)
    assert trials.mean == pytest.approx(x1**2 + 50e-6, abs=4e-6)
    assert trials.standard_uncertainty == pytest.approx(math.hypot(first_order, 50e-6), rel=0.02)
    assert trials.low == pytest.approx(low, abs=20e-6)
    assert trials.high == pytest.approx(high, abs=20e-6)


def test_both_ways_agree_on_a_weld(draw) -> None:
    """JCGM 101 8.1: ends of the two intervals, wherever a value is clear of 0."""
    sampling = draw.Sampling(
        noise=0.006, toe_std=0.03, relative_std={"scale": 0.002}, rng=np.random.default_rng(4), correlation=3
    )
    for found in (draw.fillet(85.0, 6.0, 8.0, 0.5, sampling), draw.butt(12.0, 1.8, sampling, misalignment=0.6)):
        measured = measure(found)
        trials = simulate(found, measured)
        compared = 0
        for name, drawn in trials.items():
            value = measured[name]
            if value.value <= 2 * value.expanded_uncertainty:
                continue
            compared += 1
            allowed = 0.15 * value.expanded_uncertainty
            assert drawn.low == pytest.approx(value.value - value.expanded_uncertainty, abs=allowed), name
            assert drawn.high == pytest.approx(value.value + value.expanded_uncertainty, abs=allowed), name
            assert drawn.draws == DRAWS
        assert compared >= 10


def test_trials_of_a_value_near_0_claim_no_less_than_nothing(draw) -> None:
    sampling = draw.Sampling(noise=0.006, toe_std=0.02, rng=np.random.default_rng(9))
    found = draw.fillet(90.0, 6.0, 6.0, 0.0, sampling)
    measured = measure(found)
    trials = simulate(found, measured, draws=1500)
    for name in ("convexity", "undercut_left"):
        assert trials[name].low >= 0
        assert trials[name].high <= measured[name].value + measured[name].expanded_uncertainty + 0.005


def test_trials_of_a_share_claim_no_more_than_the_whole_and_those_of_a_direction_go_below_0(draw) -> None:
    found = draw.fillet(90.0, 6.0, 6.0)
    share = Quantity(98.0, "percent", (Component("edge", 4.0),))
    depth = Quantity(0.02, "mm", (Component("edge", 0.1),))
    trials = simulate(
        found, {"sidewall_fusion_left": share, "root_penetration": depth, "penetration_left": depth}, draws=1500
    )
    assert trials["sidewall_fusion_left"].high == 100
    assert trials["root_penetration"].low == pytest.approx(0.02 - 1.96 * 0.1, abs=0.02)
    assert trials["penetration_left"].low == 0


def test_a_marked_toe_is_the_operators_part(draw) -> None:
    from dataclasses import replace

    found = draw.fillet(90.0, 6.0, 6.0, 0.5, draw.Sampling(toe_std=0.03))
    marked = replace(found, face=replace(found.face, marked=frozenset({"toe_left"})))
    assert "operator's mark" in {part.source for part in measure(marked)["leg_left"].budget}
    assert "operator's mark" not in {part.source for part in measure(marked)["leg_right"].budget}
    assert "operator's mark" not in {part.source for part in measure(found)["leg_left"].budget}
