"""Decision rules against published examples and closed forms."""

import math

import pytest

from core.errors import UsageError
from criteria import Rule, conformity, decide, guard_factor, parse_rule


def test_probability_between_two_limits() -> None:
    """JCGM 106:2012, example in 7.4: y = 13.6, u = 1.8, limits 12.5 and 16.3; the figure is computed from these."""
    assert conformity(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.66263, abs=5e-6)


def test_probability_with_one_limit() -> None:
    """At the limit it is one half; k standard uncertainties inside it is the normal distribution."""
    assert conformity(5, 0.1, -math.inf, 5) == pytest.approx(0.5)
    assert conformity(5, 0.1, 4.8355146, math.inf) == pytest.approx(0.95, abs=1e-6)
    assert conformity(5, 0.1, -math.inf, 5.2) == pytest.approx(1 - 0.0227501, abs=1e-6)


def test_probability_of_what_cannot_be_negative() -> None:
    """A measured 0 is half a normal curve: P(|X| <= u) = 0.6827; far from 0 nothing changes."""
    assert conformity(0, 0.1, -math.inf, 0.1, not_negative=True) == pytest.approx(0.682689, abs=1e-6)
    assert conformity(1, 0.1, -math.inf, 1.1, not_negative=True) == pytest.approx(0.841345, abs=1e-6)
    assert conformity(0.05, 0.1, -math.inf, 0.1, not_negative=True) == pytest.approx(
        (0.691462 - 0.308538) / 0.691462, abs=1e-5
    )


@pytest.mark.parametrize("value", [0.0, 0.2, -50.0, 1e6])
@pytest.mark.parametrize("std", [0.0, 1e-9, 0.1, 1e3])
def test_probability_is_one(value: float, std: float) -> None:
    for not_negative in (False, True):
        assert 0 <= conformity(value, std, -math.inf, 0.3, not_negative=not_negative) <= 1
        assert conformity(value, std, -math.inf, math.inf, not_negative=not_negative) == pytest.approx(1)


@pytest.mark.parametrize(
    ("probability", "in_u", "in_expanded"),
    [(0.95, 1.64485, 0.82243), (0.975, 1.95996, 0.97998), (0.99, 2.32635, 1.16317)],
)
def test_guard_factors(probability: float, in_u: float, in_expanded: float) -> None:
    """JCGM 106:2012, 8.3 (from memory, recomputed); ISO 14253-1:2017 takes 95 %."""
    assert guard_factor(probability) == pytest.approx(in_u, abs=5e-6)
    assert guard_factor(probability) / 2 == pytest.approx(in_expanded, abs=6e-6)
    assert parse_rule(f"guarded:{probability}").guard == pytest.approx(in_u, abs=5e-6)


@pytest.mark.parametrize(
    ("value", "guarded", "simple", "acceptance", "rejection"),
    [
        (9.79, "meets", "meets", "meets", "meets"),
        (9.85, "undecided", "meets", "does_not_meet", "meets"),
        (10.0, "undecided", "meets", "does_not_meet", "meets"),
        (10.15, "undecided", "does_not_meet", "does_not_meet", "meets"),
        (10.21, "does_not_meet", "does_not_meet", "does_not_meet", "does_not_meet"),
    ],
)
def test_rules_about_an_upper_limit(value: float, guarded: str, simple: str, acceptance: str, rejection: str) -> None:
    """Limit 10, U = 0.2: conforming up to USL - U, not conforming above USL + U (ISO 14253-1; ILAC-G8:09/2019, 4.2)."""
    found = {kind: decide(value, 0.1, -math.inf, 10, Rule(kind)) for kind in
             ("guarded", "simple", "guarded-acceptance", "guarded-rejection")}  # fmt: skip
    assert list(found.values()) == [guarded, simple, acceptance, rejection]
    mirrored = {kind: decide(-value, 0.1, -10, math.inf, Rule(kind)) for kind in found}
    assert mirrored == found


def test_a_range_has_a_guard_band_at_both_ends() -> None:
    assert decide(5, 0.1, 4.7, 5.3, Rule()) == "meets"
    assert decide(5, 0.1, 4.9, 5.3, Rule()) == "undecided"
    assert decide(5, 0.1, 4.9, 5.1, Rule("guarded-acceptance")) == "does_not_meet"


def test_risk_of_accepting_at_the_guard_band() -> None:
    """w = U leaves 2.28 % at most (ILAC-G8:09/2019, Table 1: below 2.5 %)."""
    assert 1 - conformity(10 - 2 * 0.1, 0.1, -math.inf, 10) == pytest.approx(0.02275, abs=1e-5)


@pytest.mark.parametrize(
    "text", ["", "strict", "simple:0.9", "guarded:", "guarded:0.3", "guarded:1", "guarded:nan", "guarded:x"]
)
def test_bad_rules_are_named(text: str) -> None:
    with pytest.raises(UsageError, match="--rule"):
        parse_rule(text)


def test_rules_say_what_they_are() -> None:
    assert str(parse_rule("guarded")) == "guarded, guard band U (k = 2)"
    assert str(parse_rule("guarded-acceptance:0.95")) == "guarded acceptance, guard band 1.645 u"
    assert str(parse_rule("simple")) == "simple acceptance, no guard band"
