"""The outer limit of a heat-affected zone on rows of known tones."""

import numpy as np
import pytest

from vision.fusion_haz import without_other_lines
from vision.fusion_line import Found, FusionLine, Inside
from vision.fusion_path import strip
from vision.haz_limit import FIRST_MM, NARROW_MM, Beside, find_limit

STEP_MM, ROWS = 0.05, 60
STATIONS = np.arange(FIRST_MM - NARROW_MM, 4.5, STEP_MM)


def beside(tone, *, noise: float = 1.5, seed: int = 3) -> Beside:
    """Return rows square to a straight line along x whose tone is a function of the distance from it."""
    shape = (ROWS, len(STATIONS))
    values = np.broadcast_to(tone(STATIONS), shape) + noise * np.random.default_rng(seed).standard_normal(shape)
    metal = np.broadcast_to(STATIONS > FIRST_MM, shape).astype(np.float32)
    shown = strip(values.astype(np.float32), metal, STEP_MM)
    x = np.linspace(0, 9, ROWS)
    places = np.stack(np.broadcast_arrays(x[:, None], STATIONS[None]), axis=2)
    line = np.column_stack([np.linspace(-1, 10, 400), np.zeros(400)])
    return Beside(shown, places, line, 9.0)


def steps(*levels: tuple[float, float]):
    """Return a tone that changes at distances from the line."""

    def tone(at):
        return np.select([at >= start for start, _ in levels[::-1]], [level for _, level in levels[::-1]], 0.0)

    return tone


@pytest.mark.parametrize("width", [1.0, 1.7, 2.6])
def test_a_plain_zone_ends_where_it_was_drawn(width: float) -> None:
    limit = find_limit(beside(steps((-1, 150), (width, 170))))
    assert limit.width.value_mm == pytest.approx(width, abs=0.06)
    assert limit.points_mm[:, 1] == pytest.approx(np.full(ROWS, width), abs=0.15)


@pytest.mark.parametrize("outer", [158, 163])
def test_a_zone_of_two_tones_ends_at_its_outer_limit(outer: float) -> None:
    """Coarse grain next to the line differs more from fine grain than that does from the plate."""
    limit = find_limit(beside(steps((-1, 138), (0.8, outer), (2.2, 170))))
    assert limit.width.value_mm == pytest.approx(2.2, abs=0.08)


@pytest.mark.parametrize("band", [(2.4, 2.8), (3.4, 4.2)])
def test_a_band_of_the_plate_is_no_limit(band: tuple[float, float]) -> None:
    """Segregation along the middle of a plate is as long as the line, and may stand out more than the zone."""
    start, end = band
    limit = find_limit(beside(steps((-1, 158), (1.5, 170), (start, 140), (end, 170))))
    assert limit.width.value_mm == pytest.approx(1.5, abs=0.08)


def test_a_zone_does_not_go_on_to_a_band_of_the_plate() -> None:
    """Next to the zone the plate is a little darker than where a bright band begins, as most of it is."""
    limit = find_limit(beside(steps((-1, 95), (1.4, 109), (1.75, 118), (3.5, 128), (4.2, 117))))
    assert limit.width.value_mm == pytest.approx(1.4, abs=0.1)


def test_a_band_alone_is_no_zone() -> None:
    assert find_limit(beside(steps((-1, 170), (2.4, 150), (2.8, 170)))) is None
    assert find_limit(beside(steps((-1, 170)))) is None


def test_the_width_is_the_distance_to_the_line() -> None:
    """Where the line is hollow the way square to it is longer than that to its nearest place."""
    rows = beside(steps((-1, 150), (1.7, 170)))
    ahead = np.column_stack([np.linspace(-1, 10, 400), np.full(400, 0.4)])
    nearer = Beside(rows.shown, rows.places_mm, ahead, rows.length_mm)
    assert find_limit(nearer).width.value_mm == pytest.approx(1.3, abs=0.06)


def test_a_zone_that_fades_ends_at_no_clear_place() -> None:
    sharp = find_limit(beside(steps((-1, 140), (1.6, 170))))
    faded = find_limit(beside(lambda at: 170 - 30 / (1 + np.exp((at - 1.3) / 0.22))))
    assert abs(faded.width.value_mm - 1.3) < 2 * faded.width.std_mm
    assert 2 * faded.width.std_mm > 0.2
    assert sharp.width.std_mm < 0.06


def test_a_plate_of_no_clear_tone_leaves_the_width_open() -> None:
    assert find_limit(beside(lambda at: 140 + 8 * at + np.where(at > 4.0, 10, 0))) is None


def test_another_weld_is_no_limit_of_the_zone() -> None:
    limit, line = np.column_stack([np.linspace(0, 8, 50), np.full(50, 2.0)]), np.zeros((3, 2))
    other = np.column_stack([np.linspace(-1, 9, 200), np.full(200, 2.1)])
    inside = Inside(
        (FusionLine("whole", line, line, np.ones(3), np.ones(3)),),
        haz_left="none shows",
        haz_right=Found(2.0, 0.03),
        haz_mm=(limit,),
    )
    told = without_other_lines(inside, other)
    assert told.haz_mm == ()
    assert told.haz_left == "none shows"
    assert "run together" in told.haz_right
    assert without_other_lines(inside, other + np.array([0.0, 1.5])).haz_right == Found(2.0, 0.03)
