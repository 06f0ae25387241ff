import numpy as np
import pytest

from benchmarks.render.scenario import JOINTS, random_scenario, render

SMALL = {"width_px": 800, "height_px": 600}


@pytest.mark.parametrize("joint", JOINTS)
@pytest.mark.parametrize("difficulty", ["clean", "normal", "hard"])
def test_the_true_points_lie_on_the_border_between_metal_and_background(joint: str, difficulty: str) -> None:
    rendering = render(random_scenario(np.random.default_rng(5), joint=joint, difficulty=difficulty, **SMALL))
    picture = rendering.picture if rendering.picture.ndim == 2 else rendering.picture.mean(axis=2)
    spread = []
    for weld in rendering.welds:
        for name in ("toe_left", "toe_right", "root_edge_left", "root_edge_right"):
            if name in weld.points_px:
                x, y = np.round(weld.points_px[name]).astype(int)
                window = picture[y - 8 : y + 9, x - 8 : x + 9]
                spread.append(float(np.ptp(window)))
    assert spread
    assert min(spread) > 15


def test_the_same_seed_gives_the_same_picture_and_another_seed_another() -> None:
    first, again, other = (
        render(random_scenario(np.random.default_rng(seed), joint="tee", **SMALL)) for seed in (1, 1, 2)
    )
    assert np.array_equal(first.picture, again.picture)
    assert first.truth == again.truth
    assert first.truth != other.truth


def test_the_homography_leads_from_pixels_to_the_mm_of_the_truth() -> None:
    rendering = render(random_scenario(np.random.default_rng(3), joint="lap", tilt_deg=4.0, **SMALL))
    points = rendering.points_px["1"]
    mm = {}
    for name, point in points.items():
        mapped = rendering.homography @ [*point, 1.0]
        mm[name] = mapped[:2] / mapped[2]
    leg = float(np.hypot(*(mm["toe_left"] - mm["root"])))
    assert leg == pytest.approx(rendering.truth["1"]["leg_left"], abs=1e-6)


def test_a_target_lies_clear_of_the_section_where_there_is_room() -> None:
    clear = 0
    for seed in range(6):
        scenario = random_scenario(
            np.random.default_rng(seed), joint="butt", rotation_deg=2.0, with_target=True, **SMALL
        )
        (target,) = scenario.targets
        width, height = target.size_mm
        from shapely.geometry import Polygon

        box = Polygon(target.to_section(np.array([[0, 0], [width, 0], [width, height], [0, height]])))
        clear += not box.intersects(scenario.drawing.metal)
    assert clear == 6
