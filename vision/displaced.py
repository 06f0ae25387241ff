"""How the outer edge of a band lies to the face beside which it is seen: displaced by one vector, or towards a point.

The shadow of a face is its outline moved by one vector. The walls of a thick piece lead to its far end, which is seen
smaller by one factor about the point under the camera (a central projection): there the displacement grows with the
distance from that point, and walls that face away from it are hidden. Both are one vector and one factor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

MOST_SMALLER = 0.15
"""Share by which the far end of a piece is seen smaller: as thick as a sixth of the camera's distance."""

SHARES = np.linspace(0.0, 0.14, 15)
"""Shares that are tried out."""

LEAST_ACROSS = 0.2
"""Sine of the angle between two sides from which they tell a vector."""

TRIALS, SETTLING, FEWEST = 80, 2, 6
"""Pairs of places that are tried, turns of the fit to those that agree, and the fewest bands that tell anything."""


@dataclass(frozen=True, slots=True, eq=False)
class Displaced:
    """A displacement at each place p of a picture: ``shift_px`` (2,) less ``share`` times p."""

    shift_px: Points
    share: float = 0.0

    def at(self, points_px: Points) -> Points:
        """Return the displacement at points, (N, 2) px."""
        return np.asarray(self.shift_px - self.share * points_px)

    def enlarged(self, factor: float) -> Displaced:
        """Return the same displacement of a picture from which this one was reduced by a factor."""
        return Displaced(factor * self.shift_px + 0.5 * self.share * (factor - 1.0), self.share)

    def reduced(self, factor: float) -> Displaced:
        """Return the same displacement of the picture reduced by a factor."""
        return Displaced((self.shift_px - 0.5 * self.share * (factor - 1.0)) / factor, self.share)


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """What is seen beside an outline at places (N, 2) px with the way outwards at each (N, 2): how wide a band lies
    inside it, 0 where none does, below 0 where something else does, NaN where it is not seen (N,)."""

    places: Points
    out: Points
    widths: NDArray[np.float64]

    def expected(self, displaced: Displaced) -> NDArray[np.float64]:
        """Return how wide a displacement makes the band at each place, below 0 where it is hidden, (N,)."""
        return np.asarray(np.einsum("ij,ij->i", self.out, displaced.at(self.places)))


def fitted(bands: Bands, *, within_px: float, within: float, narrowest_px: float) -> Displaced | None:
    """Return the displacement with which most bands agree, None where too few are seen to tell.

    By trials on two places and a share each, the best of which is fitted to all that agree with it (M. A. Fischler and
    R. C. Bolles, Communications of the ACM 24, 1981, 381-395).

    Parameters
    ----------
    within_px, within
        How far a width may be off what is expected, in px and as a share of it.
    narrowest_px
        Width below which no band is told from the edge.
    """
    poll = _Poll(bands, within_px, within, narrowest_px)
    banded = np.flatnonzero(poll.found > 0)
    if len(banded) < FEWEST:
        return None
    trials = np.concatenate(_trials(bands, poll, banded)).T
    counts, agree = poll.votes(trials)
    best = int(np.argmax(counts))
    chosen, score, places = trials[:, best], float(counts[best]), agree[:, best]
    for unknowns in (2, 3) * SETTLING:
        if np.count_nonzero(places) < 2 * unknowns:
            continue
        share = [] if unknowns == 3 else [chosen[2]]
        wanted = poll.found[places] - sum(share) * poll.terms[places, 2]
        trial = np.append(np.linalg.lstsq(poll.terms[places][:, :unknowns], wanted, rcond=1e-6)[0], share)
        if not 0.0 <= trial[2] < MOST_SMALLER:
            continue
        better, agreeing = poll.votes(trial[:, None])
        if better[0] >= score:
            chosen, score, places = trial, float(better[0]), agreeing[:, 0]
    return Displaced(np.asarray(chosen[:2]), float(chosen[2]))


class _Poll:
    """Places asked for their votes for displacements: ``terms`` (N, 3) times a vector and a share is a width."""

    def __init__(self, bands: Bands, within_px: float, within: float, narrowest_px: float) -> None:
        self.seen = np.isfinite(bands.widths)
        self.found = np.where(self.seen, bands.widths, 0.0)
        self.terms = np.column_stack([bands.out, -np.einsum("ij,ij->i", bands.out, bands.places)])
        self.within_px, self.within, self.narrowest_px = within_px, within, narrowest_px

    def votes(self, trials: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Return the votes for displacements (3, K), and which places agree with each (N, K)."""
        found, seen = self.found[:, None], self.seen[:, None]
        expected = self.terms @ trials
        should = seen & (expected > self.narrowest_px + self.within_px)
        agree = should & (np.abs(found - expected) < self.within_px + self.within * expected)
        astray = seen & (expected < 0.5) & (found != 0)
        return agree.sum(axis=0) - 0.5 * (should & ~agree).sum(axis=0) - astray.sum(axis=0), agree


def _trials(bands: Bands, poll: _Poll, banded: NDArray[np.intp]) -> list[NDArray[np.float64]]:
    """Return displacements (K, 3) that pairs of places with a band tell."""
    picks = banded[np.random.default_rng(len(banded)).integers(0, len(banded), (TRIALS, 2))]
    design = poll.terms[picks][:, :, :2]
    solvable = np.abs(np.linalg.det(design)) > LEAST_ACROSS
    # All on one side of a plate: the vector is only told across it.
    mean = bands.out[banded].mean(axis=0)
    along = mean / max(float(np.hypot(*mean)), 1e-9)
    trials = [np.append(along * float(np.median(poll.found[banded])), 0.0)[None]]
    # Along a straight side a band is of one width, whatever the share: of less than three sides it is tried out.
    for share in SHARES:
        wanted = (poll.found[picks] - share * poll.terms[picks, 2])[solvable]
        vectors = np.linalg.solve(design[solvable], wanted[..., None])[..., 0]
        trials.append(np.column_stack([vectors, np.full(len(vectors), share)]))
    return trials
