"""The chain of a laser line's runs: whole stretches at once give what column by column gives."""

from __future__ import annotations

from itertools import accumulate

import numpy as np
import pytest

from vision import stripe_chain
from vision.stripe_chain import best_chain, onward, runs_of


def frame(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return light and mask of a line with gaps, steps, specks and a second piece, as reduced frames have."""
    rng = np.random.default_rng(seed)
    light = np.zeros((120, 300), np.float32)
    row = 60.0
    for column in range(300):
        row += rng.normal(0, 0.6) + (rng.uniform(-25, 25) if rng.random() < 0.02 else 0.0)
        row = float(np.clip(row, 5, 110))
        if rng.random() > 0.05:
            light[int(row) : int(row) + int(rng.integers(2, 6)), column] = rng.uniform(20, 200)
        for _ in range(int(rng.random() < 0.15)):
            speck = int(rng.integers(0, 115))
            light[speck : speck + 2, column] = rng.uniform(20, 200)
    return light, light > 0


@pytest.mark.parametrize("seed", range(20))
def test_stretches_at_once_give_the_chain_of_single_columns(seed, monkeypatch):
    light, mask = frame(seed)
    runs = runs_of(light, mask)
    at_once = best_chain(runs, mask.shape[1])
    monkeypatch.setattr(stripe_chain, "onward", lambda runs, quality, width: ([0.0], list(range(width))))
    assert np.array_equal(at_once, best_chain(runs, mask.shape[1]))


def test_a_stretch_ends_where_the_line_breaks():
    light = np.zeros((40, 30), np.float32)
    light[10:13, :12] = 100
    light[30:33, 12:25] = 100
    runs = runs_of(light, light > 0)
    gain, until = onward(runs, np.ones(25), 30)
    assert until[1] == until[11] == 12
    assert until[12] == 12
    assert until[13] == 25
    assert list(accumulate(gain[1:12])) == pytest.approx(range(1, 12))
