"""The displacement of a band's outer edge is found from how wide the band is seen, whatever else is seen."""

from __future__ import annotations

import numpy as np
import pytest

from core.geometry import Points
from vision.displaced import Bands, Displaced, fitted


def around(displaced: Displaced, rng: np.random.Generator, *, lost: float, stray: float) -> Bands:
    """Bands around an outline of straight sides with normals of eight ways, some of them lost, some made up."""
    corners = [(300, 200), (1500, 260), (1460, 900), (1100, 880), (1080, 500), (700, 520), (680, 860), (280, 840)]
    ring: Points = np.array(corners, float)
    places, out = [], []
    for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        share = np.linspace(0.05, 0.95, 30)[:, None]
        places.append(a + share * (b - a))
        along = (b - a) / np.hypot(*(b - a))
        out.append(np.tile([along[1], -along[0]], (30, 1)))
    where, way = np.concatenate(places), np.concatenate(out)
    widths = Bands(where, way, np.zeros(len(where))).expected(displaced)
    seen = np.where(widths > 6, widths + rng.normal(0, 0.7, len(widths)), 0.0)
    seen[rng.random(len(seen)) < lost] = 0.0
    made_up = rng.random(len(seen)) < stray
    seen[made_up] = rng.uniform(8, 60, np.count_nonzero(made_up))
    return Bands(where, way, seen)


@pytest.mark.parametrize("share", [0.0, 0.02, 0.06])
@pytest.mark.parametrize(("lost", "stray"), [(0.0, 0.0), (0.3, 0.1)])
def test_a_displacement_is_found(share: float, lost: float, stray: float) -> None:
    true = Displaced(np.array([30.0, 18.0]) + share * np.array([900.0, 600.0]), share)
    bands = around(true, np.random.default_rng(4), lost=lost, stray=stray)
    found = fitted(bands, within_px=2.0, within=0.2, narrowest_px=4.0)
    assert found is not None
    shown = bands.expected(true) > 6.0
    assert np.abs(bands.expected(found) - bands.expected(true))[shown].max() < 5.0
    assert (bands.expected(found) > 6.0)[~shown].mean() < 0.1


def test_nothing_is_found_where_nothing_is_seen() -> None:
    bands = around(Displaced(np.zeros(2)), np.random.default_rng(5), lost=0.0, stray=0.0)
    assert fitted(bands, within_px=2.0, within=0.2, narrowest_px=4.0) is None


@pytest.mark.parametrize("factor", [1.0, 1.7, 4.0])
def test_it_is_the_same_in_a_reduced_picture(factor: float) -> None:
    full = Displaced(np.array([41.0, -7.0]), 0.03)
    points = np.array([[0.0, 0.0], [812.0, 40.5], [1999.0, 1499.0]])
    small = full.reduced(factor)
    assert small.at((points + 0.5) / factor - 0.5) * factor == pytest.approx(full.at(points))
    assert small.enlarged(factor).at(points) == pytest.approx(full.at(points))
