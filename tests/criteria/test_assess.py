"""From values to outcomes: sides, what must be given, short imperfections, doubts and their wording."""

import math
from dataclasses import replace
from statistics import NormalDist

import pytest

from core.quantity import Component, NotMeasurable, Quantity
from criteria import Extent, Given, Rule, assess, chosen_limits, parse_requirement
from criteria.expression import parse
from criteria.limit import Case
from criteria.rules import parse_rule

RULE = Rule()


def mm(value: float, std: float | None = 0.01, source: str = "edge") -> Quantity:
    return Quantity(value, "mm", () if std is None else (Component(source, std),))


def outcomes(name: str, row_id: str, measured: dict, joint: str = "butt", system: str = "metric", rule=RULE, **given):
    """Assess one row of a set; return its outcomes by quantity."""
    limits = [limit for limit in chosen_limits(name, system)[1] if limit.id == row_id]
    assert limits
    return {found.quantity: found for found in assess(measured, joint, Given(**given), limits, rule)}


def one(*arguments, **given):
    (found,) = outcomes(*arguments, **given).values()
    return found


def test_thickness_is_asked_for_and_never_taken_from_the_picture() -> None:
    plates = {"thickness_left": mm(10), "thickness_right": mm(10)}
    measured = {"undercut_left": mm(0.3), "undercut_right": mm(0.6), **plates}
    without = outcomes("iso5817-2014-C", "undercut", measured)
    assert {found.outcome for found in without.values()} == {"not_assessed"}
    assert without["undercut_left"].missing == ("thickness",)
    assert without["undercut_left"].message == "give the thickness"
    assert without["undercut_left"].limit is None
    given = outcomes("iso5817-2014-C", "undercut", measured, thickness_mm=10)
    assert {name: found.outcome for name, found in given.items()} == {
        "undercut_left": "meets",
        "undercut_right": "does_not_meet",
    }
    assert given["undercut_left"].limit == 0.5
    assert given["undercut_left"].probability == pytest.approx(1)


def test_all_that_is_missing_is_named() -> None:
    found = one("asme-b31.3-2016", "internal-protrusion", {"root_reinforcement": mm(1)})
    assert (found.outcome, found.missing) == ("not_assessed", ("service", "thickness"))
    found = one("iso5817-2014-C", "misalignment", {"misalignment": mm(1)}, thickness_mm=10)
    assert found.missing == ("seam",)
    found = one("iso5817-2014-C", "asymmetry", {"leg_difference": mm(1)}, "tee")
    assert (found.missing, found.message) == (("nominal_throat",), "give the nominal throat")
    found = one("iso5817-2014-C", "insufficient-throat", {"design_throat": mm(4)}, "tee")
    assert found.missing == ("thickness", "nominal_throat")


@pytest.mark.parametrize(
    ("formula", "direction", "words"),
    [
        ("6/(t-10)", "upper", "the formula '6/(t-10)' cannot be computed for t = 10"),
        ("t-12", "upper", "the limit comes out as ≤ -2 mm, which no value meets"),
        ("t-9", "range", "the limit comes out as 2 to 1 mm, which no value meets"),
    ],
)
def test_a_formula_that_does_not_suit_a_weld_decides_nothing_and_stops_no_other_row(
    formula: str, direction: str, words: str
) -> None:
    case = Case(parse(formula, where="test"), "given", low=parse("2", where="test") if direction == "range" else None)
    row = replace(parse_requirement("undercut_left <= 1 mm"), direction=direction, cases=(case,))
    good = parse_requirement("undercut_right <= 1 mm")
    measured = {"undercut_left": mm(0.3), "undercut_right": mm(0.3)}
    bad, other = assess(measured, "tee", Given(thickness_mm=10), [row, good], RULE)
    assert (bad.outcome, other.outcome) == ("not_assessed", "meets")
    assert words in bad.message


def test_other_joints_words_and_levels_give_no_outcome() -> None:
    assert outcomes("iso5817-2014-C", "undercut", {"bevel_angle_left": mm(1)}, "groove") == {}
    assert outcomes("asme-b31.3-2016", "undercut", {}, service="normal", seam="plate") == {}
    assert outcomes("iso5817-2014-D", "excessive-throat", {"throat": mm(9)}, "tee", nominal_throat_mm=4) == {}


def test_what_was_not_measured_says_why() -> None:
    measured = {"undercut_left": NotMeasurable("show more of the plate"), "undercut_right": mm(0)}
    found = outcomes("iso5817-2014-B", "undercut", measured, thickness_mm=10)
    assert found["undercut_left"].message == "not measurable: show more of the plate"
    assert found["undercut_right"].outcome == "meets"
    assert one("iso5817-2014-B", "burn-through", {}).message == "no section measures it: look for it"
    reinforcement = {"reinforcement": mm(1), "cap_width": NotMeasurable("no face")}
    found = one("iso5817-2014-B", "excess-weld-metal", reinforcement)
    assert (found.outcome, found.message) == ("not_assessed", "the limit needs the cap width: no face")


def test_outside_the_scope() -> None:
    angles = {f"toe_angle_{side}": Quantity(160, "deg", (Component("edge", 1),)) for side in ("left", "right")}
    found = outcomes("iso5817-2014-B", "toe-angle-butt", angles, thickness_mm=0.4)
    assert found["toe_angle_left"].message == "outside the scope of these limits, t >= 0.5"
    faces = {"root_face_left": mm(1), "root_face_right": mm(1)}
    found = outcomes("asme-b16.25-2017-general", "root-face", faces, "groove", thickness_mm=3)
    assert found["root_face_left"].message == "no limit is tabled for t = 3"


@pytest.mark.parametrize(
    ("depth", "outcome", "words"),
    [
        (0.0, "meets", "not distinguishable from 0"),
        (0.02, "meets", "not distinguishable from 0"),
        (0.1, "not_assessed", "depth within the short-imperfection limit; length not assessed"),
        (0.2, "undecided", "the limit is that for short imperfections"),
        (0.3, "does_not_meet", "0.300 mm, at most 0.2 mm is allowed"),
    ],
)
def test_short_imperfections_from_one_section(depth: float, outcome: str, words: str) -> None:
    """ISO 5817:2014, 1.7, level C at t = 2: 0.2 mm for short imperfections, none otherwise."""
    measured = {"undercut_left": mm(depth), "undercut_right": NotMeasurable("not shown")}
    found = outcomes("iso5817-2014-C", "undercut", measured, thickness_mm=2)["undercut_left"]
    assert found.outcome == outcome
    assert words in found.message
    assert found.missing == (("length",) if outcome == "not_assessed" else ())


@pytest.mark.parametrize(
    ("total", "weld", "outcome"),
    [(25, 300, "meets"), (26, 300, "does_not_meet"), (14, 60, "meets"), (16, 60, "does_not_meet")],
)
def test_short_imperfections_with_lengths_from_a_scan(total: float, weld: float, outcome: str) -> None:
    """25 mm in any 100 mm, 25 % of a shorter weld (ISO 5817:2014, clause 3, from memory)."""
    measured = {"undercut_left": mm(0.1), "undercut_right": mm(0)}
    extents = {"undercut_left": Extent(total, weld)}
    found = outcomes("iso5817-2014-C", "undercut", measured, thickness_mm=2, extents=extents)
    assert found["undercut_left"].outcome == outcome
    # the depth was read on a secondary source, the length that decides here was not
    assert [found[name].verified for name in measured] == ["from memory", "secondary"]


def test_lengths_that_were_read_are_not_said_to_be_from_memory() -> None:
    """AWS D1.1, Table 8.1 (7): 2 in in any 12 in."""
    measured, extents = {"undercut_left": mm(1.2), "undercut_right": mm(0)}, {"undercut_left": Extent(40, 300)}
    found = outcomes("aws-d1.1-2020-static", "undercut", measured, "tee", "inch", thickness_mm=12.7, extents=extents)
    assert (found["undercut_left"].outcome, found["undercut_left"].verified) == ("meets", "secondary")


def test_nothing_permitted() -> None:
    """At level B up to 3 mm no undercut is permitted: what cannot be told from none meets it, all else does not."""
    for depth, outcome in ((0.02, "meets"), (0.021, "does_not_meet")):
        measured = {"undercut_left": mm(depth), "undercut_right": mm(0)}
        found = outcomes("iso5817-2014-B", "undercut", measured, thickness_mm=2)
        assert found["undercut_left"].outcome == outcome
        assert found["undercut_left"].probability is None


def test_throat_less_than_nominal() -> None:
    """ISO 5817:2014, 1.20, level C, t = 10, a = 5: 0.8 mm less, short; level B: none."""
    for level, throat, outcome in (
        ("C", 5.1, "meets"),
        ("C", 4.5, "not_assessed"),
        ("C", 4.2, "undecided"),
        ("C", 4.1, "does_not_meet"),
        ("B", 5.0, "undecided"),
        ("B", 4.9, "does_not_meet"),
    ):
        found = one(f"iso5817-2014-{level}", "insufficient-throat", {"design_throat": mm(throat)}, "tee",
                    thickness_mm=10, nominal_throat_mm=5)  # fmt: skip
        assert (level, throat, found.outcome) == (level, throat, outcome)


def test_size_below_nominal_in_inches() -> None:
    """AWS D1.1:2020, Table 8.1 (6): a 1/4 in fillet may be 3/32 in under for a tenth of its length."""
    for size, outcome, limit in ((0.26, "meets", 0.25), (0.2, "not_assessed", 5 / 32), (0.15, "does_not_meet", 5 / 32)):
        found = one("aws-d1.1-2020-static", "undersize", {"size": mm(size * 25.4, 0.02)}, "tee", "inch",
                    nominal_leg_mm=6.35)  # fmt: skip
        assert (found.outcome, found.limit, found.unit) == (outcome, pytest.approx(limit * 25.4), "mm")
    assert found.own_limit == "5/32 in"


def test_two_steps_of_undercut() -> None:
    """AWS D1.1:2020, Table 8.1 (7): 1/32 in anywhere, 1/16 in for 2 in of any 12 in."""
    for depth, outcome in ((0.5, "meets"), (1.2, "not_assessed"), (1.7, "does_not_meet")):
        measured = {"undercut_left": mm(depth), "undercut_right": mm(0)}
        found = outcomes("aws-d1.1-2020-static", "undercut", measured, "tee", "inch", thickness_mm=12.7)
        assert found["undercut_left"].outcome == outcome


def test_an_offset_counts_to_either_side() -> None:
    for value, outcome in ((-2.9, "meets"), (-3.1, "does_not_meet"), (3.1, "does_not_meet"), (-3.0, "undecided")):
        found = one("iso5817-2014-B", "misalignment", {"misalignment": mm(value)}, thickness_mm=40, seam="plate")
        assert found.outcome == outcome
        assert (found.lower, found.upper) == (-3, 3)


def test_the_lesser_of_two_heights() -> None:
    """ASME B31.3, Table 341.3.2, note 8."""
    measured = {"reinforcement_from_left": mm(2.0), "reinforcement_from_right": mm(1.2)}
    found = one("asme-b31.3-2016", "reinforcement", measured, thickness_mm=6, service="normal")
    assert (found.quantity, found.outcome) == ("reinforcement_from_right", "meets")
    # with one height alone: if it is low enough the lesser is, too; if not, nothing is known of the lesser
    for height, outcome in ((1.2, "meets"), (2.0, "not_assessed")):
        half = {"reinforcement_from_left": mm(height), "reinforcement_from_right": NotMeasurable("no plate")}
        found = outcomes("asme-b31.3-2016", "reinforcement", half, thickness_mm=6, service="normal")
        assert found["reinforcement_from_left"].outcome == outcome
        assert found["reinforcement_from_right"].outcome == "not_assessed"
    assert "the lesser of both decides" in found["reinforcement_from_left"].message
    bevels = {"bevel_angle_left": Quantity(0, "deg", (Component("edge", 0.1),)),
              "bevel_angle_right": Quantity(45, "deg", (Component("edge", 0.1),))}  # fmt: skip
    found = one("iso9692-1-2013-1.9.1", "1.9.1-bevel-angle", bevels, "groove", thickness_mm=8)
    assert (found.quantity, found.outcome) == ("bevel_angle_right", "meets")


def test_the_limit_moves_with_the_width_it_is_computed_from() -> None:
    """504 at level D up to 3 mm: h <= 1 + 0.6 b. u(b) counts with 0.6; what both share cancels in part."""
    budget = {"root_reinforcement": mm(2.7, 0.01), "root_width": mm(3.0, 0.1)}
    found = one("iso5817-2014-D", "excess-penetration", budget, thickness_mm=2)
    assert found.outcome == "undecided"  # 0.1 from the limit of 2.8, u = hypot(0.01, 0.06)
    assert found.probability == pytest.approx(NormalDist().cdf(0.1 / math.hypot(0.01, 0.06)), abs=1e-6)
    shared = {"root_reinforcement": mm(2.7, 0.06, "scale"), "root_width": mm(3.0, 0.1, "scale")}
    assert one("iso5817-2014-D", "excess-penetration", shared, thickness_mm=2).outcome == "meets"


def test_a_width_at_a_step_of_the_table() -> None:
    """AWS D1.1 convexity: 1/16 in up to a face of 5/16 in, 1/8 in above."""
    for width, convexity, outcome in ((0.313, 0.09, "undecided"), (0.313, 0.03, "meets"), (0.36, 0.09, "meets")):
        measured = {"convexity": mm(convexity * 25.4), "face_width": mm(width * 25.4, 0.05)}
        found = one("aws-d1.1-2020-static", "convexity", measured, "tee", "inch")
        assert found.outcome == outcome
    measured = {"convexity": mm(2.2), "face_width": mm(7.95, 0.05)}
    found = one("aws-d1.1-2020-static", "convexity", measured, "tee", "inch")
    assert "step of the table" in found.message


def test_undecided_says_what_would_settle_it() -> None:
    limits = [parse_requirement("throat >= 5 mm")]
    for source, words in (("resolution", "more pixels for each mm"), ("scale", "a longer target"), ("edge", "sharper")):
        (found,) = assess({"throat": mm(5.01, 0.02, source)}, "tee", Given(), limits, RULE)
        assert found.outcome == "undecided"
        assert words in found.message
        assert "more sections" in found.message
        assert "U below 0.01 mm" in found.message
        assert found.probability == pytest.approx(0.6915, abs=1e-4)


def test_what_would_settle_a_doubt_follows_the_rule() -> None:
    """At a guard band of 2.326 u a value 0.045 = 2.25 u from its limit is undecided, though outside ± U."""
    (found,) = assess({"throat": mm(5.045, 0.02)}, "tee", Given(), [parse_requirement("throat >= 5 mm")],
                      parse_rule("guarded:0.99"))  # fmt: skip
    assert found.outcome == "undecided"
    assert "lies inside 5.045 ± 0.047 mm (2.326 u)" in found.message
    assert "U below 0.039 mm" in found.message  # 2 * 0.045 / 2.326


def test_a_value_at_its_limit_is_settled_by_more_sections_alone() -> None:
    (found,) = assess({"throat": mm(5.001, 0.02)}, "tee", Given(), [parse_requirement("throat >= 5 mm")], RULE)
    assert found.message.endswith("what would settle it: more sections, the value lies at the limit")


def test_a_limit_for_long_imperfections_inside_the_interval_leaves_the_row_undecided() -> None:
    """AWS D1.1:2020, Table 8.1 (7): 1 mm, 2 mm where short. 1.01 mm may be either, whatever its length."""
    for depth, outcome in ((1.01, "undecided"), (1.2, "not_assessed")):
        measured = {"undercut_left": mm(depth, 0.02), "undercut_right": mm(0)}
        found = outcomes("aws-d1.1-2020-static", "undercut", measured, "tee", thickness_mm=10)["undercut_left"]
        assert (found.outcome, found.missing) == (outcome, ("length",))
        assert "for a short length" in found.message or "length not assessed" in found.message


def test_a_word_is_asked_for_with_those_that_the_row_knows() -> None:
    measured = {"undercut_left": mm(0.5), "undercut_right": mm(0)}
    found = outcomes("aws-d1.1-2020-cyclic", "undercut-cyclic", measured, "tee")["undercut_left"]
    assert (found.missing, found.message) == (("category",), "give the category (transverse or other)")
    found = outcomes("asme-b31.3-2016", "undercut", measured)["undercut_left"]
    assert found.message.startswith("give the service (normal, category-d or severe-cyclic), the seam (")


def test_what_a_row_takes_for_granted_is_said_whatever_comes_out() -> None:
    """AWS D1.1:2020, Table 7.7; the 5 mm of cyclic loading are from memory."""
    for level, size, outcome, verified in (
        ("static", 4, "meets", "secondary"),
        ("cyclic", 4, "does_not_meet", "from memory"),
        ("cyclic", 6, "meets", "from memory"),
    ):
        found = one(f"aws-d1.1-2020-{level}", "minimum-size", {"size": mm(size)}, "tee", thickness_mm=6)
        assert (found.outcome, found.verified) == (outcome, verified)
        assert "thicker part" in found.message


@pytest.mark.parametrize(
    ("text", "measured", "allowed"),
    [
        ("throat 5..6 mm", {"throat": mm(5.5)}, "5 to 6 mm"),
        ("throat 1/4..3/8 in", {"throat": mm(8)}, "1/4 to 3/8 in"),
        (
            "bevel_angle_left 35..40 deg",
            {"bevel_angle_left": Quantity(37, "deg", (Component("edge", 0.1),))},
            "35 to 40°",
        ),
        ("misalignment <= 1 mm", {"misalignment": mm(-0.5)}, "≤ 1 mm"),
        ("throat >= 1/4 in", {"throat": mm(8)}, "≥ 1/4 in"),
        ("undercut_left <= 0 mm", {"undercut_left": mm(0)}, "none"),
    ],
)
def test_what_is_allowed_has_its_sign(text: str, measured: dict, allowed: str) -> None:
    (found,) = assess(measured, "groove", Given(), [parse_requirement(text)], RULE)
    assert found.own_allowed == allowed


def test_rules_are_told_and_followed() -> None:
    limits = [parse_requirement("throat >= 5 mm")]
    found = {text: assess({"throat": mm(5.01, 0.02)}, "tee", Given(), limits, parse_rule(text))[0] for text in
             ("simple", "guarded-acceptance", "guarded-rejection", "guarded:0.6")}  # fmt: skip
    assert [outcome.outcome for outcome in found.values()] == ["meets", "does_not_meet", "meets", "meets"]
    assert found["guarded-acceptance"].message == "5.010 mm, not proven to be at least 5 mm"
    assert found["guarded-acceptance"].rule == "guarded acceptance, guard band U (k = 2)"


def test_without_an_uncertainty_only_the_simple_rule_decides() -> None:
    limits = [parse_requirement("throat >= 5 mm")]
    (found,) = assess({"throat": mm(6, None)}, "tee", Given(), limits, RULE)
    assert (found.outcome, found.probability) == ("not_assessed", None)
    assert "not evaluated" in found.message
    (found,) = assess({"throat": mm(6, None)}, "tee", Given(), limits, Rule("simple"))
    assert (found.outcome, found.probability) == ("meets", None)


def test_a_range_and_both_sides() -> None:
    limits = [parse_requirement("root_gap 1/16..3/32 in"), parse_requirement("bevel_angle 30..37.5 deg")]
    angles = {f"bevel_angle_{side}": Quantity(value, "deg", (Component("edge", 0.2),)) for side, value in
              (("left", 35), ("right", 38))}  # fmt: skip
    gap, left, right = assess({"root_gap": mm(2), **angles}, "groove", Given(), limits, RULE)
    assert (gap.outcome, gap.lower, gap.upper) == ("meets", pytest.approx(25.4 / 16), pytest.approx(25.4 * 3 / 32))
    assert (left.outcome, right.outcome, right.limit) == ("meets", "does_not_meet", 37.5)
    (found,) = assess({"reinforcement": mm(1)}, "butt", Given(), [parse_requirement("throat >= 5 mm")], RULE)
    assert (found.outcome, found.message) == ("not_assessed", "this butt has no measured value of that name")


def test_evidence_goes_along() -> None:
    undercut = {"undercut_left": mm(0), "undercut_right": mm(0)}
    found = outcomes("api-1104-20", "undercut", undercut, thickness_mm=6)["undercut_left"]
    assert found.verified == "from memory"
    (found,) = assess({"throat": mm(6)}, "tee", Given(), [parse_requirement("a5")], RULE)
    assert found.verified == "given"


def test_what_falls_short_is_told_what_is_required() -> None:
    (found,) = assess({"throat": mm(3)}, "tee", Given(), [parse_requirement("throat >= 4 mm")], RULE)
    assert found.message == "3.000 mm, at least 4 mm is required"
