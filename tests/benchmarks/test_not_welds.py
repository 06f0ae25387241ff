import numpy as np
import pytest

from benchmarks import not_welds
from benchmarks.render.more_not_welds import ALL as NOT_WELDS


@pytest.mark.parametrize("name", NOT_WELDS)
def test_every_picture_has_the_size_asked_for_and_follows_its_seed(name: str) -> None:
    draw = NOT_WELDS[name]
    picture = draw(np.random.default_rng(1), 400, 300)
    assert picture.shape == (300, 400)
    assert picture.dtype == np.uint8
    assert np.array_equal(picture, draw(np.random.default_rng(1), 400, 300))
    if name not in {"blank", "black"}:
        assert np.ptp(picture) > 50


def test_no_weld_is_made_up_of_any_kind_of_picture() -> None:
    """One picture of each kind; ``python -m benchmarks.not_welds`` tries 200, and photographs."""
    claims = [not_welds.claimed(*case) for case in not_welds.drawn(len(NOT_WELDS), 10)]
    assert [claim for claim in claims if claim.joints] == []
    assert {claim.kind for claim in claims} == set(NOT_WELDS)


def test_a_false_claim_is_counted_for_the_joint_that_was_asked_for() -> None:
    claims = [
        not_welds.Claim("auto", "noise", 0, (), 0),
        not_welds.Claim("auto", "gear", 1, ("tee",), 12),
        not_welds.Claim("butt", "noise", 0, (), 0),
    ]
    told = not_welds.report(claims)
    assert "--joint auto: 2 pictures without a weld, 1 false measurements" in told
    assert "--joint butt: 1 pictures without a weld, 0 false measurements" in told
    assert "false: --joint auto: gear 1: tee, 12 values" in told


@pytest.mark.parametrize("name", ["page_of_text", "noise", "landscape", "clouds", "blank", "disc"])
def test_a_page_noise_or_a_landscape_is_refused_whatever_joint_is_named(name: str) -> None:
    rng = np.random.default_rng([7, 1])
    picture = NOT_WELDS[name](rng, 700, 525)
    claims = [not_welds.claimed(name, 0, picture, joint=joint) for joint in not_welds.JOINTS]
    assert [claim for claim in claims if claim.joints] == []
