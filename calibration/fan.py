"""How the ticks of a rule lean, and how that changes along it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Fan:
    """How ticks lean along the rule: ``slope`` in the middle, per px of a tick, and its change a px of the rule."""

    slope: float
    rate: float
    rate_std: float

    def slope_at(self, s_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the lean of ticks that lie ``s_px`` along the rule from the middle of all."""
        return self.slope + self.rate * s_px


UNSEEN_FAN = Fan(0.0, 0.0, math.inf)
