"""Bias and limits of agreement: against the published example, an independent library, and what must hold."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from inspection.agreement import agreement
from inspection.comparison import as_document, compare, without_side
from inspection.readings import Reading, Readings

DATA = Path(__file__).resolve().parents[1] / "data" / "gauges"


@pytest.fixture(scope="module")
def flow() -> tuple[list[float], list[float]]:
    """First readings of both meters: J. M. Bland and D. G. Altman, Lancet 327 (1986) 307-310, table 1."""
    with (DATA / "flow_meters.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 17
    return [float(row["first_1"]) for row in rows], [float(row["second_1"]) for row in rows]


def test_published_example(flow: tuple[list[float], list[float]]) -> None:
    """The paper takes two standard deviations; its printed figures (from memory) follow from rounded ones."""
    found = agreement(*flow, spread=2.0)
    assert found.n == 17
    assert found.bias == pytest.approx(-2.117647, abs=5e-7)  # printed -2.1
    assert found.std == pytest.approx(38.765130, abs=5e-7)  # printed 38.8
    assert found.bias_interval == pytest.approx((-22.049, 17.814), abs=6e-4)  # printed -22.0 to 17.8
    assert found.lower is not None
    assert found.upper is not None
    assert (found.lower.value, found.upper.value) == pytest.approx((-79.6479, 75.4126), abs=6e-5)
    assert (found.lower.low, found.lower.high) == pytest.approx((-114.170, -45.126), abs=6e-4)
    assert (found.upper.low, found.upper.high) == pytest.approx((40.891, 109.934), abs=6e-4)
    # Standard error of a limit as printed, 16.3, with t of 16 degrees of freedom, 2.120.
    assert (found.upper.high - found.upper.value) / 2.11990530 == pytest.approx(16.2846, abs=6e-5)


def test_limits_today_take_1_96(flow: tuple[list[float], list[float]]) -> None:
    found = agreement(*flow)
    assert found.lower is not None
    assert found.upper is not None
    assert (found.lower.value, found.upper.value) == pytest.approx((-78.0973, 73.8620), abs=6e-5)


def test_against_an_independent_library() -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    import pingouin
    from matplotlib import pyplot

    random = np.random.default_rng(5)
    for n in (4, 9, 40):
        first, second = random.normal(6, 1, n), random.normal(6.2, 1.1, n)
        found = agreement(first, second)
        axes = pingouin.plot_blandaltman(first, second, agreement=1.96, confidence=0.95)
        heights = sorted({round(float(line.get_ydata()[0]), 9) for line in axes.lines if len(line.get_ydata()) == 2})
        bands = sorted((patch.get_y(), patch.get_y() + patch.get_height()) for patch in axes.patches)
        pyplot.close(axes.figure)
        assert found.lower is not None
        assert found.upper is not None
        assert found.bias_interval is not None
        for value in (found.lower.value, found.bias, found.upper.value):
            assert min(abs(value - height) for height in heights) < 1e-8
        expected = sorted(
            [(found.lower.low, found.lower.high), found.bias_interval, (found.upper.low, found.upper.high)]
        )
        assert np.allclose(bands, expected, atol=1e-8)


def test_slope_against_an_independent_library() -> None:
    import statsmodels.api as sm

    random = np.random.default_rng(6)
    truth = random.uniform(3, 12, 25)
    read = 1.2 * truth - 0.5 + random.normal(0, 0.2, 25)
    found = agreement(read, truth).slope
    fit = sm.OLS(read - truth, sm.add_constant((read + truth) / 2)).fit()
    low, high = fit.conf_int()[1]
    assert found is not None
    assert (found.value, found.low, found.high, found.p) == pytest.approx(
        (fit.params[1], low, high, fit.pvalues[1]), rel=1e-9
    )
    assert found.value == pytest.approx(0.2 / 1.1, abs=0.03)


def test_intervals_hold_as_often_as_they_say() -> None:
    """3000 experiments of 12 readings with a known bias and a known upper limit."""
    random = np.random.default_rng(7)
    bias, std, trials = 0.3, 0.5, 3000
    held = np.zeros(2)
    for _ in range(trials):
        truth = random.uniform(4, 9, 12)
        found = agreement(truth + random.normal(bias, std, 12), truth)
        assert found.bias_interval is not None
        assert found.upper is not None
        held[0] += found.bias_interval[0] <= bias <= found.bias_interval[1]
        held[1] += found.upper.low <= bias + 1.96 * std <= found.upper.high
    assert held[0] / trials == pytest.approx(0.95, abs=0.015)
    assert held[1] / trials == pytest.approx(0.95, abs=0.03)  # the standard error of a limit is an approximation


def test_few_readings_give_no_limits() -> None:
    one = agreement([6.0], [6.1])
    assert (one.n, one.std, one.lower, one.bias_interval, one.slope) == (1, None, None, None, None)
    two = agreement([6.0, 7.0], [6.1, 7.3])
    assert two.std == pytest.approx(math.sqrt(0.02))
    assert two.lower is None
    assert two.upper is None
    three = agreement([6.0, 7.0, 8.0], [6.1, 7.3, 8.0])
    assert three.lower is not None
    assert three.slope is None


def test_equal_differences_have_no_slope() -> None:
    """What the machine's rounding leaves of equal differences is not tested for significance."""
    sizes = [3 * 25.4 / 16, 0.25 * 25.4, 0.25 * 25.4, 5 * 25.4 / 16]
    for off in (0.0, 0.1):
        slope = agreement([size + off for size in sizes], [round(size, 6) for size in sizes]).slope
        assert (slope.value, slope.p) == (0.0, 1.0)


def test_one_size_read_again_gives_no_slope() -> None:
    """Over a constant reference the slope would be 2 for every gauge."""
    assert agreement([1.7, 1.8, 1.9, 2.0], [1.7, 1.7, 1.7, 1.7]).slope is None


@pytest.mark.parametrize(("scatter", "exceeded"), [(0.0, False), (0.3, True)])
def test_own_uncertainty_tells_a_perfect_reading_from_a_bad_one(scatter: float, exceeded: bool) -> None:
    random = np.random.default_rng(8)
    truth = random.uniform(4, 9, 40)
    measured = truth + random.normal(0, 0.05, 40)
    found = agreement(truth + random.normal(0, scatter, 40) if scatter else truth, measured, [0.1] * 40).own
    assert found is not None
    assert found.exceeded is exceeded
    assert found.expected_std == pytest.approx(0.05)


def test_own_uncertainty_is_not_guessed() -> None:
    assert agreement([6.0, 7.0], [6.1, 7.0], [0.1, None]).own is None


# The join with results


def value(number: float, label: str, unit: str = "mm", expanded: float | None = 0.05) -> dict:
    return {
        "state": "measured",
        "value": number,
        "unit": unit,
        "expanded_uncertainty": expanded,
        "coverage_factor": 2.0,
        "label": label,
    }


def entry(path: str, sha: str, welds: list[dict]) -> dict:
    return {"source": {"path": path, "sha256": sha * 64, "kind": "macro"}, "welds": welds, "error": None}


def weld(number: str, gauges: list[dict] | None = None, **values: dict) -> dict:
    return {"id": number, "measurements": values} | ({} if gauges is None else {"gauges": gauges})


def readings(*rows: Reading) -> Readings:
    return Readings("readings.csv", rows, (), ())


def reading(source: str, quantity: str, number: float, unit: str = "mm", **more: str) -> Reading:
    return Reading(2, source, more.pop("weld", "1"), quantity, number, unit, f"{number} {unit}", **more)


TEE = entry(
    "photos/tee.jpg",
    "a",
    [
        weld("1", leg_left=value(6.4, "leg, left"), leg_right=value(7.6, "leg, right")),
        weld(
            "2",
            [{"gauge": "leg blades", "quantity": "leg_left", "reading": 5.9, "step_reading": 5.0}],
            leg_left=value(6.0, "leg, left"),
            toe_radius_left={"state": "not_measurable", "value": None, "unit": "mm", "reason": "too fine."},
        ),
    ],
)


@pytest.mark.parametrize("source", ["tee.jpg", "photos/tee.jpg", "./photos/tee.jpg", "elsewhere/tee.jpg", "A" * 64])
def test_a_picture_is_found_by_name_path_and_hash(source: str) -> None:
    done = compare(readings(reading(source, "leg_left", 6.0)), [TEE])
    assert done.alone == ()
    assert done.comparisons[0].groups[0].agreement.bias == pytest.approx(-0.4)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (reading("butt.jpg", "leg_left", 6.0), "no result of butt.jpg"),
        (reading("tee.jpg", "leg_left", 6.0, weld="9"), "no weld '9', only 1, 2"),
        (reading("tee.jpg", "beauty", 6.0), "no value 'beauty'"),
        (reading("tee.jpg", "toe_radius_left", 6.0, weld="2"), "not measurable: too fine"),
        (reading("tee.jpg", "leg_left", -6.0), "leg_left cannot be negative"),
        (reading("tee.jpg", "leg_left", 6.0, "deg"), "is measured in mm, the reading '6.0 deg' is in deg"),
    ],
)
def test_what_finds_no_value_says_why(row: Reading, why: str) -> None:
    done = compare(readings(row), [TEE])
    assert done.comparisons == ()
    assert why in done.alone[0].reason


def test_two_pictures_of_one_name_are_not_mixed_up() -> None:
    other = entry("more/tee.jpg", "b", [weld("1", leg_left=value(5.0, "leg, left"))])
    done = compare(readings(reading("tee.jpg", "leg_left", 6.0)), [TEE, other])
    assert "2 pictures called tee.jpg" in done.alone[0].reason
    done = compare(readings(reading("more/tee.jpg", "leg_left", 6.0)), [TEE, other])
    assert done.comparisons[0].groups[0].agreement.bias == pytest.approx(1.0)


def test_two_measurements_of_one_picture_are_not_chosen_from() -> None:
    again = entry("photos/tee.jpg", "a", [weld("1", leg_left=value(6.5, "leg, left"))])
    assert (
        "2 different measurements"
        in compare(readings(reading("tee.jpg", "leg_left", 6.0)), [TEE, again]).alone[0].reason
    )
    assert compare(readings(reading("tee.jpg", "leg_left", 6.0)), [TEE, TEE]).alone == ()


def test_sides_are_taken_together_or_apart() -> None:
    rows = readings(reading("tee.jpg", "leg_left", 6.0), reading("tee.jpg", "leg_right", 8.0))
    together = compare(rows, [TEE]).comparisons[0]
    assert (together.quantity, together.label, together.groups[0].agreement.n) == ("leg", "leg", 2)
    apart = compare(rows, [TEE], sides_apart=True).comparisons
    assert [item.quantity for item in apart if item.reference == "measured"] == ["leg_left", "leg_right"]
    assert without_side("undercut_width_left") == "undercut_width"


def test_groups_are_gauges_operators_and_all() -> None:
    rows = [
        reading("tee.jpg", "leg_left", 6.0 + 0.1 * g + 0.01 * o, gauge=gauge, operator=operator)
        for g, gauge in enumerate(("one", "two"))
        for o, operator in enumerate(("A", "B"))
    ]
    found = compare(readings(*rows), [TEE]).comparisons[0]
    names = [(group.gauge, group.operator) for group in found.groups]
    assert names == [
        ("one", "A"), ("one", "B"), ("one", None), ("two", "A"), ("two", "B"), ("two", None),
        (None, "A"), (None, "B"), (None, None),
    ]  # fmt: skip
    biases = {name: group.agreement.bias for name, group in zip(names, found.groups, strict=True)}
    assert biases["two", None] == pytest.approx(-0.4 + 0.1 + 0.005)
    assert biases[None, "B"] == pytest.approx(-0.4 + 0.05 + 0.01)
    assert [group.values for group in found.groups] == [1] * 9


def test_modelled_reading_is_that_of_the_same_gauge_and_quantity() -> None:
    rows = readings(
        reading("tee.jpg", "leg_left", 6.0, weld="2", gauge="Leg-Blades"),
        reading("tee.jpg", "leg_left", 6.0, weld="2", gauge="calliper"),
        reading("tee.jpg", "leg_left", 6.0, weld="1", gauge="leg blades"),
    )
    modelled = compare(rows, [TEE]).comparisons[1]
    assert modelled.reference == "modelled"
    assert modelled.groups[0].agreement.n == 1
    assert modelled.groups[0].agreement.bias == pytest.approx(1.0)  # against what its steps let a person read
    off = entry(
        "b.jpg", "c", [weld("1", [{"gauge": "g", "quantity": "leg_left", "reading": 60, "step_reading": None}])]
    )
    off["welds"][0]["measurements"] = {"leg_left": value(60.0, "leg, left")}
    beyond = compare(readings(reading("b.jpg", "leg_left", 60.0, gauge="g")), [off]).comparisons[1]
    assert dict(beyond.missing) == {"the modelled 'g' gives no reading of leg_left": 1}
    assert dict(modelled.missing) == {
        "the result models no gauge called 'calliper'": 1,
        "the result holds no modelled gauges, which toeline measure --gauges adds": 1,
    }


@pytest.mark.parametrize(("number", "bias"), [(0.5, -0.1), (-0.5, 0.1)])
def test_an_offset_without_a_sign_is_its_size(number: float, bias: float) -> None:
    """A right plate that lies 0.6 mm lower: hi-lo is read as 0.5 mm; who writes a sign means the side, too."""
    hook = {"gauge": "hook", "quantity": "root_misalignment", "reading": -0.6, "step_reading": -0.6}
    butt = entry("butt.jpg", "b", [weld("1", [hook], root_misalignment=value(-0.6, "misalignment, root side"))])
    done = compare(readings(reading("butt.jpg", "root_misalignment", number, gauge="hook")), [butt])
    for item in done.comparisons:
        assert item.groups[0].agreement.bias == pytest.approx(bias)


def test_document_is_plain_json() -> None:
    rows = readings(reading("tee.jpg", "leg_left", 6.0), reading("tee.jpg", "nothing", 6.0))
    content = json.loads(json.dumps(as_document(compare(rows, [TEE])), allow_nan=False))
    assert content["schema"] == "toeline.agreement/1"
    group = content["comparisons"][0]["groups"][0]
    assert (group["readings"], group["bias"], group["lower_limit"]) == (1, -0.4, None)
    assert content["not_compared"][0]["line"] == 2
