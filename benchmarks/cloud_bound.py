"""What no method can do better from a section of a cloud: ``python -m benchmarks.cloud_bound``.

The Cramér-Rao bound of a cap's width and of a root gap, from the points that the benchmark of clouds draws: 25 on a
square millimetre, fewer where a surface stands steep to the scanner, over 3 mm of the seam, each of them off by 0.10 to
0.15 mm. A cap is bounded for each form its face may have: the more freely it may bend, the less its points tell where
it meets the plates. Nothing of the measuring rooms is used.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from benchmarks.floors import LINE_FLOORS

PER_MM2, SLAB_MM, PLATE_MM, STEEP = 25.0, 3.0, 25.0, 1.6
"""Of `benchmarks.cloud` and `benchmarks.render.cloud`: density, length of seam, plate seen; facing weighs so much."""

CASES = 300


def cap_width_std(width_mm: float, rise_mm: float, scatter_mm: float, order: int | None) -> float:
    """Return the bound of the standard deviation of the width of a cap drawn as an arc, mm.

    ``order`` is that of the polynomial that its face is known to be, None for an arc that is known to be one.
    """
    half = width_mm / 2
    radius = (half**2 + rise_mm**2) / (2 * rise_mm)
    x = np.linspace(-half, half, 4001)
    slope = -x / np.sqrt(radius**2 - x**2)
    lean = 1 / np.sqrt(1 + slope**2)
    points = PER_MM2 * SLAB_MM * np.minimum(1.0, STEEP * lean) / lean * (x[1] - x[0])
    # How far the face moves across itself with each of its parameters.
    moves = [lean * (x / half) ** power for power in range((order or 0) + 1)]
    if order is None:
        moves = [-slope * lean, lean, np.ones_like(x)]
    design = np.column_stack(moves)
    covariance = np.linalg.inv((design * points[:, None]).T @ design) * scatter_mm**2
    steepness = -float(slope[-1])
    # A toe goes out by what its end of the face rises over the steepness there, and so it does with its plate.
    by = (design[0] + design[-1]) / lean[0] / steepness
    plates = 2 * 4 * scatter_mm**2 / (PER_MM2 * SLAB_MM * PLATE_MM) / steepness**2
    return math.sqrt(float(by @ covariance @ by) + plates)


def root_gap_std(bevels_deg: tuple[float, float], depths_mm: tuple[float, float], scatter_mm: float) -> float:
    """Return the bound of the standard deviation of a gap between two faces that end in nothing, mm.

    Points of density n along a face, each off by s, tell where they end to the root of s / (n c), with c the integral
    of the squared normal density over its distribution; the face's line is known at its end to 2 s over the root of
    the number of its points.
    """
    u = np.linspace(-8.0, 8.0, 8001)
    density = np.exp(-(u**2) / 2) / math.sqrt(2 * math.pi)
    share: NDArray[np.float64] = np.array([NormalDist().cdf(float(value)) for value in u])
    told = float(np.sum(density**2 / share) * (u[1] - u[0]))
    total = 0.0
    for bevel_deg, depth_mm in zip(bevels_deg, depths_mm, strict=True):
        turn = math.radians(bevel_deg)
        per_mm = PER_MM2 * SLAB_MM * min(1.0, STEEP * math.sin(turn))
        along = math.sqrt(scatter_mm / (per_mm * told))
        across = 2 * scatter_mm / math.sqrt(per_mm * depth_mm / math.cos(turn))
        total += (along * math.sin(turn)) ** 2 + (across * math.cos(turn)) ** 2
    return math.sqrt(total)


def main() -> None:
    """Print the bounds and the share of values within their floor that follows."""
    rng = np.random.default_rng(1)
    among = rng.uniform
    caps = [(among(5, 8) + among(5, 8), among(1, 2.5), among(0.1, 0.15)) for _ in range(CASES)]
    forms = {"an arc": None, "a polynomial of order 2": 2, "of order 4": 4, "of order 6": 6}
    for name, order in forms.items():
        stds = np.array([cap_width_std(*cap, order) for cap in caps])
        _print(f"cap width, face {name}", stds, np.array([LINE_FLOORS["cap_width"].at(cap[0]) for cap in caps]))
    gaps = [
        root_gap_std((among(20, 35), among(20, 35)), (10 - among(1, 2), 10 - among(1, 2)), among(0.1, 0.15))
        for _ in range(CASES)
    ]
    _print("root gap", np.array(gaps), np.full(CASES, LINE_FLOORS["root_gap"].at(2.5)))


def _print(name: str, stds: NDArray[np.float64], floors: NDArray[np.float64]) -> None:
    within = np.mean([2 * NormalDist().cdf(float(floor / std)) - 1 for std, floor in zip(stds, floors, strict=True)])
    far = 1.96 * math.sqrt(float(np.mean(stds**2)))
    print(
        f"{name:36s} standard deviation {np.median(stds):.3f} mm, 95 % within {far:.3f}, "
        f"{100 * within:.0f} % within the floor"
    )


if __name__ == "__main__":
    main()
