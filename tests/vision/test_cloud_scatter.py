"""How much points of a cloud and their means scatter, seen in themselves."""

import math

import numpy as np
import pytest

from core.errors import NothingMeasurable
from vision.arc_surface import bend_of
from vision.cloud_profile import profile_of_slab
from vision.cloud_scatter import more_than_told, scatter_of_points
from vision.find_profile import find_welds_in_profile


def _tee(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return points of a square tee with legs of 6 mm, turned face up, (N, 2)."""
    corner = np.array([[-16.0, 16.0], [-4.2426, 4.2426], [4.2426, 4.2426], [16.0, 16.0]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corner, axis=0).T))])
    at = rng.uniform(0.0, length[-1], count)
    return np.column_stack([np.interp(at, length, corner[:, i]) for i in (0, 1)])


def test_points_in_columns_seen_from_aside_scatter_as_they_do() -> None:
    """Eight rows share their columns; the scatter moves points along the surface, too, and so orders them by it."""
    rng = np.random.default_rng(1)
    column = np.repeat(np.arange(0.0, 30.0, 0.1), 8)
    scatter = rng.normal(0.0, 0.03, len(column))
    along, across = column + 0.7 * scatter, scatter
    order = np.argsort(along)
    assert 0.025 < scatter_of_points(along[order], across[order]) < 0.045


def test_means_that_scatter_on_their_own_stray_as_told() -> None:
    rng = np.random.default_rng(2)
    means = np.column_stack([np.arange(300) * 0.15, rng.normal(0.0, 0.01, 300)])
    assert more_than_told(means, np.full(300, 0.01)) == (1.0, 1.0)


def test_means_that_share_their_scatter_stray_more() -> None:
    rng = np.random.default_rng(3)
    shared = np.convolve(rng.normal(0.0, 1.0, 340), np.ones(5) / math.sqrt(5.0), mode="valid")[:300] * 0.04
    factor, alike = more_than_told(np.column_stack([np.arange(300) * 0.12, shared]), np.full(300, 0.01))
    assert factor == pytest.approx(4.0, rel=0.35)
    assert 2.0 <= alike <= 6.0


def test_a_bent_face_is_no_scatter() -> None:
    x = np.linspace(-20.0, 20.0, 300)
    means = np.column_stack([x, np.where(np.abs(x) < 5.0, np.sqrt(64.0 - np.minimum(x**2, 25.0)) - 6.245, 0.0)])
    means[:, 1] += np.random.default_rng(4).normal(0.0, 0.01, 300)
    assert more_than_told(means, np.full(300, 0.01)) == (1.0, 1.0)


def test_two_passes_that_lie_apart_make_a_section_and_its_doubt() -> None:
    """Of such sections few were recognised: means over one pass here and the other there were taken for surfaces."""
    rng = np.random.default_rng(5)
    recognised = 0
    for _ in range(8):
        points = np.vstack([_tee(rng, 1300), _tee(rng, 1300) + np.array([0.05, 0.12])])
        slab = profile_of_slab(points + rng.normal(0.0, 0.02, (2600, 2)))
        assert slab is not None
        means = slab.profile.points_mm
        off = (means[means[:, 0] > 6.0] - [0.025, 0.06]) @ np.array([-1.0, 1.0]) / math.sqrt(2.0)
        assert np.std(off) < 1.5 * float(np.median(slab.profile.std_mm))
        try:
            found = find_welds_in_profile(slab.profile, joint="tee")
        except NothingMeasurable:
            continue
        recognised += 1
        face = found.welds[0].section.face
        assert face is not None
        # Somewhere between both passes.
        assert np.abs(face.toe_left - [-4.22, 4.3]).max() < 0.3
    assert recognised >= 6


def test_a_surface_that_wavers_over_millimetres_is_no_pipe() -> None:
    """A bend that points which stray together make by chance is not sure; that of a pipe with their scatter is."""
    rng = np.random.default_rng(6)
    x = np.arange(0.0, 12.0, 0.12)
    kernel = np.exp(-0.5 * (np.arange(-40, 41) * 0.12 / 0.6) ** 2)
    taken = 0
    for _ in range(40):
        wave = np.convolve(rng.normal(0.0, 1.0, len(x) + 80), kernel / np.hypot.reduce(kernel), mode="valid")
        taken += bend_of(np.column_stack([x, 0.03 * wave])).is_pipe
    assert taken <= 4
    pipe = np.column_stack([x, np.sqrt(57.0**2 - (x - 6.0) ** 2) - 57.0 + rng.normal(0.0, 0.03, len(x))])
    assert bend_of(pipe).is_pipe
