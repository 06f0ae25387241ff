"""What is left out of the reduced picture: gaps between plates, and not thin pieces of weld metal."""

import numpy as np
import pytest

from vision.fusion_sheet import _labelled, _spots

WELD, PLATE = 60.0, 150.0


def sheet(seed: int = 1) -> np.ndarray:
    """Return dark weld metal on the left half, bright plate on the right one, with a little grain."""
    tone = np.full((120, 160), PLATE, np.float32)
    tone[:, :80] = WELD
    return tone + np.random.default_rng(seed).normal(0, 2, tone.shape).astype(np.float32)


@pytest.mark.parametrize("gap_tone", [10.0, 70.0])
def test_a_gap_in_a_plate_is_found_however_much_of_it_a_pixel_shows(gap_tone: float) -> None:
    tone = sheet()
    tone[58:61, 84:160] = gap_tone
    _, _, gap = _spots(tone, np.ones(tone.shape, np.uint8), WELD, 24.0)
    assert gap[59, 90:155].all()
    assert not gap[:, :70].any()


def test_weld_metal_between_a_border_of_passes_and_the_plate_is_no_gap() -> None:
    tone = sheet()
    tone[20:100, 68:75] = WELD + 0.4 * (PLATE - WELD)
    _, _, gap = _spots(tone, np.ones(tone.shape, np.uint8), WELD, 24.0)
    assert not gap[20:100, 75:80].any()


def test_pieces_are_numbered_with_their_sizes() -> None:
    mask = np.zeros((20, 30), np.uint8)
    mask[2:5, 3:7] = 1
    mask[10, 10:25] = 1
    labels, places, area = _labelled(mask)
    assert sorted(area.tolist()) == [0, 12, 15]
    assert len(places) == len(labels) == 27
    for label, size in enumerate(area):
        assert np.count_nonzero(labels == label) == size
    assert (mask.ravel()[places] == 1).all()
