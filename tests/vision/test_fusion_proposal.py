"""Which of several boundaries on a frame is the fusion line, on sheets of known tones."""

from types import SimpleNamespace

import numpy as np
import pytest

from calibration.model import from_pixel_size
from vision.fusion import _of_one_boundary
from vision.fusion_choice import _alone, _cross, _of_root_side
from vision.fusion_frame import Frame
from vision.fusion_proposal import propose
from vision.fusion_sheet import Sheet

PIXEL_MM = 0.05
CALIBRATION = from_pixel_size(PIXEL_MM)
ROWS, STATIONS = 140, 180


def sheet_of(tone: np.ndarray, core: float) -> Sheet:
    whole, none = np.ones(tone.shape, np.uint8), np.zeros(tone.shape, np.uint8)
    return Sheet(np.asarray(tone, np.float32), whole, whole, none, none, core, np.zeros(2), 1.0)


def straight_frame(first: float | None = None) -> Frame:
    """Return rows to the right, a pixel from each other."""
    x, y = np.meshgrid(np.arange(STATIONS) + 10.0, np.arange(ROWS) + 10.0)
    points = CALIBRATION.to_mm(np.column_stack([x.ravel(), y.ravel()])).reshape(ROWS, STATIONS, 2)
    return Frame(points, np.ones((ROWS, STATIONS), bool), first, first, PIXEL_MM)


def tones(levels: list[tuple[int, float]], noise: float = 1.5) -> np.ndarray:
    """Return a picture whose tone changes at columns of it."""
    plane = np.zeros((ROWS + 20, STATIONS + 20))
    for column, level in levels:
        plane[:, column:] = level
    return plane + noise * np.random.default_rng(7).standard_normal(plane.shape)


def test_the_limit_of_a_zone_is_not_claimed_for_a_line_that_shows_in_part_only() -> None:
    """Weld metal and plate have one tone: the outer limit of the zone is clear, the fusion line for two thirds."""
    plane = tones([(0, 240), (60, 226), (100, 248)])
    plane[60:105, :60] -= 14
    found = propose(straight_frame(), sheet_of(plane, 240.0), CALIBRATION)
    assert not found.holds
    outer = propose(straight_frame(), sheet_of(tones([(0, 226), (100, 248)]), 240.0), CALIBRATION)
    assert outer.holds
    assert np.median(outer.stations) == pytest.approx(90, abs=1.5)


@pytest.mark.parametrize("tone", [94.0, 97.0, 101.0])
def test_of_a_weak_etch_the_inner_limit_of_the_zone_is_the_line(tone: float) -> None:
    """The zone differs from the plate three times as much as from weld metal, and grows towards its tone."""
    plane = tones([(0, 97), (60, 88), (90, 112)])
    plane[:, 60:90] += np.linspace(0, tone - 88, 30)
    found = propose(straight_frame(), sheet_of(plane, 97.0), CALIBRATION)
    assert found.holds
    assert np.median(found.stations) == pytest.approx(50, abs=1.5)
    assert found.support.step < 0


def test_the_border_of_a_pass_is_no_inner_limit() -> None:
    """A pass that differs from the one below it ends at the line by its sides, and not beside it."""
    plane = tones([(0, 97), (100, 125), (130, 135)])
    row = np.arange(ROWS + 20)[:, None]
    border = 100 - 60 * np.sin(np.pi * (row - 10) / ROWS)
    plane += np.where((np.arange(STATIONS + 20) > border) & (np.arange(STATIONS + 20) < 100), -7.0, 0.0)
    found = propose(straight_frame(), sheet_of(plane, 97.0), CALIBRATION)
    assert np.median(found.stations) == pytest.approx(90, abs=1.5)


def test_a_line_from_nearer_is_that_of_the_same_boundary() -> None:
    def choice(station: float, *, finger: float = 0.0, shows: bool = True) -> SimpleNamespace:
        points = np.column_stack([np.linspace(0, 10, 80), np.full(80, station)])
        points[36:44, 1] += finger
        return SimpleNamespace(likeliest={"whole": SimpleNamespace(points_mm=points, is_weld_metal=True, shows=shows)})

    assert _of_one_boundary(choice(0.0), choice(0.05, finger=2.0))
    assert not _of_one_boundary(choice(0.0), choice(1.2))
    assert _of_one_boundary(choice(0.0, shows=False), choice(1.2))


@pytest.mark.parametrize("inner", [False, True])
def test_weld_metal_may_change_its_tone_little_by_little(inner: bool) -> None:
    """A tone that differs from that of the core is weld metal where no boundary leads to it."""
    plane = tones([(0, 0.0)])
    plane[:, :100] += 222 if inner else np.linspace(198, 222, 100)
    if inner:
        plane[:, :55] -= 24
    plane[:, 100:] += 192
    found = propose(straight_frame(), sheet_of(plane, 198.0), CALIBRATION)
    # Tone tells, not texture; with a boundary within it is that one.
    assert found.channel == 0
    assert np.median(found.stations) == pytest.approx(45 if inner else 90, abs=1.5)
    assert found.holds


def test_the_root_side_is_held_against_its_own_weld_metal() -> None:
    plane = tones([(0, 180)])
    plane[80:] -= 27
    toes = CALIBRATION.to_mm(np.array([[40.0, 140.0], [140.0, 140.0]]))
    # Metal lies above in the picture: the way from the left toe to the right one keeps the air on its right.
    section = SimpleNamespace(root_side=SimpleNamespace(toe_left=toes[0], toe_right=toes[1]))
    window = SimpleNamespace(
        section=section,
        sheet=sheet_of(plane, 180.0),
        to_px=lambda points: CALIBRATION.to_px(points.reshape(-1, 2)).reshape(points.shape),
    )
    assert _of_root_side(window).core_level == pytest.approx(153, abs=1.0)
    section.root_side = None
    assert _of_root_side(window).core_level == 180.0


def line_at(station: float, *, holds: bool = True, confidence: float = 9.0) -> SimpleNamespace:
    points = np.column_stack([np.linspace(0, 10, 80), np.full(80, station)])
    support = SimpleNamespace(confidence=np.full(80, confidence))
    return SimpleNamespace(points_mm=points, holds=holds, support=support)


def test_lines_of_both_sides_do_not_cross() -> None:
    assert not _cross({"whole": line_at(0.0)})
    assert not _cross({"whole": line_at(0.0), "root side": line_at(1.0)})
    assert _cross({"whole": line_at(0.0), "root side": line_at(0.1)})


@pytest.mark.parametrize(
    ("whole", "root", "clicks", "claimed"),
    [
        (line_at(0.0), line_at(2.0, holds=False), 0, True),
        (line_at(0.0, confidence=2.0), line_at(2.0, holds=False), 0, False),
        (line_at(0.0, holds=False), line_at(2.0, holds=False), 0, False),
        (line_at(0.0), line_at(2.0, holds=False), 3, False),
    ],
)
def test_the_line_of_the_face_side_stands_alone_where_it_is_clear(whole, root, clicks: int, claimed: bool) -> None:
    window = SimpleNamespace(clicks_mm=np.zeros((clicks, 2)))
    found = _alone(window, {"whole": whole, "root side": root}, ["whole", "root side"])
    assert found == ({"whole": whole} if claimed else None)
    assert _alone(window, {"whole": whole}, ["whole"]) is None
