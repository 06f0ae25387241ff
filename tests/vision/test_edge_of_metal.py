"""Whether an outline follows the edge of metal, and whether two members stand out alike."""

from __future__ import annotations

import numpy as np

from vision.edge_of_metal import are_alike, is_edge_of_metal
from vision.outline import Outline


def outline(contrast: float, one_way: float) -> Outline:
    return Outline(np.zeros((4, 2)), np.zeros(4, bool), 1.0, 0.1, 1.0, contrast, 1.0, one_way)


def test_an_outline_through_grain_is_no_edge() -> None:
    assert is_edge_of_metal(outline(90, 0.9))
    assert is_edge_of_metal(outline(-14, 1.0))
    assert not is_edge_of_metal(outline(14, 0.9))
    assert not is_edge_of_metal(outline(90, 0.7))


def test_two_pieces_of_one_metal_stand_out_alike() -> None:
    assert are_alike([outline(-120, 1), outline(-100, 1)])
    assert not are_alike([outline(-120, 1), outline(-56, 1)])
    assert not are_alike([outline(-120, 1), outline(110, 1)])
