"""Two fillets that have run together under the plate between them, or nearly so, in drawn etches."""

import numpy as np
import pytest
from shapely.geometry import LineString, Point

from benchmarks.inside import calibration_of
from benchmarks.render.etch_paint import etched_picture
from benchmarks.render.stains import blob, darkened
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds
from vision.fusion import look_inside
from vision.fusion_meeting import _band, _ends

SIZE = {"width_px": 1800, "height_px": 1350}
BETWEEN = ("penetration_right", "penetration_left")
"""Of the left and of the right weld: the plate that stands between them."""


def looked_into(seed: int, **how):
    picture = etched_picture(seed, "met_tee", contrast=0.3, blur_px=2.0, **SIZE, **how)
    calibration = calibration_of(picture)
    found = look_inside(picture.picture, find_welds(picture.picture, calibration), calibration)
    assert len(found.welds) == 2
    return picture, found.welds


def codes(weld) -> set[str]:
    return {flag.code for flag in weld.flags}


def crossings_px(picture) -> np.ndarray:
    """Return where the drawn outlines of both welds cross, the lowest and the highest place."""
    first, later = (LineString(lines[0]) for lines in picture.fusion_px)
    places = sorted(((point.x, point.y) for point in first.intersection(later).geoms), key=lambda place: place[1])
    return np.array([places[0], places[-1]])


@pytest.mark.parametrize("seed", [1, 2, 3, 6])
def test_each_line_ends_where_the_welds_meet(seed: int) -> None:
    picture, welds = looked_into(seed)
    true_ends = crossings_px(picture)
    for weld, truth in zip(welds, picture.fusion_px, strict=True):
        assert "fusion_meets" in codes(weld)
        (line,) = weld.section.inside.lines
        true = LineString(truth[0])
        off = [true.distance(Point(*point)) for point in line.points_px[line.own]]
        assert np.sqrt(np.mean(np.square(off))) <= 1.5
        ends = line.points_px[np.flatnonzero(line.meets)[[0, -1]]]
        for end in ends:
            assert np.hypot(*(true_ends - end).T).min() * picture.camera.mm_per_px < 1.0
        # The line runs along no more than the waist there.
        assert np.hypot(*(ends[1] - ends[0])) < 1.5 * np.hypot(*(true_ends[1] - true_ends[0]))


@pytest.mark.parametrize("seed", [1, 2, 3, 6])
def test_values_of_welds_that_have_met(seed: int) -> None:
    picture, welds = looked_into(seed)
    total = 0.0
    for weld, truth, between in zip(welds, picture.truth, BETWEEN, strict=True):
        values = measure(weld.section)
        assert isinstance(values[between], NotMeasurable)
        assert "fused through" in values[between].reason
        assert isinstance(values["root_gap"], NotMeasurable)
        assert values["lack_of_root_fusion"].value == 0.0
        compared = set(truth) & set(values) - {"haz_width_left", "haz_width_right"}
        assert {"fused_area", "weld_metal_area", "dilution", "root_penetration"} <= compared
        for name in compared:
            value = values[name]
            assert isinstance(value, Quantity), name
            assert abs(value.value - truth[name]) <= max(value.expanded_uncertainty, 0.06), name
        total += values["weld_metal_area"].value
    # Nothing is counted twice, nothing is left out.
    assert total == pytest.approx(sum(truth["weld_metal_area"] for truth in picture.truth), rel=0.01)


@pytest.mark.parametrize(("seed", "land_mm"), [(11, 2.0), (12, 1.0), (13, 0.6), (14, 0.5)])
def test_a_land_keeps_them_apart(seed: int, land_mm: float) -> None:
    _, welds = looked_into(seed, land_mm=land_mm)
    for weld in welds:
        assert "fusion_meets" not in codes(weld)
        assert weld.section.inside.lines[0].meets is None


def test_deep_fingers_on_both_sides_of_a_land_are_followed() -> None:
    """The gap between the plates begins behind the weld metal, not at the root: it hides none of it."""
    for seed in (12, 15):
        picture, welds = looked_into(seed, land_mm=2.5)
        for weld, truth, between in zip(welds, picture.truth, BETWEEN, strict=True):
            value = measure(weld.section)[between]
            assert truth[between] > 1.5
            assert value.value == pytest.approx(truth[between], abs=max(0.15, value.expanded_uncertainty))


def test_lines_that_nearly_touch_leave_open_what_depends_on_it() -> None:
    _, welds = looked_into(14, land_mm=0.5)
    for weld, between in zip(welds, BETWEEN, strict=True):
        assert "fusion_near" in codes(weld)
        values = measure(weld.section)
        for name in ("fused_area", "weld_metal_area", "dilution", between):
            assert isinstance(values[name], NotMeasurable), name
            assert "run together" in values[name].reason
        assert isinstance(values["root_penetration"], Quantity)


def test_a_band_leads_from_root_to_root_without_a_break() -> None:
    band = np.zeros((60, 100), np.uint8)
    band[:, 40:60] = 1
    assert _band(band) is not None
    holed = band.copy()
    holed[20:26, 45:50] = 0
    assert _band(holed)[22, 47]
    broken = band.copy()
    broken[30:33] = 0
    assert _band(broken) is None
    # A thin dark line from root to root is a gap, not weld metal.
    thin = np.zeros_like(band)
    thin[:, 50:53] = 1
    assert _band(thin) is None


def test_the_ends_lie_where_the_borders_come_nearest() -> None:
    at = np.arange(60) * 0.1
    rows, columns = np.mgrid[0:60, 0:100]
    band = (columns < 60 + 0.6 * np.abs(rows - 24)) & (columns > 40 - 0.6 * np.abs(rows - 34))
    top, bottom = _ends(band, at)
    assert abs(top.row - 24) <= 2
    assert abs(bottom.row - 34) <= 2
    assert top.std_mm < 0.5
    flat = (columns < 60) & (columns > 40)
    assert _ends(flat, at)[0].std_mm > 0.8
    assert _ends((columns < 43) & (columns > 40), at) is None
    assert _ends(columns < 60, at) is None


@pytest.mark.parametrize("fused", [False, True])
def test_plate_of_the_tone_of_weld_metal_is_no_way_from_root_to_root(fused: bool) -> None:
    """Round the zones of both welds the plate leads from side to side; weld metal begins at the roots."""
    welded = np.ones((60, 101), np.uint8)
    zones = np.zeros(101, bool)
    zones[25:] = True
    welded[6:14, zones] = 0
    welded[46:54, zones] = 0
    welded[:14, 18:25] = 0
    welded[46:, 18:25] = 0
    if fused:
        welded[:, 42:60] = 1
        welded[:, 36:42] = 0
        welded[:, 60:66] = 0
    band = _band(welded)
    assert (band is not None) == fused
    if fused:
        assert not band[:, :36].any()


@pytest.mark.parametrize("seed", [1, 2])
def test_a_stain_on_the_line_of_welds_that_have_met_is_told(seed: int) -> None:
    picture = etched_picture(seed, "met_tee", contrast=0.35, blur_px=2.0, **SIZE)
    calibration = calibration_of(picture)
    found = find_welds(picture.picture, calibration)
    # On the way of the left weld's outline to its toe, far from where the welds meet.
    outer = picture.fusion_px[0][0]
    place = outer[np.argmax(np.hypot(*(outer[:, None] - crossings_px(picture)[None]).T).min(axis=0))]
    way = np.hypot(*(outer - place).T)
    middle = outer[int(np.argmin(np.abs(way - 4.0 / picture.camera.mm_per_px)))]
    outline = blob(np.random.default_rng(seed), middle, 0.7 / picture.camera.mm_per_px)
    dark = (picture.picture * darkened(picture.picture.shape, outline, 0.25, 1.5)).astype(np.uint8)
    left = look_inside(dark, found, calibration).welds[0]
    clean = look_inside(picture.picture, found, calibration).welds[0]
    assert "fusion_stained" not in codes(clean)
    assert {"fusion_stained", "fusion_meets"} <= codes(left)
    (line,) = left.section.inside.lines
    near = np.hypot(*(line.points_px - middle).T) < 0.3 / picture.camera.mm_per_px
    assert line.led_across[near].all()
    assert line.std_mm[near].max() > 3 * np.median(line.std_mm[line.own & ~line.led_across])
