"""A drawing's own limits as people write them."""

import math

import pytest

from core.errors import UsageError
from criteria import nominal_sizes, parse_requirement


@pytest.mark.parametrize(
    ("text", "quantity", "unit", "bounds"),
    [
        ("z6", "leg", "mm", (6, math.inf)),
        ("a4", "design_throat", "mm", (4, math.inf)),
        ("s5.5", "throat_with_penetration", "mm", (5.5, math.inf)),
        ("z 1/4 in", "leg", "in", (0.25, math.inf)),
        ('z5/16"', "leg", "in", (0.3125, math.inf)),
        ("z¼″", "leg", "in", (0.25, math.inf)),
        ("z3/8 in.", "leg", "in", (0.375, math.inf)),
        ("Leg, left >= 1/4''", "leg_left", "in", (0.25, math.inf)),
        ("throat >= 3/16 in.", "throat", "in", (0.1875, math.inf)),
        ("joint angle 85..95°", "joint_angle", "deg", (85, 95)),
        ("leg >= 1/4 in", "leg", "in", (0.25, math.inf)),
        ("leg >= 1/4 inches", "leg", "in", (0.25, math.inf)),
        ("leg_left>=6mm", "leg_left", "mm", (6, math.inf)),
        ("undercut <= 0.5 mm", "undercut", "mm", (-math.inf, 0.5)),
        ("undercut ≤ 1/32 in", "undercut", "in", (-math.inf, 1 / 32)),
        ("root_gap 1/16..3/32 in", "root_gap", "in", (1 / 16, 3 / 32)),
        ("root_gap 1.5 mm .. 2.5 mm", "root_gap", "mm", (1.5, 2.5)),
        ("root_gap 1 1/16 to 1 3/32 in", "root_gap", "in", (1 + 1 / 16, 1 + 3 / 32)),
        ("bevel_angle 30..37.5 deg", "bevel_angle", "deg", (30, 37.5)),
        ("toe_angle >= 110°", "toe_angle", "deg", (110, math.inf)),
        ("Z6", "leg", "mm", (6, math.inf)),
        ("Z 1/4 IN", "leg", "in", (0.25, math.inf)),
        ("leg => 6 MM", "leg", "mm", (6, math.inf)),
        ("undercut =< 0.5 Mm", "undercut", "mm", (-math.inf, 0.5)),
        ("left leg >= 0.25 Inch", "leg_left", "in", (0.25, math.inf)),
        ("difference of the legs <= 1 mm", "leg_difference", "mm", (-math.inf, 1)),
        ("reinforcement above the left plate <= 3 mm", "reinforcement_from_left", "mm", (-math.inf, 3)),
        ("heat-affected zone <= 3 mm", "haz_width", "mm", (-math.inf, 3)),
        ("throat min. 4 mm", "throat", "mm", (4, math.inf)),
        ("throat: 4 mm min", "throat", "mm", (4, math.inf)),
        ("undercut at most 1/32 in", "undercut", "in", (-math.inf, 1 / 32)),
        ("root_gap 2 ± 0.5 mm", "root_gap", "mm", (1.5, 2.5)),
        ("root_gap 1/8 +/- 1/32 in", "root_gap", "in", (3 / 32, 5 / 32)),
        ("bevel angle 37.5° ± 2.5°", "bevel_angle", "deg", (35, 40)),
        ("bevel angle 30–37.5°", "bevel_angle", "deg", (30, 37.5)),
    ],
)
def test_understood(text: str, quantity: str, unit: str, bounds: tuple) -> None:
    limit = parse_requirement(text)
    assert (limit.quantity, limit.own_unit) == (quantity, unit)
    assert limit.bounds(limit.cases[0], {}) == pytest.approx(bounds, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("", "not understood"),
        ("6", "not understood"),
        ("z", "not understood"),
        ("leg", "not understood"),
        ("leg >= 6", "needs a unit"),
        ("leg >= 6 deg", "deg"),
        ("leg >= 1/0 in", "divides by zero"),
        ("z1/4", 'a fraction needs its unit: write "z 1/4 in"'),
        ("a 1 1/4", "a fraction needs its unit"),
        ("z0", "more than 0"),
        ("a4,5", 'decimals with a point, "a4.5"'),
        ("leg, left >= 6,5 mm", 'decimals with a point, "leg, left >= 6.5 mm"'),
        ("foo >= 6 mm", "docs/definitions.md"),
        ("leg >= -6 mm", "0 or more"),
        ("leg >= nan mm", "not understood"),
        ("leg >= 1e999 mm", "not a finite number"),
        ("legs >= 6 mm", "did you mean"),
        ("throat <= throat", "not understood"),
        ("root_gap 3..2 mm", "smaller value first"),
        ("root_gap 1 mm..2 in", "two units"),
        ("root_gap 1..2", "needs a unit"),
        ("bevel_angle 30..37.5", "angle with its unit"),
        ("weld_area >= 3 mm", "cannot be limited"),
        ("a4 z6", "more than one limit"),
        ("leg >= 6 mm; throat >= 4 mm", "more than one limit"),
        ("6 mm <= leg <= 8 mm", 'a range: "leg 6..8 mm"'),
        ("z6..8", "not one size"),
        ("root_gap 1/16-3/32 in", "with .. between the ends of a range"),
        ("root_gap 2 mm ± 0.1 in", "two units"),
        ("root_gap 2 ± 0 mm", "no width"),
        ("root_gap 2 ± 3 mm", "0 or more"),
        ("misalignment -1..1 mm", 'write "misalignment <= 1 mm", which holds to either side'),
        ("convexity <= 1 mm + 0.1*b", "a file of limits"),
        ("x" * 5000, "too long"),
        ("(" * 150, "not understood"),
    ],
)
def test_a_bad_one_names_itself(text: str, hint: str) -> None:
    with pytest.raises(UsageError) as error:
        parse_requirement(text)
    message = str(error.value)
    assert hint in message
    assert message.startswith(f"--require {text[:57]!r}"[:50])
    assert "\n" not in message


def test_call_outs_state_nominal_sizes() -> None:
    assert nominal_sizes(["Z6", "a 1/4 in", "leg >= 3 mm"]) == pytest.approx(
        {"nominal_leg_mm": 6, "nominal_throat_mm": 6.35}
    )
