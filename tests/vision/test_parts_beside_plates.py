"""A part upon a plate, a bench beside it, a spark over it: the plate is what leads up to the weld."""

from __future__ import annotations

import numpy as np
import pytest

from core.geometry import Points
from core.quantity import Quantity
from measurement import measure
from vision.detached import overhead
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWeld
from vision.profile import Profile
from vision.structure import JointChoice

STEP_MM, NOISE_MM = 0.05, 0.006
LEG_MM = 8.0


def profile_of(pieces: list[list[list[float]]], turn_deg: float = 0.0) -> Profile:
    """Return points along pieces of line, turned, with gaps where one ends and the next begins elsewhere."""
    parts = []
    for piece in pieces:
        line = np.array(piece)
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        along = np.arange(0, length[-1], STEP_MM)
        parts.append(np.column_stack([np.interp(along, length, line[:, i]) for i in (0, 1)]))
    points = np.vstack(parts)
    turn = np.radians(turn_deg)
    points = points @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    points = points + np.random.default_rng(5).normal(0, NOISE_MM, points.shape)
    count = len(points)
    return Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, points_alone=True)


def the_weld(profile: Profile, joint: JointChoice) -> FoundWeld:
    (weld,) = find_welds_in_profile(profile, joint=joint).welds
    return weld


def quantity(weld: FoundWeld, name: str) -> Quantity:
    value = measure(weld.section)[name]
    assert isinstance(value, Quantity), name
    return value


def hollow() -> list[list[float]]:
    """Return the face of a fillet of 8 mm legs, 0.8 mm hollow, on the plates x = 0 and y = 0."""
    share = np.linspace(0.0, 1.0, 60)[:, None]
    chord = (1 - share) * [0.0, LEG_MM] + share * [LEG_MM, 0.0]
    return (chord - 4 * share * (1 - share) * 0.8 * np.sqrt(0.5)).tolist()


@pytest.mark.parametrize("high_mm", [0.8, 2.1, 4.0])
def test_a_clamp_upon_a_plate_is_not_the_plate(high_mm: float) -> None:
    """The plate is seen over 6 mm between the weld and the shadow of the clamp, whose own surface is longer."""
    clamp = [[high_mm, 45.0], [high_mm, 22.0]]
    face = [[0.0, 14.0], *hollow(), [45.0, 0.0]]
    weld = the_weld(profile_of([clamp, face], turn_deg=45.0), "tee")
    for name in ("leg_left", "leg_right"):
        assert quantity(weld, name).value == pytest.approx(LEG_MM, abs=0.08)
    assert quantity(weld, "undercut_left").value < 0.05


def test_a_wide_undercut_is_no_plate_of_its_own() -> None:
    hollow_out = [[0.0, 45.0], [0.0, 11.0], [-0.5, 10.2], [-0.5, 8.8], *hollow(), [45.0, 0.0]]
    weld = the_weld(profile_of([hollow_out], turn_deg=45.0), "tee")
    assert quantity(weld, "leg_left").value == pytest.approx(LEG_MM, abs=0.15)
    assert quantity(weld, "undercut_left").value == pytest.approx(0.5, abs=0.05)


CAP = [[x, 1.2 * (1 - (x / 4.0) ** 2)] for x in np.linspace(-4.0, 4.0, 60).tolist()]


@pytest.mark.parametrize("deep_mm", [4.0, 7.0])
def test_a_bench_beside_a_butt_weld_is_not_its_plate(deep_mm: float) -> None:
    bench = [[-38.0, -deep_mm], [-19.5, -deep_mm]]
    weld = the_weld(profile_of([bench, [[-13.0, 0.0], *CAP, [25.0, 0.0]]]), "butt")
    assert quantity(weld, "cap_width").value == pytest.approx(8.0, abs=0.08)
    assert quantity(weld, "misalignment").value == pytest.approx(0.0, abs=0.03)


SPARK = [[12.0, 9.0], [13.0, 12.0], [15.0, 13.5]]


def spark_over_dark_plate() -> tuple[list[list[list[float]]], Points]:
    """Return a tee with a dark stretch of 5 mm and a spark far over it, and where the spark lies."""
    pieces = [[[0.0, 45.0], *hollow(), [11.0, 0.0]], SPARK, [[16.0, 0.0], [45.0, 0.0]]]
    return pieces, np.array(SPARK)


def test_a_spark_over_a_dark_stretch_is_left_out_and_told() -> None:
    pieces, _ = spark_over_dark_plate()
    weld = the_weld(profile_of(pieces, turn_deg=45.0), "tee")
    assert "stray_points" in {flag.code for flag in weld.section.flags}
    for name in ("leg_left", "leg_right"):
        assert quantity(weld, name).value == pytest.approx(LEG_MM, abs=0.08)


def test_only_what_is_far_above_both_neighbours_hangs_overhead() -> None:
    pieces, spark = spark_over_dark_plate()
    profile = profile_of(pieces)
    (piece,) = overhead(profile)
    left_out = profile.points_mm[piece.start + 1 : piece.stop]
    assert left_out[:, 1].min() > spark[:, 1].min() - 0.1
    # A lap whose upper plate has a dark stretch; a fillet of which both toes are dark; a line without gaps.
    lap = [[[-30.0, 0.0], [0.0, 0.0]], [[5.0, 6.0], [12.0, 6.0]], [[16.0, 6.0], [30.0, 6.0]]]
    toes = [[[0.0, 45.0], [0.0, 11.0]], hollow()[8:-8], [[11.0, 0.0], [45.0, 0.0]]]
    assert not overhead(profile_of(lap))
    assert not overhead(profile_of(toes, turn_deg=45.0))
    assert not overhead(profile_of([[[0.0, 45.0], *hollow(), [45.0, 0.0]]]))
