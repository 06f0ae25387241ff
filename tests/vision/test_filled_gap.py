"""Between two members of a prepared joint lies the ground; weld metal that is nearly as dark is no gap."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.model import from_pixel_size
from core.errors import NothingMeasurable
from vision.find import find_welds

MM_PER_PX = 0.05
LEFT = np.array([[60, 300], [470, 300], [540, 500], [60, 500]])
RIGHT = np.array([[690, 300], [1100, 300], [1100, 500], [620, 500]])
METAL = np.vstack([LEFT[1], [500, 278], [580, 262], [660, 278], RIGHT[0], RIGHT[3], [580, 515], LEFT[2]])
"""Weld metal between the members, with a cap and a root."""


def drawn(ground: int, plate: int, weld: int | None, band: int = 0) -> NDArray[np.uint8]:
    """Return two members, with weld metal between them where its level is given and a dark band along both bevels."""
    fine = np.full((4 * 800, 4 * 1160), ground, np.uint8)
    if weld is not None:
        cv2.fillPoly(fine, [4 * METAL], weld)
    for member in (LEFT, RIGHT):
        cv2.fillPoly(fine, [4 * member], plate)
    if band and weld is not None:
        for member, ends in ((LEFT, (1, 2)), (RIGHT, (0, 3))):
            start, stop = (tuple(int(v) for v in 4 * member[end]) for end in ends)
            cv2.line(fine, start, stop, ground + band, 60)
    gray = cv2.GaussianBlur(cv2.resize(fine, (1160, 800), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    grain = np.random.default_rng(5).normal(0, 1.5, gray.shape)
    return np.clip(gray + grain, 0, 255).astype(np.uint8)


def test_an_open_joint_is_one() -> None:
    (weld,) = find_welds(drawn(90, 180, None), from_pixel_size(MM_PER_PX)).welds
    assert weld.section.joint == "groove"
    assert "gap_not_plain" not in {flag.code for flag in weld.flags}


def test_weld_metal_between_dark_bands_is_no_open_joint() -> None:
    gray = drawn(90, 180, 145, band=4)
    try:
        found = find_welds(gray, from_pixel_size(MM_PER_PX))
    except NothingMeasurable:
        return
    assert "groove" not in {weld.section.joint for weld in found.welds}


@pytest.mark.parametrize("seed", range(3))
def test_what_may_be_weld_metal_or_a_shadow_is_told(seed: int) -> None:
    gray = drawn(235, 130, 205).astype(float)
    grains = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, gray.shape), (0, 0), 5.0)
    gray[(gray > 190) & (gray < 220)] += (12 / grains.std() * grains)[(gray > 190) & (gray < 220)]
    for weld in find_welds(np.clip(gray, 0, 255).astype(np.uint8), from_pixel_size(MM_PER_PX)).welds:
        assert weld.section.joint == "butt" or "gap_not_plain" in {flag.code for flag in weld.flags}


@pytest.mark.parametrize(("share", "kept"), [(0.12, True), (0.34, False)])
def test_a_strip_brighter_than_the_ground_is_no_gap(share: float, kept: bool) -> None:
    """Nothing brightens a ground between two members: a wall seen between two frames is no root of a joint."""
    gray = drawn(90, 180, None).astype(float)
    y = np.arange(300, 500)
    width = share * np.linspace(220, 80, len(y))
    for row, half in zip(y, width / 2, strict=True):
        gray[row, round(580 - half) : round(580 + half)] += 32
    try:
        found = find_welds(gray.astype(np.uint8), from_pixel_size(MM_PER_PX)).welds
    except NothingMeasurable:
        found = ()
    assert bool(found) is kept
