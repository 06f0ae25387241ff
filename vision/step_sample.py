"""Places along outlines at which their step of tone to the ground is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, near
from core.medians import median
from vision.outline import Outline

_STEP, _PLACES = 4, 600
"""Every fourth point of an outline is looked at, of a long one about so many."""


@dataclass(frozen=True, slots=True, eq=False)
class StepSample:
    """Every ``every``-th point (N, 2) of outlines in mm with its step to the ground, and whether it is one of metal.

    A place lies on a surface that is within ``reach_mm``.
    """

    every: int
    points_mm: Points
    steps: NDArray[np.float64]
    seen: NDArray[np.bool_]
    reach_mm: float

    def on(self, surface: Points) -> NDArray[np.bool_]:
        """Tell which of the places on metal lie on a surface (M, 2)."""
        return self.seen & near(self.points_mm, surface[:: self.every // 2], self.reach_mm)


def step_sample(outlines: Sequence[tuple[Points, Outline]]) -> StepSample:
    """Return places along outlines, each given by its points in mm and the outline."""
    every = max(_STEP, sum(len(each) for each, _ in outlines) // _PLACES)
    return StepSample(
        every,
        np.vstack([each[::every] for each, _ in outlines]),
        np.concatenate([_steps(outline)[::every] for _, outline in outlines]),
        ~np.concatenate([outline.cut[::every] for _, outline in outlines]),
        1.5 * every * median(np.hypot(*np.diff(outlines[0][0][:200], axis=0).T)),
    )


def _steps(outline: Outline) -> NDArray[np.float64]:
    return outline.steps if outline.steps is not None else np.full(len(outline.points_px), outline.contrast)
