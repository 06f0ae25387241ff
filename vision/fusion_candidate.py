"""A path that may be the fusion line, and whether the picture supports it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.fusion_frame import Frame
from vision.fusion_path import Support

TONE, TEXTURE = 0, 1
LEAST_SCORE = (12.0, 30.0)
LEAST_SEEN = (0.85, 0.97)
"""A path by tone, or by texture, is a fusion line when its step stands this many standard uncertainties clear,
over this share of it. Texture asks for more: paths through plain grain reach higher values there."""
MORE_THAN_DRIFT = 2.5
HALF_SEEN = 0.6
"""A path within the strongest one that is seen over this share of its length forbids to claim that one."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A path on a frame: stations (I,), the channel that shows it (0 tone, 1 texture), how well.

    ``is_weld_metal`` tells whether its inner side has the tone of what is weld metal for certain: else another
    boundary lies within; ``stained``, (I,), where stains hide it, and ``known`` where
    a person's points tell it all the same.
    """

    frame: Frame
    stations: NDArray[np.float64]
    channel: int
    support: Support
    total: float
    is_weld_metal: bool
    stained: NDArray[np.bool_]
    known: NDArray[np.bool_]

    @property
    def points_mm(self) -> Points:
        """Return the path, (I, 2)."""
        rows = np.arange(len(self.stations))
        low = np.clip(np.floor(self.stations).astype(int), 0, self.frame.points.shape[1] - 2)
        share = (self.stations - low)[:, None]
        return np.asarray((1 - share) * self.frame.points[rows, low] + share * self.frame.points[rows, low + 1])

    @property
    def holds(self) -> bool:
        """Whether the test supports it."""
        if not self.is_weld_metal:
            return False
        return self.stands_clear

    @property
    def shows(self) -> bool:
        """Whether it is a boundary over most of its length: what is rough along such a step of tone is the step."""
        steep = abs(self.support.step) >= MORE_THAN_DRIFT * self.support.drift
        return steep and self.support.score >= LEAST_SCORE[self.channel] and self.support.seen >= HALF_SEEN

    @property
    def stands_clear(self) -> bool:
        """Whether both of its sides differ by more than they scatter and drift, along most of it."""
        least = LEAST_SCORE[self.channel], LEAST_SEEN[self.channel]
        steep = abs(self.support.step) >= MORE_THAN_DRIFT * self.support.drift
        return steep and self.support.score >= least[0] and self.support.seen >= least[1]
