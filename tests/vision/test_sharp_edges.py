"""Regions between sharp edges, and what of an outline follows one."""

from __future__ import annotations

import cv2
import numpy as np

from vision.edge_of_metal import is_sharp_all_round, seen_edge
from vision.outline import Outline
from vision.sharp_edges import sharp_splits


def test_a_soft_shadow_parts_nothing_and_a_gap_in_the_edge_is_closed() -> None:
    """A square of one tone under a soft shadow that is darker below it, brighter at its top, and alike in between."""
    gray = np.full((400, 500), 210.0)
    shadow = np.zeros(gray.shape)
    shadow[120:330, 90:330] = 1.0
    gray -= 160 * cv2.GaussianBlur(shadow, (0, 0), 14.0)
    square = np.zeros(gray.shape, bool)
    square[100:300, 150:350] = True
    gray[square] = 110.0
    picture = np.asarray(cv2.GaussianBlur(gray, (0, 0), 0.8), np.uint8)
    names, masks = zip(*sharp_splits(picture), strict=True)
    assert all("sharp edges" in name for name in names)
    found = np.asarray(masks[-1]) > 0
    assert np.count_nonzero(found & square) / np.count_nonzero(found | square) > 0.95


def test_nothing_is_split_where_no_edge_is_sharp() -> None:
    blob = np.zeros((300, 400), np.float32)
    blob[100:200, 100:300] = 150.0
    assert not list(sharp_splits(np.asarray(60 + cv2.GaussianBlur(blob, (0, 0), 12.0), np.uint8)))


def ring(steps: np.ndarray, soft: np.ndarray | None = None) -> Outline:
    count = len(steps)
    soft = np.zeros(count, bool) if soft is None else soft
    seen = np.abs(steps) > 12
    return Outline(
        np.zeros((count, 2)), np.zeros(count, bool), 1.0, 0.05, 0.8, -80.0, 1.0, soft=soft, steps=steps, seen=seen
    )


def test_the_brighter_side_may_change_with_a_shadow_and_not_with_grain() -> None:
    steps = np.full(2000, -80.0)
    steps[500:900] = 40.0
    assert is_sharp_all_round(ring(steps))
    grain = np.where(np.arange(2000) // 50 % 2, 80.0, -80.0)
    assert not is_sharp_all_round(ring(grain))
    half = np.full(2000, -80.0)
    half[:700] = 2.0
    assert not is_sharp_all_round(ring(half))


def test_short_stretches_between_lost_ones_are_lost_too_and_the_ring_has_no_end() -> None:
    steps = np.full(1000, -80.0)
    steps[:30], steps[-20:] = 1.0, 1.0
    steps[400:430], steps[450:480] = 1.0, 1.0
    seen = seen_edge(ring(steps))
    assert not seen[:30].any()
    assert not seen[-20:].any()
    assert not seen[400:480].any()
    assert seen[60:370].all()
    assert seen[510:960].all()
