"""A toe that cannot be told hides only what needs it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from core.errors import NothingMeasurable
from core.quantity import Measured, NotMeasurable, Quantity
from measurement import measure
from vision import face_toe, surface
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile
from vision.untold_toe import OF_ANY_TOE, OF_BOTH_TOES, OF_THIS_TOE

STEP_MM, NOISE_MM, LEG_MM, BULGE_MM = 0.045, 0.012, 5.0, 0.9
WIDTH_MM = math.sqrt(2) * LEG_MM
HIDDEN, HALF_HIDDEN = (-2.2, 3.6), (-1.0, 3.6)
"""Most of the face and its right toe, and less of the face."""


def profile(corners: list[tuple[float, float]], *, seed: int, missing: tuple[float, float] | None = None) -> Profile:
    """Return points along straight stretches, those left out whose x lies in ``missing``."""
    rng = np.random.default_rng(seed)
    x, y = np.array(corners).T
    at = np.arange(x[0], x[-1], STEP_MM)
    points = np.column_stack([at, np.interp(at, x, y) + rng.normal(0, NOISE_MM, len(at))])
    if missing is not None:
        points = points[(at < missing[0]) | (at > missing[1])]
    count = len(points)
    return Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM)


def tee(seed: int, missing: tuple[float, float] | None) -> Profile:
    """Plates at 45 degrees to the light, a bulging face across their corner at the origin."""
    half = 0.5 * WIDTH_MM
    at = np.linspace(-half, half, 40)
    face = [(float(x), half + BULGE_MM * (1 - (x / half) ** 2)) for x in at]
    return profile([(-25, 25), *face, (25, 25)], seed=seed, missing=missing)


def lose(monkeypatch: pytest.MonkeyPatch, *sides: str) -> None:
    """Let the toes of these sides not be told: of each surface the left one is looked for first."""
    looked_for = iter(["left", "right"] * 4)

    def found(*given: Any) -> face_toe.Toe | None:
        return None if next(looked_for) in sides else face_toe.find_toe(*given)

    monkeypatch.setattr(surface, "find_toe", found)


def check(values: Mapping[str, Measured], true: Mapping[str, float]) -> None:
    for name, value in true.items():
        measured = values[name]
        assert isinstance(measured, Quantity), name
        # one interval in twenty misses: these few are held to half as much more
        assert abs(measured.value - value) <= 1.5 * (measured.expanded_uncertainty or 0), name


TEE = {
    "joint_angle": 90.0,
    "leg_left": LEG_MM,
    "toe_angle_left": 135 - math.degrees(math.atan(4 * BULGE_MM / WIDTH_MM)),
}


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("missing", [None, HIDDEN])
def test_a_tee_gives_what_does_without_a_toe(
    seed: int, missing: tuple[float, float] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    lose(monkeypatch, "right")
    (weld,) = find_welds_in_profile(tee(seed, missing), joint="tee").welds
    assert weld.section.face is not None
    assert weld.section.face.untold == {"right"}
    assert "toe_untold" in [flag.code for flag in weld.section.flags]
    values = measure(weld.section)
    check(values, TEE)
    lost = {*OF_BOTH_TOES, *OF_ANY_TOE, *(f"{name}_right" for name in OF_THIS_TOE)} & set(values)
    assert {"leg_right", "size", "throat", "weld_area", "toe_angle_right", "undercut_right"} <= lost
    for name in lost:
        value = values[name]
        assert isinstance(value, NotMeasurable), name
        assert "right toe" in value.reason


def test_points_that_are_missing_hide_a_toe() -> None:
    (whole,) = find_welds_in_profile(tee(1, None), joint="tee").welds
    assert whole.section.face is not None
    assert not whole.section.face.untold
    assert isinstance(measure(whole.section)["size"], Quantity)
    (weld,) = find_welds_in_profile(tee(1, HIDDEN), joint="tee").welds
    assert weld.section.face is not None
    assert weld.section.face.untold == {"right"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_enough_of_a_face_tells_a_toe_that_is_not_seen(seed: int) -> None:
    (weld,) = find_welds_in_profile(tee(seed, HALF_HIDDEN), joint="tee").welds
    leg = measure(weld.section)["leg_right"]
    assert isinstance(leg, Quantity)
    assert abs(leg.value - LEG_MM) <= (leg.expanded_uncertainty or 0.0) < 1.0


def test_a_short_plate_beside_it_or_a_second_such_toe_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = tee(1, None)
    lose(monkeypatch, "right")
    short = whole.points_mm[:, 0] < 0.5 * WIDTH_MM + 3.0
    cut = replace(whole, points_mm=whole.points_mm[short], std_mm=whole.std_mm[short], cut=whole.cut[short])
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(cut, joint="tee")
    lose(monkeypatch, "left", "right")
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(whole, joint="tee")


@pytest.mark.parametrize("turn_deg", [0.0, 2.0])
@pytest.mark.parametrize("offset", [0.6, -1.0])
@pytest.mark.parametrize("lost", [("left",), ("left", "right")])
def test_a_butt_gives_how_its_plates_lie(
    lost: tuple[str, ...], offset: float, turn_deg: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its face goes over into both plates without a corner."""
    lose(monkeypatch, *lost)
    at = np.linspace(-5, 5, 80)
    slope = math.tan(math.radians(turn_deg))
    face = [(float(x), offset / 2 * (1 + math.sin(math.pi * x / 10)) + max(x, 0) * slope) for x in at]
    flush = profile([(-25, 0.0), *face, (25, offset + 25 * slope)], seed=1)
    (weld,) = find_welds_in_profile(flush, joint="butt").welds
    values = measure(weld.section)
    check(values, {"misalignment": offset, "angular_misalignment": turn_deg})
    for name in ("cap_width", "reinforcement", "underfill", "spatter_height"):
        assert isinstance(values[name], NotMeasurable), name
