import numpy as np
import pytest

from benchmarks.render.not_welds import NOT_WELDS


@pytest.mark.parametrize("name", NOT_WELDS)
def test_every_picture_has_the_size_asked_for_and_follows_its_seed(name: str) -> None:
    draw = NOT_WELDS[name]
    picture = draw(np.random.default_rng(1), 400, 300)
    assert picture.shape == (300, 400)
    assert picture.dtype == np.uint8
    assert np.array_equal(picture, draw(np.random.default_rng(1), 400, 300))
    if name not in {"blank", "black"}:
        assert np.ptp(picture) > 80
