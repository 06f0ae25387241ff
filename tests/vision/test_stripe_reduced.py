"""What a laser frame is reduced to, and the band along its line, against the plain way to compute them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.stripe_centre import _band
from vision.stripe_chain import runs_of
from vision.stripe_reduced import (
    LOCAL_SHARE,
    REACH,
    Reduced,
    _block_means,
    across_only,
    reduce_frame,
    runs_along_rows,
)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("shape", [(272, 512), (275, 518), (64, 64)])
def test_a_block_is_its_mean_in_grey_levels(kind, shape):
    frame = np.random.default_rng(3).integers(0, np.iinfo(kind).max, shape, endpoint=True).astype(kind)
    frame[:8, :16] = np.iinfo(kind).max
    level = np.iinfo(kind).max / 255
    for factor in (1, 2, 4):
        height, width = shape[0] // factor, shape[1] // factor
        blocks = frame[: height * factor, : width * factor].reshape(height, factor, width, factor)
        off = _block_means(frame, factor) - blocks.astype(float).mean(axis=(1, 3)) / level
        # Whole levels of 8 bits are rounded once for each halving.
        assert np.abs(off).max() <= (0.5 * (factor.bit_length() - 1) if kind is np.uint8 else 0.01)
        assert np.abs(off[:2, :4]).max() < 1e-3


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_a_reduced_frame_is_the_light_above_its_surroundings(kind):
    level = np.iinfo(kind).max // 255
    rng = np.random.default_rng(4)
    frame = 20.0 + rng.normal(0, 4.0, (2048, 768))
    frame[200:208] += 100.0
    frame = np.clip(np.rint(frame * level), 0, np.iinfo(kind).max).astype(kind)
    reduced = reduce_frame(frame)
    assert reduced.factor == 4
    blocks = frame.reshape(512, 4, 192, 4).astype(float).mean(axis=(1, 3)) / level
    ground = cv2.blur(blocks, (31, 31), borderType=cv2.BORDER_REFLECT)
    assert np.abs(reduced.light - (blocks - ground)).max() < 1.0
    # A block of sixteen pixels scatters by a quarter of what a pixel does.
    assert reduced.noise == pytest.approx(1.0, abs=0.5)
    assert np.array_equal(np.flatnonzero(reduced.mask.any(axis=1)), [50, 51])
    assert reduced.mask[50:52].all()


def lit(rows: slice, seed: int = 1) -> Reduced:
    """Return a reduced frame that is lit here and there in some of its rows."""
    rng = np.random.default_rng(seed)
    light = rng.uniform(0, 5, (120, 90)).astype(np.float32)
    inside = light[rows]
    inside[rng.random(inside.shape) < 0.2] = 100.0
    return Reduced(light, light > 50, 4, 1.0)


@pytest.mark.parametrize(
    "rows", [slice(0, 5), slice(40, 47), slice(115, 120), slice(0, 120), slice(50, 51), slice(0, 0)]
)
def test_only_lit_rows_are_looked_at_and_nothing_is_missed(rows):
    reduced = lit(rows)
    reduced.light[reduced.mask] *= (
        np.random.default_rng(2).uniform(0.6, 3.0, int(reduced.mask.sum())).astype(np.float32)
    )
    high = cv2.dilate(reduced.light, np.ones((2 * REACH + 1, 1), np.uint8))
    assert np.array_equal(across_only(reduced).mask, reduced.mask & (reduced.light > LOCAL_SHARE * high))
    runs = runs_of(reduced.light, reduced.mask)
    seen = np.zeros_like(reduced.mask)
    for column, start, stop in zip(runs.column, runs.start, runs.stop, strict=True):
        assert not seen[start:stop, column].any()
        seen[start:stop, column] = True
    assert np.array_equal(seen, reduced.mask)


def test_the_direction_of_a_line_does_not_depend_on_where_it_lies():
    for row in (2, 60, 117):
        reduced = lit(slice(0, 0))
        reduced.light[row : row + 2] = 90.0
        along = Reduced(reduced.light, reduced.light > 50, 4, 1.0)
        assert runs_along_rows(along)
        assert not runs_along_rows(along.transposed())


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_a_band_holds_the_pixels_along_the_course_and_the_rim_beyond_the_frame(turned, kind):
    rng = np.random.default_rng(5)
    frame = rng.integers(0, np.iinfo(kind).max, (60, 80)).astype(kind)
    gray = frame.T if turned else frame
    columns = np.arange(5, gray.shape[1], 2)
    course = rng.uniform(-3, gray.shape[0] + 3, len(columns))
    half = 7
    band, origin = _band(gray, columns, course, half)
    rows = np.clip(np.rint(course).astype(int) + np.arange(-half, half + 1)[:, None], 0, gray.shape[0] - 1)
    levels = gray[rows, columns] / (1.0 if kind is np.uint8 else 257.0)
    assert band.shape == (2 * half + 1, len(columns))
    assert np.array_equal(origin, np.rint(course).astype(int) - half)
    assert np.abs(band - levels).max() < 1e-3
    # Neither a part of a frame nor every second column of one lies in memory as a whole.
    part = np.repeat(gray, 2, axis=1)[:, ::2]
    assert np.array_equal(_band(part, columns, course, half)[0], band)
