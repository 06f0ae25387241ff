"""A calibration board alone in the picture is no joint, though its squares are straight and in pairs."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.not_welds import chessboard
from calibration.model import from_pixel_size
from core.errors import NothingMeasurable
from vision.find import find_welds


@pytest.mark.parametrize("seed", range(8))
def test_board_is_refused(seed: int) -> None:
    gray = chessboard(np.random.default_rng(seed), 1200, 900)
    with pytest.raises(NothingMeasurable):
        find_welds(gray, from_pixel_size(0.05))
