"""What the trade expects of any weld, whatever its size and shape, tried on hundreds of random sections.

Geometry and common practice; where a standard says it, it is named beside the test. Nothing here knows the true value:
the values of one section must agree among themselves, and with those of the same section changed in one way.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from core.quantity import Component, Quantity
from criteria import Given, Rule, assess, chosen_limits
from measurement import measure
from measurement.gauges import GaugeReading, read
from measurement.gauges.catalogue import METRIC_BLADES
from measurement.names import SIGNED

SECTIONS = 150
NEAR_MM = 2e-3
"""What drawing a circle as short straight pieces leaves."""


def shapes(seed: int) -> list[tuple[float, ...]]:
    """Joint angle, legs and sagitta of random fillets, from deeply concave to strongly convex."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(SECTIONS):
        psi, legs = rng.uniform(62, 120), rng.uniform(3, 12, 2)
        made.append((psi, *legs, float(rng.uniform(-0.12, 0.2)) * float(legs.min())))
    return made


def numbers(measured) -> dict[str, float]:
    return {name: value.value for name, value in measured.items() if isinstance(value, Quantity)}


@pytest.fixture(scope="module")
def fillets(draw) -> list[dict[str, float]]:
    return [numbers(measure(draw.fillet(*shape))) for shape in shapes(5)]


def random_butts(draw, seed: int, **more: float) -> list:
    rng = np.random.default_rng(seed)
    return [
        draw.butt(
            float(rng.uniform(5, 18)),
            float(rng.uniform(-1.0, 2.5)),
            misalignment=float(rng.uniform(-1.5, 1.5)),
            thickness=float(rng.uniform(5, 15)),
            root_width=float(rng.uniform(3, 6)),
            root_height=float(rng.uniform(-0.4, 1.2)),
            **more,
        )
        for _ in range(SECTIONS)
    ]


@pytest.fixture(scope="module")
def butts(draw) -> list[dict[str, float]]:
    return [numbers(measure(section)) for section in random_butts(draw, 6)]


def test_size_is_never_above_either_leg(fillets) -> None:
    """The equal-legged triangle fits inside the weld (leg length z of ISO 2553, fillet size of AWS D1.1)."""
    for weld in fillets:
        assert weld["size"] <= min(weld["leg_left"], weld["leg_right"]) + 1e-9


def test_design_throat_is_the_height_of_the_triangle_of_the_size(fillets) -> None:
    for weld in fillets:
        assert weld["design_throat"] == pytest.approx(weld["size"] * math.cos(math.radians(weld["joint_angle"] / 2)))


def test_throat_is_at_least_the_design_throat(fillets) -> None:
    """What the triangle inside the weld carries, the weld carries (ISO 17659: actual and design throat thickness)."""
    for weld in fillets:
        assert weld["throat"] >= weld["design_throat"] - NEAR_MM


def test_throat_is_never_above_the_face_that_closes_the_triangle(fillets) -> None:
    """From the root no face is nearer than the nearer toe is far."""
    for weld in fillets:
        assert weld["throat"] <= min(weld["leg_left"], weld["leg_right"]) + 1e-9


def test_convex_or_concave_but_never_both(fillets) -> None:
    """A face drawn as one arc bulges one way; both may be 0, for a flat one."""
    for weld in fillets:
        assert min(weld["convexity"], weld["concavity"]) <= NEAR_MM
        assert min(weld["convexity"], weld["concavity"]) >= 0


def test_area_lies_on_the_side_of_the_triangle_that_the_face_bulges_to(fillets) -> None:
    """The triangle of root and toes never holds more than a convex weld, nor less than a concave one."""
    for weld in fillets:
        triangle = weld["leg_left"] * weld["leg_right"] * math.sin(math.radians(weld["joint_angle"])) / 2
        bulge = weld["convexity"] - weld["concavity"]
        assert (weld["weld_area"] - triangle) * bulge >= -1e-3 * triangle * abs(bulge)
        assert abs(weld["weld_area"] - triangle) <= weld["face_width"] * abs(bulge) + 1e-3 * triangle


def test_face_width_closes_the_triangle_of_the_legs(fillets) -> None:
    """Law of cosines: the face is no wider than both legs together and no less than their difference."""
    for weld in fillets:
        left, right, angle = weld["leg_left"], weld["leg_right"], math.radians(weld["joint_angle"])
        assert weld["face_width"] == pytest.approx(math.sqrt(left**2 + right**2 - 2 * left * right * math.cos(angle)))
        assert weld["leg_difference"] <= weld["face_width"] <= left + right
        assert weld["leg_difference"] == pytest.approx(abs(left - right))


def test_legs_square_to_their_plates_are_no_longer_than_legs(fillets) -> None:
    """Leg times the sine of the joint angle; equal on a square joint, where a gauge reads both."""
    for weld in fillets:
        sine = math.sin(math.radians(weld["joint_angle"]))
        for side in ("left", "right"):
            assert weld[f"perpendicular_leg_{side}"] == pytest.approx(weld[f"leg_{side}"] * sine)


def test_toe_angles_and_joint_angle_close_the_polygon(fillets) -> None:
    """With a flat face, root and toes make a triangle; a face that bulges opens it at both toes by what it turns."""
    for weld in fillets:
        total = (180 - weld["toe_angle_left"]) + (180 - weld["toe_angle_right"]) + weld["joint_angle"]
        bulge = weld["convexity"] - weld["concavity"]
        turn = math.degrees(4 * math.atan2(2 * bulge, weld["face_width"]))
        assert total == pytest.approx(180 + turn, abs=0.5)


def test_an_ideal_plate_has_no_defects(fillets, butts) -> None:
    for weld in (*fillets, *butts):
        for name in ("undercut_left", "undercut_right", "pit_depth", "spatter_height"):
            assert weld.get(name, 0.0) == 0


def test_reinforcement_or_underfill_but_never_both(butts) -> None:
    for weld in butts:
        assert min(weld["reinforcement"], weld["underfill"]) <= NEAR_MM
        assert min(weld["root_reinforcement"], weld["root_concavity"]) <= NEAR_MM


def test_heights_above_each_plate_differ_by_the_misalignment(butts) -> None:
    """Plates in line: what stands above the lower plate stands above the higher one by the offset less."""
    for weld in butts:
        if weld["reinforcement_from_left"] > 0 and weld["reinforcement_from_right"] > 0:
            difference = weld["reinforcement_from_left"] - weld["reinforcement_from_right"]
            assert difference == pytest.approx(weld["misalignment"], abs=NEAR_MM)


def test_height_above_the_chord_lies_between_those_above_the_plates(butts) -> None:
    for weld in butts:
        if weld["reinforcement"] > 0 and weld["reinforcement_from_left"] > 0 and weld["reinforcement_from_right"] > 0:
            sides = sorted((weld["reinforcement_from_left"], weld["reinforcement_from_right"]))
            assert sides[0] - 0.05 <= weld["reinforcement"] <= sides[1] + NEAR_MM


def test_misalignment_inside_is_that_outside_less_the_difference_of_thickness(butts) -> None:
    for weld in butts:
        step = weld["thickness_right"] - weld["thickness_left"]
        assert weld["misalignment"] - weld["root_misalignment"] == pytest.approx(step, abs=NEAR_MM)


def test_cap_is_no_narrower_than_the_offset_it_bridges(butts) -> None:
    for weld in butts:
        assert weld["cap_width"] >= abs(weld["misalignment"])
        assert weld["root_width"] >= abs(weld["root_misalignment"])


def test_misalignment_is_the_same_from_either_side(draw, butts) -> None:
    """In a mirror the right plate is the left one: the sign turns, the size stays, and all else swaps sides."""
    for section, weld in zip(random_butts(draw, 6), butts, strict=True):
        other = numbers(measure(draw.mirrored(section)))
        assert abs(other["misalignment"]) == pytest.approx(abs(weld["misalignment"]), abs=1e-6)
        assert other["reinforcement"] == pytest.approx(weld["reinforcement"], abs=1e-6)
        assert other["thickness_left"] == pytest.approx(weld["thickness_right"], abs=1e-6)


def test_values_grow_with_the_weld(draw, fillets) -> None:
    """A section twice as large has twice the lengths, four times the areas and the same angles."""
    for shape, weld in zip(shapes(5)[:100], fillets, strict=False):
        psi, *lengths = shape
        twice = draw.Sampling(spacing=0.06, resolution=0.06)
        large = numbers(measure(draw.fillet(psi, *(2 * length for length in lengths), twice)))
        for name in ("leg_left", "leg_right", "size", "throat", "face_width", "design_throat"):
            assert large[name] == pytest.approx(2 * weld[name], abs=2 * NEAR_MM)
        assert large["weld_area"] == pytest.approx(4 * weld["weld_area"], rel=1e-3)
        assert large["joint_angle"] == pytest.approx(weld["joint_angle"], abs=1e-6)


def test_place_and_turn_of_the_coupon_do_not_matter(draw) -> None:
    """The same points, noise and all, turned as a whole.

    Where two windows of a fit are as good as each other, rounding decides between them: within a fifth of the interval.
    """
    rng = np.random.default_rng(3)
    for number, shape in enumerate(shapes(5)[:100]):
        sampling = draw.Sampling(noise=0.005, toe_std=0.01, rng=np.random.default_rng(number))
        section = draw.fillet(*shape, sampling)
        weld, turned = measure(section), measure(draw.turned(section, float(rng.uniform(-math.pi, math.pi))))
        for name, value in weld.items():
            if isinstance(value, Quantity):
                tolerance = 1e-6 + 0.2 * value.expanded_uncertainty
                assert turned[name].value == pytest.approx(value.value, abs=tolerance), name
                assert turned[name].standard_uncertainty == pytest.approx(value.standard_uncertainty, rel=0.3), name


@pytest.fixture(scope="module")
def noisy(draw) -> list[dict]:
    made = []
    for number, shape in enumerate(shapes(8)):
        sampling = draw.Sampling(
            noise=0.006, correlation=3, toe_std=0.02, relative_std={"scale": 0.002}, rng=np.random.default_rng(number)
        )
        made.append(measure(draw.fillet(*shape, sampling)))
    return made


def test_nothing_is_known_to_less_than_nothing(noisy) -> None:
    """Depths and heights are not below 0, nor are their intervals; shares are not above the whole."""
    for weld in noisy:
        for name, value in weld.items():
            if not isinstance(value, Quantity):
                continue
            low, high = value.interval(signed=name in SIGNED)
            assert low <= value.value <= high
            if name not in SIGNED:
                assert value.value >= 0
                assert low >= 0


def test_no_value_is_certain(noisy) -> None:
    """Every measured value states an uncertainty, none smaller than what its scale leaves unknown."""
    for weld in noisy:
        for value in weld.values():
            if isinstance(value, Quantity):
                assert value.standard_uncertainty is not None
                assert value.standard_uncertainty > 0
                if value.unit == "mm":
                    assert value.standard_uncertainty >= 0.002 * value.value


def test_noise_never_makes_a_value_better_known(draw) -> None:
    """The same sections with twice the noise: no stated uncertainty of a length shrinks by more than chance.

    What the size of a pixel leaves unknown has nothing to do with noise, and stays.
    """
    names = ("leg_left", "leg_right", "throat", "face_width", "joint_angle")
    calm, loud = ([], [])
    for into, noise in ((calm, 0.004), (loud, 0.008)):
        for number, shape in enumerate(shapes(8)[:100]):
            sampling = draw.Sampling(noise=noise, toe_std=noise, rng=np.random.default_rng(number))
            into.append(measure(draw.fillet(*shape, sampling)))
    for name in names:
        ratio = [_by_noise(b[name]) / _by_noise(a[name]) for a, b in zip(calm, loud, strict=True)]
        assert np.median(ratio) == pytest.approx(2, abs=0.2)
        assert min(ratio) > 1


def _by_noise(value: Quantity) -> float:
    return math.hypot(*(part.standard_uncertainty for part in value.budget if part.source != "resolution"))


def test_a_blade_that_fits_lets_every_larger_one_fit(draw) -> None:
    """A leg gauge of one size goes over the toe, so do all larger ones; the size it reports is not above the leg."""
    for shape in shapes(9)[:60]:
        section = draw.fillet(90.0, *shape[1:])
        measured = measure(section)
        taken = read(METRIC_BLADES, section, "leg_left", measured)
        if not isinstance(taken, GaugeReading):
            continue
        fits = [fit for _, fit in taken.fits]
        assert fits == sorted(fits)
        if taken.step_reading is not None:
            assert taken.step_reading <= measured["leg_left"].value + 0.05


LEVELS = ("D", "C", "B")
SEVERITY = {"meets": 0, "undecided": 1, "does_not_meet": 2}


@pytest.mark.parametrize("edition", ["iso5817-2014", "iso5817-2023"])
@pytest.mark.parametrize(
    ("joint", "quantity", "row", "most"),
    [
        ("butt", "undercut_left", "undercut", 1.6),
        ("butt", "reinforcement", "excess-weld-metal", 8.0),
        ("tee", "convexity", "excessive-convexity", 4.0),
        ("butt", "misalignment", "misalignment", 5.0),
    ],
)
def test_a_growing_imperfection_never_becomes_acceptable_and_b_is_the_strictest(edition, joint, quantity, row, most):
    """ISO 5817: quality levels B, C, D in falling order of demand; limits are upper limits."""
    beside = {
        name: Quantity(12.0, "mm", (Component("edge", 0.01),)) for name in ("cap_width", "face_width", "root_width")
    }
    given = Given(thickness_mm=10.0, seam="plate", nominal_throat_mm=6.0)
    rows = {
        level: [limit for limit in chosen_limits(f"{edition}-{level}", "metric")[1] if limit.id == row]
        for level in LEVELS
    }
    before = dict.fromkeys(LEVELS, 0)
    judged = 0
    for value in np.linspace(0, most, 41):
        severity = {}
        for level, limits in rows.items():
            measured = {**beside, quantity: Quantity(float(value), "mm", (Component("edge", 0.02),))}
            found = [o for o in assess(measured, joint, given, limits, Rule()) if o.quantity == quantity]
            worst = max((SEVERITY[o.outcome] for o in found if o.outcome in SEVERITY), default=None)
            if worst is None:
                continue
            judged += 1
            assert worst >= before[level], (level, value)
            before[level] = severity[level] = worst
        listed = [severity[level] for level in LEVELS if level in severity]
        assert listed == sorted(listed), value
    assert judged >= 41
    assert max(before.values()) == SEVERITY["does_not_meet"]


def test_groove_angle_is_the_sum_of_its_bevels(draw) -> None:
    """Included angle (ISO 9692-1, alpha) of two bevels beta; checked through one member and its mirror image."""
    rng = np.random.default_rng(4)
    for _ in range(40):
        section = random_groove(draw, rng)
        values = numbers(measure(section))
        assert values["groove_angle"] == pytest.approx(values["bevel_angle_left"] + values["bevel_angle_right"])
        for side in ("left", "right"):
            parts = values[f"root_face_{side}"] + values[f"preparation_depth_{side}"]
            assert parts == pytest.approx(values[f"thickness_{side}"], abs=NEAR_MM)


def random_groove(draw, rng):
    from vision.section import PreparedEdge, Section

    gap, offset = float(rng.uniform(0.5, 4)), float(rng.uniform(-1, 1))

    def member(side: int):
        thickness, land = float(rng.uniform(6, 16)), float(rng.uniform(0.5, 3))
        lean = math.tan(math.radians(float(rng.uniform(15, 45))))
        lift = offset if side > 0 else 0.0
        edge = side * gap / 2
        top, bottom = np.array([edge, land - thickness + lift]), np.array([edge, -thickness + lift])
        outer = np.array([edge + side * lean * (thickness - land), lift])
        away = np.array([float(side), 0.0])

        def fit(start, end):
            direction = (end - start) / np.hypot(*(end - start))
            return draw.exact_fit(start, direction)

        return PreparedEdge(
            outside=draw.exact_fit(outer, away), inside=draw.exact_fit(bottom, away), bevel=fit(top, outer),
            land=fit(bottom, top), outer_corner=outer, land_top=top, land_bottom=bottom,
        )  # fmt: skip

    return Section("groove", point_std_mm=0.0, resolution_mm=0.03, edge_left=member(-1), edge_right=member(1))


def test_a_wider_gap_moves_nothing_but_the_gap(draw) -> None:
    """Fit-up: pulling one member away changes the root gap by as much, and no value of either member."""
    rng = np.random.default_rng(14)
    for _ in range(40):
        section = random_groove(draw, rng)
        pull = np.array([float(rng.uniform(0.1, 3)), 0.0])
        edge = section.edge_right
        moved = replace(
            edge,
            **{part: draw.exact_fit(getattr(edge, part).line.point + pull, getattr(edge, part).line.direction)
               for part in ("outside", "inside", "bevel", "land")},
            **{corner: getattr(edge, corner) + pull for corner in ("outer_corner", "land_top", "land_bottom")},
        )  # fmt: skip
        before, after = numbers(measure(section)), numbers(measure(replace(section, edge_right=moved)))
        for name, value in before.items():
            expected = value + (pull[0] if name == "root_gap" else 0.0)
            assert after[name] == pytest.approx(expected, abs=1e-6), name
