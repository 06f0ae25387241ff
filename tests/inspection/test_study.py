"""Studies of gauges and people: against a published study, certified data sets, and independent libraries."""

import itertools
import json
import re
from pathlib import Path

import numpy as np
import pytest

from core.errors import NothingMeasurable
from inspection.ranges import one_range_divisor, range_moments, upper_range_factor
from inspection.readings import read_study
from inspection.study import study_by_ranges, study_by_variance
from inspection.study_design import Design, design_of
from inspection.study_document import as_document
from inspection.variance import crossed, one_way

TABLE = Path(__file__).resolve().parents[1] / "data" / "gauges" / "ten_parts_three_operators.csv"


@pytest.fixture(scope="module")
def published() -> Design:
    """The 10 x 3 x 3 study of measurement systems analysis, 4th edition, chapter III (from two agreeing copies)."""
    return design_of(read_study(TABLE))


def random_design(random: np.random.Generator, shape: tuple[int, int, int], stds: tuple[float, ...]) -> Design:
    """Draw a study with given standard deviations of part, operator, interaction and repeat."""
    part, operator, both, repeat = stds
    values = (
        6.0
        + random.normal(0, part, (shape[0], 1, 1))
        + random.normal(0, operator, (1, shape[1], 1))
        + random.normal(0, both, (shape[0], shape[1], 1))
        + random.normal(0, repeat, shape)
    )
    return Design(tuple(f"p{i}" for i in range(shape[0])), tuple("ABCDEFGH"[: shape[1]]), values, "mm")


def test_published_analysis_of_variance(published: Design) -> None:
    found = study_by_variance(published)
    lines = {line.source: line for line in found.lines}
    printed = {
        "part": (9, 88.3619, 9.81799, 492.291),
        "operator": (2, 3.1673, 1.58363, 79.406),
        "interaction": (18, 0.3590, 0.01994, 0.434),
        "repeatability": (60, 2.7589, 0.04598, None),
    }
    for source, (freedom, squares, mean, f) in printed.items():
        line = lines[source]
        assert line.degrees_of_freedom == freedom
        assert line.sum_of_squares == pytest.approx(squares, abs=6e-5)
        assert line.mean_square == pytest.approx(mean, abs=6e-6)
        assert line.f == (None if f is None else pytest.approx(f, abs=6e-4))
    assert lines["interaction"].p == pytest.approx(0.974, abs=5e-4)
    assert found.pooled_lines is not None
    part, operator, error = found.pooled_lines
    assert (error.degrees_of_freedom, error.sum_of_squares) == (78, pytest.approx(3.1179, abs=6e-5))
    assert (part.f, operator.f) == (pytest.approx(245.614, abs=6e-4), pytest.approx(39.617, abs=6e-4))


def test_published_components(published: Design) -> None:
    found = study_by_variance(published)
    printed = {"EV": 0.199933, "AV": 0.226838, "GRR": 0.302373, "PV": 1.042327}
    for code, std in printed.items():
        assert found.spreads[code].std == pytest.approx(std, abs=2e-6), code
    assert found.spreads["TV"].std == pytest.approx(1.0852996, abs=5e-7)  # printed 1.085
    # 1.08647 is printed for PV, though its printed root, 1.042327, squares to 1.08645.
    for code, variance in {"EV": 0.03997, "AV": 0.05146, "GRR": 0.09143, "PV": 1.08645}.items():
        assert found.spreads[code].variance == pytest.approx(variance, abs=6e-6), code
    for code, percent in {"EV": 3.4, "AV": 4.4, "GRR": 7.8, "PV": 92.2}.items():
        assert 100 * (found.contribution(code) or 0) == pytest.approx(percent, abs=0.05), code
    assert 100 * (found.share("GRR") or 0) == pytest.approx(27.9, abs=0.05)
    assert found.categories == pytest.approx(4.861, abs=6e-4)
    assert "INT" not in found.spreads
    assert any("not significant" in note for note in found.notes)


def test_published_study_not_pooled(published: Design) -> None:
    """The interaction comes out negative there, is set to 0, and that is said."""
    found = study_by_variance(published, pool_above=1.0)
    assert found.spreads["EV"].std == pytest.approx(0.214435, abs=1e-6)
    assert found.spreads["INT"].std == 0
    assert any("operator by part came out negative and is set to 0" in note for note in found.notes)


def test_published_averages_and_ranges(published: Design) -> None:
    """Printed figures from memory; they differ in the last digit, as printed constants are rounded."""
    found = study_by_ranges(published)
    assert found.operator_ranges == pytest.approx((0.184, 0.513, 0.328), abs=1e-9)
    assert found.mean_range == pytest.approx(0.34167, abs=5e-6)
    assert found.operator_difference == pytest.approx(0.44467, abs=5e-6)
    assert found.part_range == pytest.approx(3.5111, abs=5e-5)
    assert found.upper_range_limit == pytest.approx(0.8815, abs=3e-3)  # with 2.58 for the factor
    printed = {"EV": 0.20188, "AV": 0.22963, "GRR": 0.30575, "PV": 1.10456, "TV": 1.14610}
    for code, std in printed.items():
        assert found.spreads[code].std == pytest.approx(std, abs=5e-4), code
    for code, percent in {"EV": 17.61, "AV": 20.04, "GRR": 26.68, "PV": 96.38}.items():
        assert 100 * (found.share(code) or 0) == pytest.approx(percent, abs=0.02), code
    assert int(found.categories or 0) == 5
    assert found.beyond == (("4", "B"),)


def test_constants_of_the_range() -> None:
    """Closed forms for two and three values; the rest as tables print them (from memory)."""
    assert range_moments(2) == pytest.approx((2 / np.pi**0.5, (2 - 4 / np.pi) ** 0.5), abs=1e-9)
    assert range_moments(3)[0] == pytest.approx(3 / np.pi**0.5, abs=1e-9)
    for size, d2, d3 in ((4, 2.059, 0.880), (5, 2.326, 0.864), (10, 3.078, 0.797)):
        assert range_moments(size) == pytest.approx((d2, d3), abs=6e-4)
    assert 1 / one_range_divisor(2) == pytest.approx(0.7071, abs=5e-5)
    assert 1 / one_range_divisor(3) == pytest.approx(0.5231, abs=5e-5)
    assert 1 / one_range_divisor(10) == pytest.approx(0.3146, abs=5e-5)
    assert upper_range_factor(2) == pytest.approx(3.267, abs=6e-4)
    assert upper_range_factor(3) == pytest.approx(2.575, abs=6e-4)


def certified(name: str) -> tuple[np.ndarray, dict[str, float]]:
    """Read a one-way set of the NIST Statistical Reference Datasets, as shipped with the tests of scipy."""
    import scipy.stats

    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / f"{name}.dat"
    if not path.is_file():
        pytest.skip("scipy comes without its test data here")
    text = path.read_text(encoding="ascii")
    between = re.search(r"Between \w+\s+(\d+)\s+(\S+)\s+(\S+)\s+(\S+)", text)
    within = re.search(r"Within \w+\s+(\d+)\s+(\S+)\s+(\S+)", text)
    data = np.loadtxt(text[text.rindex("Data:") :].splitlines()[1:])
    groups = [data[data[:, 0] == group, 1] for group in np.unique(data[:, 0])]
    keys = ("df_between", "ss_between", "ms_between", "f", "df_within", "ss_within", "ms_within")
    return np.array(groups), dict(zip(keys, map(float, (*between.groups(), *within.groups())), strict=True))


@pytest.mark.parametrize(
    ("name", "tolerance"),
    [
        ("SiRstv", 1e-11),
        ("AtmWtAg", 1e-7),  # seven figures in common: what doubles hold of them
        *[(f"SmLs0{number}", 1e-12) for number in (1, 2, 3)],
        *[(f"SmLs0{number}", 1e-8) for number in (4, 5, 6)],
        *[
            (f"SmLs0{number}", 1e-2) for number in (7, 8, 9)
        ],  # thirteen figures in common: doubles hold three of the rest
    ],
)
def test_certified_sets(name: str, tolerance: float) -> None:
    values, expected = certified(name)
    between, within = one_way(values)
    assert (between.degrees_of_freedom, within.degrees_of_freedom) == (expected["df_between"], expected["df_within"])
    assert between.sum_of_squares == pytest.approx(expected["ss_between"], rel=tolerance)
    assert within.sum_of_squares == pytest.approx(expected["ss_within"], rel=tolerance)
    assert between.mean_square == pytest.approx(expected["ms_between"], rel=tolerance)
    assert within.mean_square == pytest.approx(expected["ms_within"], rel=tolerance)
    assert between.f == pytest.approx(expected["f"], rel=tolerance)


def test_certified_set_as_a_study_of_one_person() -> None:
    """SiRstv, certified: F 1.18046237440255, residual standard deviation 0.104076068334656."""
    values, _ = certified("SiRstv")
    found = study_by_variance(Design(tuple("12345"), ("A",), values[:, None, :], ""))
    assert found.spreads["EV"].std == pytest.approx(0.104076068334656, rel=1e-11)
    assert found.spreads["GRR"].std == found.spreads["EV"].std
    assert found.spreads["PV"].variance == pytest.approx((0.012786565400 - 0.010831828) / 5, rel=1e-7)
    assert "AV" not in found.spreads
    assert any(
        "one operator" in note
        for note in (*found.notes, *study_by_ranges(Design(tuple("12345"), ("A",), values[:, None, :], "")).notes)
    )


@pytest.mark.parametrize(("seed", "shape"), [(0, (2, 2, 2)), (1, (5, 3, 2)), (2, (10, 3, 3)), (3, (4, 6, 5))])
def test_against_independent_libraries(seed: int, shape: tuple[int, int, int]) -> None:
    import pandas as pd
    import pingouin
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    design = random_design(np.random.default_rng(seed), shape, (1.0, 0.3, 0.2, 0.1))
    cells = itertools.product(range(shape[0]), range(shape[1]), range(shape[2]))
    frame = pd.DataFrame(
        [(f"p{i}", f"o{j}", design.values[i, j, k]) for i, j, k in cells], columns=["part", "operator", "reading"]
    )
    fitted = anova_lm(ols("reading ~ C(part) * C(operator)", frame).fit())
    third = pingouin.anova(frame, dv="reading", between=["part", "operator"]).set_index("Source")
    names = {
        "part": ("C(part)", "part"),
        "operator": ("C(operator)", "operator"),
        "interaction": ("C(part):C(operator)", "part * operator"),
        "repeatability": ("Residual", "Residual"),
    }
    lines = {line.source: line for line in crossed(design.values)}
    for source, (row, other) in names.items():
        assert lines[source].sum_of_squares == pytest.approx(fitted.loc[row, "sum_sq"], rel=1e-8)
        assert lines[source].degrees_of_freedom == fitted.loc[row, "df"]
        assert lines[source].sum_of_squares == pytest.approx(third.loc[other, "SS"], rel=1e-8)
    assert lines["interaction"].f == pytest.approx(fitted.loc["C(part):C(operator)", "F"], rel=1e-8)
    assert lines["interaction"].p == pytest.approx(fitted.loc["C(part):C(operator)", "PR(>F)"], rel=1e-8)
    # Parts and operators are random here, fixed there: they are tested against the interaction.
    assert lines["part"].f == pytest.approx(
        fitted.loc["C(part)", "mean_sq"] / fitted.loc["C(part):C(operator)", "mean_sq"], rel=1e-8
    )


def test_components_are_right_on_average() -> None:
    """Variances of 600 drawn studies, none of them pooled, lie on average where they were drawn."""
    random = np.random.default_rng(11)
    stds = (1.0, 0.5, 0.4, 0.2)
    sums: dict[str, float] = dict.fromkeys(("EV", "AV", "INT", "PV"), 0.0)
    for _ in range(600):
        found = study_by_variance(random_design(random, (8, 5, 3), stds), pool_above=1.0)
        for code in sums:
            sums[code] += found.spreads[code].variance / 600
    expected = dict(zip(("PV", "AV", "INT", "EV"), (std**2 for std in stds), strict=True))
    for code, variance in expected.items():
        assert sums[code] == pytest.approx(variance, rel=0.1), code


@pytest.mark.parametrize(("both", "pool_above"), [(0.0, 1.0), (0.3, 1.0), (0.0, 0.05)])
def test_intervals_hold_at_least_as_often_as_they_say(both: float, pool_above: float) -> None:
    random = np.random.default_rng(12)
    stds = (1.0, 0.4, both, 0.25)
    part, operator, interaction, repeat = stds
    gauge = float(np.hypot(np.hypot(operator, interaction), repeat))
    truth = {"EV": repeat, "AV": operator, "PV": part, "GRR": gauge, "TV": float(np.hypot(gauge, part))}
    held = dict.fromkeys(truth, 0)
    trials = 800
    for _ in range(trials):
        found = study_by_variance(random_design(random, (8, 4, 3), stds), pool_above=pool_above)
        for code, std in truth.items():
            interval = found.spreads[code].interval
            assert interval is not None
            assert interval[0] <= found.spreads[code].std <= interval[1] * (1 + 1e-12)
            held[code] += interval[0] <= std <= interval[1]
    for code, count in held.items():
        assert 0.93 <= count / trials <= 1.0, (code, count / trials)


def test_identical_repeats_are_no_error() -> None:
    """A gauge read in coarse steps repeats exactly: EV is 0 and nothing is divided by it."""
    base = np.array([[6.0, 6.0], [7.0, 7.0], [8.0, 8.0]])
    same = Design(("1", "2", "3"), ("A", "B"), np.repeat(base[:, :, None], 2, axis=2), "mm")
    for found in (study_by_variance(same), study_by_ranges(same)):
        assert found.spreads["GRR"].std == 0
        assert found.categories is None
        assert found.share("PV") == 1
    base[1, 1] = 7.5
    found = study_by_variance(Design(("1", "2", "3"), ("A", "B"), np.repeat(base[:, :, None], 2, axis=2), "mm"))
    assert found.spreads["EV"].std == 0
    assert found.spreads["INT"].std > 0
    assert sum("the steps of the gauge hide" in note for note in found.notes) == 1
    still = Design(("1", "2"), ("A", "B"), np.full((2, 2, 2), 6.0), "mm")
    assert study_by_variance(still).share("PV") is None
    assert study_by_ranges(still).categories is None


def test_unit_and_offset_change_nothing_but_the_unit(published: Design) -> None:
    moved = Design(published.parts, published.operators, published.values * 25.4 + 1000, "mm")
    for method in (study_by_variance, study_by_ranges):
        first, second = method(published), method(moved)
        for code, spread in first.spreads.items():
            assert second.spreads[code].std == pytest.approx(25.4 * spread.std, rel=1e-9)


# The design


def rows(*cells: str, head: str = "part,operator,reading") -> str:
    return "\n".join((head, *cells)) + "\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            rows("1,A,1", "1,A,2", "1,B,1", "2,A,1", "2,A,2", "2,B,1", "2,B,3"),
            "not balanced .*part '1' by 'B' has 1 of 2",
        ),
        (rows("1,A,1", "1,A,2", "2,B,1", "2,B,2"), "part '1' by 'B' has 0 of 2; part '2' by 'A' has 0 of 2"),
        (rows("1,A,1", "1,A,x", "2,A,1", "2,A,2"), "a row could not be read in line 3"),
        (rows("1,Ann,1", "1,ann ,2", "2,Ann,1", "2,ann,2", "2,Ann,3"), "'Ann' and 'ann' differ only in capitals"),
        (rows("1,A,1", "1,B,2", "2,A,1", "2,B,2"), "without a second trial"),
        (rows("1,A,1", "1,A,2", "1,B,1", "1,B,2"), "one part, '1'"),
        (rows("1,A,1 mm", "1,A,2 mm", "2,A,1", "2,A,2 mm"), "more than one unit"),
        (rows("1,A,1,a", "1,A,2,b", head="part,operator,reading,gauge"), "more than one gauge"),
        (rows("1,A,1,1", "1,A,2,1", head="part,operator,reading,trial"), "lines 2 and 3 both hold trial 1"),
        (rows(",A,1"), "no row can be read"),
        (rows(*(f"{i},o{i},1" for i in range(200))), "nothing is crossed"),
    ],
)
def test_designs_that_are_refused(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "study.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(NothingMeasurable, match=words) as caught:
        design_of(read_study(path))
    assert len(str(caught.value)) < 700


def test_order_of_the_rows_does_not_matter(published: Design, tmp_path: Path) -> None:
    head, *lines = TABLE.read_text(encoding="utf-8").splitlines()
    path = tmp_path / "study.csv"
    path.write_text("\n".join([head, *np.random.default_rng(1).permutation(lines)]), encoding="utf-8")
    shuffled = study_by_variance(design_of(read_study(path)))
    for code, spread in study_by_variance(published).spreads.items():
        assert shuffled.spreads[code].std == pytest.approx(spread.std, rel=1e-12)


def test_document_is_plain_json(published: Design) -> None:
    study = read_study(TABLE)
    content = as_document(study, published, study_by_variance(published), study_by_ranges(published), 4.0)
    content = json.loads(json.dumps(content, allow_nan=False))
    assert content["schema"] == "toeline.study/1"
    assert (content["unit"], content["trials"], len(content["parts"])) == (None, 3, 10)
    gauge = content["analysis_of_variance"]["components"]["GRR"]
    assert gauge["share_of_tolerance"] == pytest.approx(6 * 0.3023715 / 4, abs=1e-6)
    assert content["analysis_of_variance"]["distinct_categories"] == 4
