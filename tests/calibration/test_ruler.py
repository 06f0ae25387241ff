"""Rules drawn with known spacing, real photographs of rules, and pictures that hold none."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import cv2
import numpy as np
import pytest

from benchmarks.render.scenario import render
from calibration.plane import PlaneOffset
from calibration.reading import tick_pattern
from calibration.ruler import calibrate_ruler
from core.errors import CalibrationRefused, UsageError
from sample_images.make_samples import sample_tee

DATA = Path(__file__).parents[1] / "data"
IN_PLANE = PlaneOffset(0.0, 300.0, 0.0)


def scene(
    draw,
    angle_deg,
    spacing_mm=1.0,
    *,
    ticks=45,
    px_per_spacing=14.0,
    tilt=(0.0, 0.0),
    seed=0,
    noise=3.0,
    blur_px=0.8,
    **rule,
):
    raster, raster_px_per_mm, first = draw.rule(ticks, spacing_mm, **rule)
    middle = (first[0] + (ticks - 1) / 2 * spacing_mm, first[1])
    view = draw.view(*tilt, angle_deg, px_per_spacing / spacing_mm, 2600.0, (620.0, 480.0), middle)
    gray = draw.seen(raster, raster_px_per_mm, view, (1250, 950), noise=noise, blur_px=blur_px, seed=seed)
    return gray, view, first


def length_error(draw, calibration, view, first, spacing_mm, start, end):
    ends_mm = np.array([[first[0] + start * spacing_mm, first[1]], [first[0] + end * spacing_mm, first[1]]])
    found = calibration.to_mm(draw.through(view, ends_mm))
    return float(np.hypot(*(found[1] - found[0]))) / ((end - start) * spacing_mm) - 1


@pytest.mark.parametrize("angle_deg", range(0, 360, 24))
def test_any_rotation(draw, angle_deg):
    gray, view, first = scene(draw, angle_deg, dark=angle_deg % 48 == 0)
    calibration = calibrate_ruler(gray, 1.0)
    assert calibration.provenance["ticks"] == 45
    assert abs(length_error(draw, calibration, view, first, 1.0, 2, 42)) < 0.001
    axes = calibration.to_mm(np.array([[600.0, 400.0], [610.0, 400.0], [600.0, 390.0]]))
    assert axes[1, 0] > axes[0, 0]
    assert axes[2, 1] > axes[0, 1]


@pytest.mark.parametrize(
    ("spacing_mm", "pattern"),
    [(1.0, "decimal"), (0.5, "halves of mm"), (25.4 / 16, "halves"), (25.4 / 32, "halves"), (25.4 / 64, "halves")],
)
@pytest.mark.parametrize("px_per_spacing", [6.5, 22.0])
def test_usual_graduations(draw, spacing_mm, pattern, px_per_spacing):
    gray, view, first = scene(draw, 33.0, spacing_mm, px_per_spacing=px_per_spacing, pattern=pattern, blur_px=0.6)
    calibration = calibrate_ruler(gray, spacing_mm)
    assert abs(length_error(draw, calibration, view, first, spacing_mm, 0, 44)) < 0.002


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("angle_deg", [0, 17, 90, 141])
def test_stage_micrometer(draw, angle_deg, dark):
    """A millimetre in a hundred parts, as it is seen through a microscope: light on dark or dark on light."""
    gray, view, first = scene(
        draw, angle_deg, 0.01, ticks=101, px_per_spacing=8.5, pattern="decimal", blur_px=1.0, dark=dark
    )
    calibration = calibrate_ruler(gray, 0.01)
    assert calibration.provenance["ticks"] == 101
    assert abs(length_error(draw, calibration, view, first, 0.01, 0, 100)) < 0.001


def test_hidden_stretch_keeps_the_count(draw):
    gray, view, first = scene(draw, 11.0, ticks=50, missing=tuple(range(20, 29)))
    calibration = calibrate_ruler(gray, 1.0)
    assert calibration.provenance["ticks"] == 41
    assert calibration.provenance["ticks_hidden"] == 9
    assert abs(length_error(draw, calibration, view, first, 1.0, 0, 49)) < 0.001


@pytest.mark.parametrize("seed", [3, 5, 7])
def test_end_of_the_rule_is_no_tick(draw, seed):
    """The edge of the drawn rule stands nearly three spacings beyond its last tick and can look like one."""
    rng = np.random.default_rng(seed)
    for ticks in (20, 26, 43):
        angle_deg, px_per_spacing = rng.uniform(0, 360), rng.uniform(9, 10)
        gray, view, first = scene(
            draw, angle_deg, ticks=ticks, px_per_spacing=px_per_spacing, blur_px=0.9, tilt=(2.0, 3.0), seed=seed
        )
        calibration = calibrate_ruler(gray, 1.0)
        assert calibration.provenance["ticks"] == ticks
        assert calibration.provenance["ticks_hidden"] == 0
        assert abs(length_error(draw, calibration, view, first, 1.0, 0, 10)) < 0.002


def test_perspective_along_the_rule_is_mapped(draw):
    gray, view, first = scene(draw, 0.0, ticks=60, tilt=(0.0, 12.0))
    calibration = calibrate_ruler(gray, 1.0)
    assert calibration.provenance["drift"] > 0.03
    for start, end in ((0, 12), (24, 36), (47, 59)):
        assert abs(length_error(draw, calibration, view, first, 1.0, start, end)) < 0.003


def test_scale_lies_inside_its_uncertainty(draw):
    """Of the errors over two standard uncertainties, one in twenty is expected; the figure must be earned, not huge."""
    rng = np.random.default_rng(3)
    shares, errors = [], []
    for number in range(14):
        tilt = tuple(rng.uniform(-6, 6, 2))
        gray, view, first = scene(
            draw,
            rng.uniform(0, 360),
            ticks=int(rng.integers(15, 55)),
            px_per_spacing=rng.uniform(6, 16),
            tilt=tilt,
            noise=rng.uniform(1, 6),
            blur_px=rng.uniform(0.5, 1.1),
            seed=number,
        )
        calibration = calibrate_ruler(gray, 1.0, plane=IN_PLANE, rule_rel_std=0.0)
        for start, end in ((0, 10), (3, 14)):
            error = length_error(draw, calibration, view, first, 1.0, start, end)
            ends = draw.through(view, np.array([[first[0] + start, first[1]], [first[0] + end, first[1]]]))
            parts = calibration.relative_components(ends)
            shares.append(abs(error) / np.hypot(parts["scale"], parts["tilt"]))
            errors.append(error)
    assert np.mean(np.array(shares) < 2.0) >= 0.9
    assert float(np.sqrt(np.mean(np.square(errors)))) < 0.002


def test_photograph_of_a_butt_joint():
    """50 mm paper rule in a photograph of 18 megapixels, 11.22 to 11.44 px per mm by hand (BAM, see its LICENSE)."""
    gray = cv2.imread(str(DATA / "butt-joint-photo" / "WID417_pre.JPG"), cv2.IMREAD_GRAYSCALE)
    calibration = calibrate_ruler(gray, 1.0)
    seen = calibration.provenance
    assert seen["ticks"] == 51
    assert seen["tick_pattern"] == "decimal"
    assert seen["px_per_mm_mean"] == pytest.approx(11.33, rel=0.01)
    assert seen["px_per_mm_first"] == pytest.approx(11.22, rel=0.01)
    assert seen["px_per_mm_last"] == pytest.approx(11.44, rel=0.01)
    with pytest.raises(CalibrationRefused, match="do not fit"):
        calibrate_ruler(gray, 0.5)
    with pytest.raises(CalibrationRefused, match="do not fit"):
        calibrate_ruler(gray, 25.4 / 32)


@pytest.mark.parametrize("angle_deg", [0, 90])
def test_photograph_of_a_specimen_above_a_rule(angle_deg):
    """A rule whose millimetres are numbered and halved: 67 px per cm by hand (BSD-3, see LICENSE.txt)."""
    gray = cv2.imread(str(DATA / "specimens-on-rulers" / f"BMNHE_1105737_angle{angle_deg}.JPG"), cv2.IMREAD_GRAYSCALE)
    for spacing_mm in (1.0, 0.5):
        assert calibrate_ruler(gray, spacing_mm).provenance["px_per_mm_mean"] == pytest.approx(6.69, rel=0.01)
    with pytest.raises(CalibrationRefused):
        calibrate_ruler(gray, 25.4 / 64)


def _text(seed):
    picture = np.full((700, 1000), 235, np.uint8)
    rng = np.random.default_rng(seed)
    for line in range(19):
        letters = "".join(chr(int(c)) for c in rng.integers(97, 123, 50))
        cv2.putText(picture, letters, (20, 40 + 34 * line), seed % 4, 0.7, 20, 1, cv2.LINE_AA)
    return picture


def _noise(seed):
    grey = np.random.default_rng(seed).integers(0, 256, (700, 1000)).astype(np.float32)
    return cv2.GaussianBlur(grey, (0, 0), 0.5 + seed).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("make", [_text, _noise])
def test_print_and_noise_are_no_rule(make, seed):
    with pytest.raises(CalibrationRefused):
        calibrate_ruler(make(seed), 1.0)


def test_blank_and_tiny_pictures_are_no_rule():
    with pytest.raises(CalibrationRefused, match="no rule"):
        calibrate_ruler(np.full((500, 700), 128, np.uint8), 1.0)
    with pytest.raises(CalibrationRefused, match="no rule"):
        calibrate_ruler(np.full((20, 30), 128, np.uint8), 1.0)


@pytest.mark.parametrize("angle_deg", [0, 17, 45])
@pytest.mark.parametrize("square_px", [12, 20, 45])
def test_chessboard_is_no_rule(draw, angle_deg, square_px):
    raster, first = draw.chessboard(30, 22)
    view = draw.view(2, 3, angle_deg, square_px / 10, 2600, (600, 450), (first[0] + 145, first[1] + 105))
    with pytest.raises(CalibrationRefused):
        calibrate_ruler(draw.seen(raster, 8, view, (1200, 900)), 1.0)


def test_too_few_ticks_are_refused(draw):
    gray, _, _ = scene(draw, 20.0, ticks=6)
    with pytest.raises(CalibrationRefused):
        calibrate_ruler(gray, 1.0)


def test_millimetre_ticks_are_not_taken_for_fractions_of_an_inch(draw):
    gray, _, _ = scene(draw, 5.0, pattern="decimal")
    with pytest.raises(CalibrationRefused, match="do not fit"):
        calibrate_ruler(gray, 25.4 / 32)


def test_two_rules_are_refused_and_a_region_helps(draw):
    first_picture, view, first = scene(draw, 0.0, px_per_spacing=14.0, figures=False)
    second, _, _ = scene(draw, 0.0, px_per_spacing=11.0, figures=False)
    both = first_picture.copy()
    both[:300] = second[330:630]
    with pytest.raises(CalibrationRefused, match="two graduations"):
        calibrate_ruler(both, 1.0)
    calibration = calibrate_ruler(both, 1.0, region_px=(0, 320, 1250, 400))
    assert abs(length_error(draw, calibration, view, first, 1.0, 0, 44)) < 0.001


def test_impossible_input():
    gray = np.zeros((100, 100), np.uint8)
    with pytest.raises(UsageError, match="spacing"):
        calibrate_ruler(gray, 0.0)
    with pytest.raises(UsageError, match="region"):
        calibrate_ruler(gray, 1.0, region_px=(200, 200, 10, 10))


def test_tick_pattern_tells_the_kind_of_rule():
    assert tick_pattern(frozenset({5, 10})) == "decimal"
    assert tick_pattern(frozenset({2, 10, 20})) == "halves of mm"
    assert tick_pattern(frozenset({10, 20})) == "tens"
    assert tick_pattern(frozenset({2, 4, 8})) == "inch"
    assert tick_pattern(frozenset({2})) == "halves"
    assert tick_pattern(frozenset()) == "none"


def test_a_rule_on_grained_wood_is_found() -> None:
    """Wood holds stripes all over, in which the rule's own are few: the boldest are looked at."""
    scene = sample_tee()
    look = dataclasses.replace(scene.look, plate=0.46, weld=0.41, haz=0.44, backdrop="wood")
    picture = render(dataclasses.replace(scene, look=look)).picture
    found = calibrate_ruler(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), 1.0)
    assert found.mm_per_px(np.array(found.centre_px)) == pytest.approx(scene.camera.mm_per_px, rel=0.003)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("spacing_mm", [1.0, 25.4 / 16])
def test_a_strip_with_short_ticks_beside_long_straight_edges(spacing_mm: float, seed: int) -> None:
    """Adhesive strips have ticks no longer than their spacing; a section beside them has edges all over the picture.

    The strip of sixteenths has no longer ticks at all: it is taken where a person points it out.
    """
    rng = np.random.default_rng(seed)
    period = rng.uniform(24, 40)
    fine, width, height = 4, 1400, 1000
    gray = np.full((height * fine, width * fine), 150, np.uint8)
    for turn in rng.uniform(0, 180, 3):
        box = cv2.boxPoints(
            ((rng.uniform(300, 1100) * fine, rng.uniform(200, 600) * fine), (500 * fine, 130 * fine), turn)
        )
        cv2.fillPoly(gray, [box.astype(np.int32)], 185)
    top = 800 * fine
    cv2.rectangle(gray, (100 * fine, top), (1330 * fine, top + 110 * fine), 228, -1)
    for tick in range(int(1150 / period)):
        x = round((130 + tick * period) * fine)
        length = (2.0 if tick % 10 == 0 else 1.5 if tick % 5 == 0 else 0.95) if spacing_mm == 1.0 else 0.95
        cv2.rectangle(gray, (x, top), (x + round(0.16 * period * fine), top + round(length * period * fine)), 45, -1)
    gray = cv2.GaussianBlur(cv2.resize(gray, (width, height), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    gray = np.clip(gray + rng.normal(0, 2, gray.shape), 0, 255).astype(np.uint8)
    pointed_out = None if spacing_mm == 1.0 else (0, top // fine - 20, width, 150)
    calibration = calibrate_ruler(gray, spacing_mm, region_px=pointed_out)
    ends = calibration.to_mm(np.array([[200.0, 850.0], [1200.0, 850.0]]))
    assert float(np.hypot(*(ends[1] - ends[0]))) == pytest.approx(1000.0 / period * spacing_mm, rel=0.002)


@pytest.mark.parametrize("seed", range(3))
def test_a_dotted_line_is_no_rule(seed: int) -> None:
    rng = np.random.default_rng(seed)
    period = rng.uniform(12, 30)
    gray = np.full((700, 1200), 230, np.uint8)
    for x in np.arange(60.0, 1150.0, period):
        cv2.circle(gray, (round(x * 16), 350 * 16), round(0.24 * period * 16), 30, -1, cv2.LINE_AA, 4)
    gray = np.clip(gray + rng.normal(0, 2, gray.shape), 0, 255).astype(np.uint8)
    with pytest.raises(CalibrationRefused):
        calibrate_ruler(gray, 1.0)


def _row_of_marks(period_px, width, length, *, shape=(900, 1300), seed=0, long_every=0):
    """Marks of one width and length, side by side on even ground; every so many-th longer."""
    rng = np.random.default_rng(seed)
    gray = np.full((shape[0] * 4, shape[1] * 4), 190, np.uint8)
    for number in range(int((shape[1] - 120) / period_px)):
        x, longer = round((60 + number * period_px) * 4), 1.8 if long_every and number % long_every == 0 else 1.0
        end = (x + round(width * period_px * 4), round((400 + longer * length * period_px) * 4))
        cv2.rectangle(gray, (x, 1600), end, 40, -1)
    gray = cv2.GaussianBlur(cv2.resize(gray, shape[::-1], interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    return np.clip(gray + rng.normal(0, 2, gray.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("period_px", "width", "length"), [(18.0, 0.45, 3.0), (31.0, 0.3, 6.0), (24.0, 0.15, 4.0)])
def test_even_marks_of_one_length_are_no_rule_until_a_person_says_so(period_px, width, length):
    """Slots, combs, thread and cloth are as even as a rule; no spacing that was meant for a rule is put on them."""
    gray = _row_of_marks(period_px, width, length)
    with pytest.raises(CalibrationRefused, match=r"none stands out.*--region"):
        calibrate_ruler(gray, 1.0)
    region = (20, 360, 1260, 300)
    if width < 0.4:
        assert calibrate_ruler(gray, 1.0, region_px=region).provenance["px_per_mm_mean"] == pytest.approx(
            period_px, rel=0.002
        )
    else:
        with pytest.raises(CalibrationRefused, match="chequered"):
            calibrate_ruler(gray, 1.0, region_px=region)


@pytest.mark.parametrize(
    ("long_every", "fitting_mm", "other_mm"), [(16, 25.4 / 16, (1.0, 0.5)), (20, 0.5, (25.4 / 32,)), (10, 1.0, (0.5,))]
)
def test_long_ticks_alone_tell_the_kind_of_rule(long_every, fitting_mm, other_mm):
    """Where all ticks are alike but the numbered ones, these tell sixteenths, halves and whole millimetres apart."""
    gray = _row_of_marks(14.0, 0.2, 3.0, long_every=long_every)
    assert calibrate_ruler(gray, fitting_mm).provenance["px_per_mm_mean"] == pytest.approx(14.0 / fitting_mm, rel=0.002)
    for spacing_mm in other_mm:
        with pytest.raises(CalibrationRefused, match="do not fit"):
            calibrate_ruler(gray, spacing_mm)


def test_inches_are_not_taken_for_half_millimetres(draw):
    gray, _, _ = scene(draw, 25.0, pattern="halves")
    with pytest.raises(CalibrationRefused, match="do not fit"):
        calibrate_ruler(gray, 0.5)


@pytest.mark.parametrize("tilt", [(9.0, 11.0), (-3.0, 13.0)])
def test_a_tilted_rule_is_one_rule(draw, tilt):
    """Perspective changes the spacing along a rule: tiles of both its ends show one graduation."""
    gray, view, first = scene(draw, 12.0, 0.5, ticks=85, pattern="halves of mm", px_per_spacing=11.0, tilt=tilt)
    assert abs(length_error(draw, calibrate_ruler(gray, 0.5), view, first, 0.5, 0, 84)) < 0.002


@pytest.mark.parametrize("angle_deg", [0.0, 65.0, 200.0])
@pytest.mark.parametrize("tilt", [(10.0, 0.0), (-8.0, 9.0), (0.0, 0.0)])
def test_tilt_across_the_rule_is_seen_in_its_ticks(draw, tilt, angle_deg):
    """Lengths along the rule, but 25 mm beside it, where a tilt across it makes everything smaller or larger."""
    gray, view, first = scene(draw, angle_deg, ticks=60, px_per_spacing=16.0, tilt=tilt)
    calibration = calibrate_ruler(gray, 1.0)
    for beside_mm in (-25.0, 25.0):
        ends_mm = np.array([[first[0] + 15.0, first[1] + beside_mm], [first[0] + 44.0, first[1] + beside_mm]])
        ends = draw.through(view, ends_mm)
        found = calibration.to_mm(ends)
        error = float(np.hypot(*(found[1] - found[0]))) / 29.0 - 1
        assert abs(error) < 0.004
        square = calibration.to_mm(draw.through(view, ends_mm[:1] + np.array([[0.0, 0.0], [0.0, 10.0]])))
        parts = calibration.relative_components(ends)
        expanded = 2 * np.hypot(parts["scale"], parts["tilt"])
        assert abs(float(np.hypot(*(square[1] - square[0]))) / 10.0 - 1) < expanded
        assert expanded < (0.005 if tilt == (0.0, 0.0) else 0.09)


def test_two_longer_marks_of_many_tell_no_rule():
    gray = _row_of_marks(56.0, 0.2, 1.5, long_every=10)
    with pytest.raises(CalibrationRefused, match="none stands out"):
        calibrate_ruler(gray, 1.0)
