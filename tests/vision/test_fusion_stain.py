"""Stains on the way of a fusion line: it is led across them, and what rests on that says so."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon

from benchmarks.inside import calibration_of
from benchmarks.render.etch_paint import etched_picture
from benchmarks.render.stains import blob, darkened
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds
from vision.fusion import look_inside
from vision.fusion_path import best_paths, contrast, strip
from vision.fusion_stain import Stains, log_tone, past_stains
from vision.marks import WeldMarks

STEP_MM, ROWS, STATIONS, AT = 0.06, 160, 120, 60
POINTS = np.stack(np.meshgrid(STEP_MM * np.arange(STATIONS), STEP_MM * np.arange(ROWS)), axis=2)


def tones(weld: float, parent: float, seed: int = 2) -> np.ndarray:
    """Return rows across a straight line between two tones with some grain, (ROWS, STATIONS)."""
    values = np.full((ROWS, STATIONS), weld)
    values[:, AT:] = parent
    return (values * (1 + 0.03 * np.random.default_rng(seed).standard_normal(values.shape))).astype(np.float32)


def stained(values: np.ndarray, rows: slice, stations: slice, left: float) -> np.ndarray:
    dark = values.copy()
    dark[rows, stations] *= left
    return dark


def led(values: np.ndarray, weld: float, gap: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Return the stations of the likelier path, and which of its rows are stained."""
    metal = np.ones_like(values)
    found = contrast(strip(values, metal, STEP_MM))
    scores = np.stack([found, -found]) / 4.0
    no_gap = np.zeros(values.shape, bool)
    stains = Stains(strip(log_tone(values, weld), metal, STEP_MM), no_gap if gap is None else gap, np.copy)
    paths, hidden = past_stains(best_paths(scores), scores, POINTS, stains)
    best = int(np.argmax(paths.totals))
    return paths.path(best), hidden[best]


@pytest.mark.parametrize(("weld", "parent"), [(180.0, 110.0), (110.0, 180.0)])
def test_a_path_without_a_stain_is_not_led_across_one(weld: float, parent: float) -> None:
    values = tones(weld, parent)
    path, hidden = led(values, weld)
    assert np.abs(path - AT).max() <= 1
    assert not hidden.any()


@pytest.mark.parametrize(("weld", "parent"), [(180.0, 110.0), (110.0, 180.0)])
@pytest.mark.parametrize("stations", [slice(38, AT + 12), slice(AT - 2, AT + 22)])
def test_a_path_is_led_across_a_stain(weld: float, parent: float, stations: slice) -> None:
    """It is darker than both, and its rim a greater step than the line."""
    values = stained(tones(weld, parent), slice(60, 95), stations, 0.35)
    path, hidden = led(values, weld)
    assert np.abs(path - AT).max() <= 4
    assert hidden[65:90].all()
    assert not hidden[:45].any()
    assert not hidden[110:].any()


def test_a_gap_between_plates_is_no_stain() -> None:
    values = stained(tones(180.0, 110.0), slice(76, 82), slice(AT + 1, STATIONS), 0.2)
    gap = np.zeros(values.shape, bool)
    gap[76:82, AT + 1 :] = True
    assert led(values, 180.0)[1].any()
    assert not led(values, 180.0, gap)[1].any()


def of_tee(*, stain_size_mm: float = 0.0, marks: bool = False):
    """Return a drawn tee, a stain over the lowest place of its fusion line, and what is found in it."""
    picture = etched_picture(3, "tee", contrast=0.35, blur_px=2.0, width_px=1600, height_px=1200)
    calibration = calibration_of(picture)
    found = find_welds(picture.picture, calibration)
    line = picture.fusion_px[0][0]
    middle = line[np.argmax(line[:, 1])]
    gray = picture.picture
    if stain_size_mm:
        outline = blob(np.random.default_rng(5), middle, stain_size_mm / picture.camera.mm_per_px)
        metal = Polygon(found.outline_px[0])
        assert metal.contains(Polygon(outline))
        gray = np.clip(gray * darkened(gray.shape, outline, 0.55, 1.5), 0, 255).astype(np.uint8)
    clicks = [WeldMarks(fusion=tuple(map(tuple, line[:: len(line) // 24])))] if marks else None
    weld = look_inside(gray, found, calibration, clicks).welds[0]
    (own,) = weld.section.inside.lines
    truth = LineString(line)
    off_mm = picture.camera.mm_per_px * np.array([truth.distance(Point(*point)) for point in own.points_px])
    return weld, picture.truth[0], own, off_mm


def codes(weld) -> set[str]:
    return {flag.code for flag in weld.flags}


@pytest.mark.parametrize("size_mm", [0.9, 1.1, 1.3])
def test_values_under_a_stain_are_left_open_and_areas_are_less_sure(size_mm: float) -> None:
    clean, truth, line, _ = of_tee()
    assert "fusion_stained" not in codes(clean)
    assert not line.led_across.any()
    weld, _, line, off_mm = of_tee(stain_size_mm=size_mm)
    assert "fusion_stained" in codes(weld)
    assert 0.05 < line.led_across.mean() < 0.4
    assert off_mm.max() < 0.5
    before, after = measure(clean.section), measure(weld.section)
    assert isinstance(before["root_penetration"], Quantity)
    assert isinstance(after["root_penetration"], NotMeasurable)
    assert "stain hides" in after["root_penetration"].reason
    area = after["weld_metal_area"]
    assert area.expanded_uncertainty > 1.3 * before["weld_metal_area"].expanded_uncertainty
    for name in ("weld_metal_area", "fused_area", "penetration_left", "penetration_right"):
        value = after[name]
        assert isinstance(value, NotMeasurable) or abs(value.value - truth[name]) <= value.expanded_uncertainty


def test_a_person_knows_the_line_under_a_stain() -> None:
    weld, truth, line, _ = of_tee(stain_size_mm=0.9, marks=True)
    assert not line.led_across.any()
    measured = measure(weld.section)
    for name in ("root_penetration", "penetration_left", "weld_metal_area"):
        assert abs(measured[name].value - truth[name]) <= measured[name].expanded_uncertainty
    assert measured["root_penetration"].expanded_uncertainty > 0.3


def test_what_was_led_across_counts_as_a_whole_in_an_area() -> None:
    weld, _, line, _ = of_tee(stain_size_mm=0.9)
    longer = replace(line, std_mm=np.where(line.led_across, 2.0, 1.0) * line.std_mm)
    section = replace(weld.section, inside=replace(weld.section.inside, lines=(longer,)))
    before, after = measure(weld.section)["fused_area"], measure(section)["fused_area"]
    assert after.expanded_uncertainty > 1.5 * before.expanded_uncertainty
