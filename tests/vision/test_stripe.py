"""The centre of a laser line on drawn frames of known truth: against the bound, and through what spoils it."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from core.errors import NothingMeasurable
from vision.stripe import extract, line_channel
from vision.stripe_centre import centres
from vision.stripe_strays import astray

SHAPE = (480, 900)
X = np.arange(-20.0, 921.0)
WAVE = np.column_stack([X, 240 + 70 * np.sin(X / 200)])


def frame(light=None, line=WAVE, seed=1, depth=8, shape=SHAPE):
    return stripe_picture(shape, line, light or Light(), np.random.default_rng(seed), depth=depth)


def errors(stripe, line=WAVE):
    return stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], line[:, 0], line[:, 1])


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize(("sigma", "noise"), [(1.0, 2.0), (2.0, 2.0), (2.0, 5.0), (2.0, 20.0), (4.0, 5.0)])
def test_white_noise_stays_near_the_bound(sigma, noise):
    """sd >= 1.062 (noise / height) sqrt(sigma): the bound for a Gaussian line, all its parameters unknown (derived)."""
    light = Light(sigma_px=sigma, noise=noise)
    stripe = extract(frame(light))
    found = errors(stripe)
    # Slopes up to 0.35 widen the line along the column: the bound grows by the root of that.
    bound = 1.062 * math.hypot(noise, math.sqrt(1 / 12)) / light.amplitude * math.sqrt(sigma * 1.03)
    assert len(found) > 0.98 * SHAPE[1]
    assert rms(found) < 1.1 * bound
    assert abs(found.mean()) < 0.3 * bound
    assert stripe.estimator == "gaussian"
    assert stripe.width_px == pytest.approx(sigma, rel=0.1)


V_GROOVE = np.array([[-20.0, 150.0], [400.0, 158.0], [450.0, 280.0], [500.0, 158.0], [921.0, 150.0]])


@pytest.mark.parametrize("light", [Light(sigma_px=0.9, sheet_px=2.5), Light(sigma_px=2.0, sheet_px=6.0, noise=2.0)])
def test_steep_faces_are_followed_where_the_line_is_a_sheets_thickness(light):
    """Along a column a thick sheet is as wide on a bevel as on the plate, and dimmer: nothing disturbs it."""
    stripe = extract(frame(light, V_GROOVE))
    on_faces = (np.abs(stripe.points_px[:, 0] - 450) < 40) & (np.abs(stripe.points_px[:, 0] - 450) > 8)
    assert np.count_nonzero(on_faces) > 0.9 * 64
    found = errors(stripe, V_GROOVE)[on_faces]
    assert rms(found) < 0.4
    assert np.mean(np.abs(found) < 2 * stripe.std_px[on_faces]) > 0.9


def test_a_level_face_between_steep_plates_is_followed():
    """The plates, most of the line, are steep: they tell its width along them, the face lies level."""
    line = np.array([[-20.0, 60.0], [300.0, 380.0], [600.0, 384.0], [921.0, 63.0]])
    stripe = extract(frame(Light(sigma_px=2.4), line, shape=(520, 900)))
    on_face = (stripe.points_px[:, 0] > 310) & (stripe.points_px[:, 0] < 590)
    assert np.count_nonzero(on_face) > 0.95 * 279


def test_a_long_overexposed_weld_is_no_spark():
    """A bright bead between dull plates bulges off the line before and behind it."""
    bead = 30 * np.maximum(0.0, 1 - ((X - 450) / 90) ** 2)
    line = np.column_stack([X, 240 - bead])
    picture = stripe_picture(SHAPE, line, Light(amplitude=150.0, sigma_px=3.0), np.random.default_rng(1)).astype(float)
    picture[:, 365:536] *= 6.0
    stripe = extract(np.clip(picture, 0, 255).astype(np.uint8))
    on_bead = np.abs(stripe.points_px[:, 0] - 450) < 80
    assert np.count_nonzero(on_bead) > 0.9 * 159
    assert rms(errors(stripe, line)[on_bead]) < 0.5


def test_speckle_takes_the_wide_centroid():
    stripe = extract(frame(Light(speckle=0.3)))
    assert stripe.estimator == "centroid"
    assert rms(errors(stripe)) < 0.25


@pytest.mark.parametrize("light", [Light(), Light(noise=15), Light(speckle=0.3), Light(speckle=0.1, sigma_px=3)])
def test_stated_uncertainty_covers(light):
    stripe = extract(frame(light, seed=5))
    share = np.mean(np.abs(errors(stripe)) < 2 * stripe.std_px)
    assert 0.92 < share < 0.99


def test_saturated_and_thick_lines():
    for light in (Light(amplitude=900), Light(amplitude=700, sigma_px=9)):
        stripe = extract(frame(light))
        assert stripe.saturated.mean() > 0.95
        assert rms(errors(stripe)) < 0.08
        assert len(stripe.points_px) > 0.98 * SHAPE[1]


def test_corners_are_not_rounded():
    v = np.array([[-20.0, 400.0], [450.0, 120.0], [920.0, 400.0]])
    stripe = extract(frame(line=v))
    near = np.abs(stripe.points_px[:, 0] - 450) < 15
    assert np.abs(errors(stripe, v)[near]).max() < 0.6
    assert rms(errors(stripe, v)) < 0.06


def test_reflections_sparks_and_glow_do_not_capture_the_line():
    ghosts = (
        (np.array([[100.0, 60.0], [420.0, 90.0]]), 140.0, 2.0),
        (np.array([[500.0, 420.0], [860.0, 380.0]]), 120.0, 4.0),
    )
    light = Light(ghosts=ghosts, sparks=10, glow=(700.0, 100.0, 90.0, 120.0))
    stripe = extract(frame(light, seed=3))
    found = np.abs(errors(stripe))
    assert len(found) > 0.9 * SHAPE[1]
    assert np.mean(found > 1.0) < 0.002
    assert found.max() < 4.0


def test_dropouts_are_gaps_with_a_reason():
    stripe = extract(frame(Light(dark=((0.3, 0.36), (0.7, 0.72)))))
    inner = [gap for gap in stripe.gaps if 0 <= gap.after < len(stripe.points_px) - 1]
    assert [gap.length_px for gap in inner] == [pytest.approx(60, abs=12), pytest.approx(20, abs=8)]
    assert all("no light" in gap.reason for gap in inner)
    found = np.abs(errors(stripe))
    rims = np.concatenate([stripe.points_px[gap.after : gap.after + 2, 0] for gap in inner])
    clear = np.abs(stripe.points_px[:, :1] - rims).min(axis=1) > 5
    assert found[clear].max() < 0.4
    assert found.max() < 1.5


@pytest.mark.parametrize("away", [-70.0, 90.0])
def test_a_dimmer_second_line_is_told_from_the_first(away):
    share = 0.74
    light = Light(ghosts=((WAVE + np.array([0.0, away]), share * 180.0, 2.0),))
    stripe = extract(frame(light))
    assert stripe.orientation == "rows"
    assert np.abs(errors(stripe)).max() < 1.0
    assert len(stripe.points_px) > 850
    assert stripe.second_line == pytest.approx(share, abs=0.1)
    assert extract(frame()).second_line == 0.0


def test_two_lines_alike_are_given_up():
    line = np.array([[-20.0, 150.0], [920.0, 150.0]])
    light = Light(ghosts=((line + np.array([0.0, 150.0]), 180.0, 2.0),))
    with pytest.raises(NothingMeasurable, match="alike"):
        extract(frame(light, line=line), orientation="rows")


@pytest.mark.parametrize("picture", [np.zeros((300, 400), np.uint8), np.full((300, 400), 200, np.uint8)])
def test_frames_without_a_line_are_refused(picture):
    with pytest.raises(NothingMeasurable, match="no laser line"):
        extract(picture)


def test_noise_alone_is_no_line():
    noise = np.random.default_rng(2).normal(60, 12, SHAPE)
    with pytest.raises(NothingMeasurable):
        extract(np.clip(noise, 0, 255).astype(np.uint8))


def test_steep_walls_are_followed_along_the_rows():
    step = np.array([[-20.0, 120.0], [430.0, 120.0], [455.0, 360.0], [920.0, 360.0]])
    stripe = extract(frame(line=step))
    wall = (stripe.points_px[:, 1] > 130) & (stripe.points_px[:, 1] < 350)
    assert wall.sum() > 180
    across = np.interp(stripe.points_px[wall, 1], [120, 360], [430, 455]) - stripe.points_px[wall, 0]
    assert rms(across) < 0.15
    assert (np.diff(stripe.points_px[wall, 1]) > 0).all()


def test_overhang_keeps_its_order():
    line = np.array([[-20.0, 130.0], [470.0, 130.0], [440.0, 350.0], [920.0, 350.0]])
    stripe = extract(frame(line=line))
    wall = (stripe.points_px[:, 1] > 145) & (stripe.points_px[:, 1] < 335)
    assert wall.sum() > 120
    across = np.interp(stripe.points_px[wall, 1], [130, 350], [470, 440]) - stripe.points_px[wall, 0]
    assert np.abs(across).max() < 1.5


def test_a_line_that_ends_ends_where_it_is_half_as_bright():
    pieces = [np.array([[-20.0, 200.0], [400.0, 200.0]]), np.array([[500.0, 210.0], [920.0, 210.0]])]
    stripe = extract(frame(line=pieces))
    (gap,) = (g for g in stripe.gaps if 0 <= g.after < len(stripe.points_px) - 1)
    ends = stripe.points_px[gap.after : gap.after + 2, 0]
    assert ends == pytest.approx([400.0, 500.0], abs=0.8)


@pytest.mark.parametrize("amplitude", [400, 900])
def test_an_overexposed_line_ends_where_its_flanks_are_half_as_bright(amplitude):
    """Half of what the camera's range has left of it lies up to one and a half widths beyond the true end."""
    pieces = [np.array([[-20.0, 200.0], [400.0, 200.0]]), np.array([[500.0, 210.0], [920.0, 210.0]])]
    stripe = extract(frame(Light(amplitude=amplitude, sigma_px=2.5), line=pieces))
    (gap,) = (g for g in stripe.gaps if 0 <= g.after < len(stripe.points_px) - 1)
    ends = stripe.points_px[gap.after : gap.after + 2, 0]
    assert ends == pytest.approx([400.0, 500.0], abs=0.8)


def test_columns_and_sixteen_bits_give_the_same():
    picture = frame(Light(noise=2))
    rows = extract(picture)
    columns = extract(np.ascontiguousarray(picture.T))
    assert (rows.orientation, columns.orientation) == ("rows", "columns")
    assert columns.points_px[:, ::-1] == pytest.approx(rows.points_px, abs=1e-6)
    deep = extract(frame(Light(noise=2), depth=16))
    assert rms(errors(deep)) < 0.025


@pytest.mark.parametrize(("name", "index"), [("blue", 0), ("green", 1), ("red", 2)])
def test_colour_of_the_laser_is_found(name, index):
    picture = np.random.default_rng(4).integers(5, 40, (*SHAPE, 3)).astype(np.uint8)
    picture[..., index] = frame(Light(noise=2))
    assert np.array_equal(line_channel(picture), picture[..., index])
    assert np.array_equal(line_channel(picture, name), picture[..., index])
    assert rms(errors(extract(picture))) < 0.03


def test_odd_frames_are_refused_in_one_sentence():
    for bad in (np.zeros((8, 8), np.uint8), np.zeros((300, 300), np.float32), np.zeros((4, 5, 6, 7), np.uint8)):
        with pytest.raises(NothingMeasurable):
            extract(bad)


def test_light_of_a_lamp_across_the_frame_is_no_line():
    lamp = cv2.GaussianBlur(np.random.default_rng(0).normal(0, 60, SHAPE).astype(np.float32), (0, 0), 25) * 20 + 120
    with pytest.raises(NothingMeasurable):
        extract(np.clip(lamp, 0, 255).astype(np.uint8))


def test_no_points_lead_over_the_dark_between_two_ends() -> None:
    """The line ends at an edge and begins again 11 px below, where a steep face comes out of the shadow."""
    first = np.column_stack([np.linspace(-10, 300, 600), np.linspace(60, 220, 600)])
    turn = np.linspace(0.0, 1.25, 80)
    second = np.column_stack([302 + 40 * (1 - np.cos(turn)), 231 + 40 * np.sin(turn)])
    flat = np.column_stack([np.linspace(second[-1, 0], 620, 400), np.linspace(second[-1, 1], second[-1, 1] + 90, 400)])
    pieces = [first, np.vstack([second, flat[1:]])]
    frame = stripe_picture((480, 600), pieces, Light(amplitude=200, sigma_px=2.5, noise=3.0), np.random.default_rng(4))
    stripe = extract(frame)
    ends = np.array([first[-1], second[0]])
    dark = ends.mean(axis=0)
    assert np.hypot(*(stripe.points_px - dark).T).min() > 2.5
    line = np.vstack(pieces)
    off = np.array([np.hypot(*(line - point).T).min() for point in stripe.points_px])
    assert off.max() < 1.2
    assert len(stripe.points_px) > 560


def test_a_point_inside_a_corner_is_dropped_and_a_right_angle_kept() -> None:
    square = np.array([[x, 0.0] for x in range(5)] + [[4.0, y] for y in range(1, 5)])
    std = np.full(len(square), 0.02)
    assert not astray(square, std).any()
    inside = np.insert(square, 5, [2.6, 2.0], axis=0)
    assert astray(inside, np.full(len(inside), 0.02)).tolist() == [False] * 5 + [True] + [False] * 4


@pytest.mark.parametrize("slope", [2.0, 3.0])
def test_a_steep_wall_is_the_same_line_though_its_width_is_not_known_exactly(slope):
    """Along a column a steep line is as much wider as its slope says: so is what its width is off by."""
    line = np.array([[-20.0, 300.0], [500.0, 300.0], [560.0, 300.0 + 60 * slope], [1300.0, 300.0 + 60 * slope]])
    columns = np.arange(20, 1180)
    course = np.interp(columns, *line.T)
    picture = frame(Light(sigma_px=2.25, noise=2.0), line=line, shape=(700, 1200))
    found = centres(picture, columns, course, 1.08 * 2.25)
    wall = (columns > 510) & (columns < 550)
    assert not found.disturbed[wall].any()
    assert rms(found.position[wall] - course[wall]) < 0.1 * slope


def test_a_long_bright_spark_beside_a_dim_line_is_not_followed():
    """It begins near the line, gains more light than the line has, and leads away from it."""
    line = np.array([[-20.0, 300.0], [921.0, 180.0]])
    picture = frame(Light(amplitude=110.0), line).astype(float)
    cv2.line(picture, (400, 268), (520, 306), 255.0, 3, cv2.LINE_AA)
    stripe = extract(np.clip(picture, 0, 255).astype(np.uint8))
    beside = (stripe.points_px[:, 0] > 400) & (stripe.points_px[:, 0] < 520)
    assert np.count_nonzero(beside) > 100
    assert np.abs(errors(stripe, line)[beside]).max() < 3.0


@pytest.mark.parametrize("slope", [3.5, 4.0])
def test_a_thin_line_on_a_steep_plate_is_followed_along_the_rows(slope: float) -> None:
    """It is not as tall in its columns as a thick one: its few columns were taken, and pieces of them left out."""
    line = np.array([[300.0, 20.0], [300.0 + 270.0 / slope, 290.0], [800.0, 380.0]])
    light = Light(sigma_px=1.0, amplitude=100.0, noise=3.0)
    stripe = extract(stripe_picture((420, 900), line, light, np.random.default_rng(4)))
    steep = stripe.points_px[(stripe.points_px[:, 1] > 40) & (stripe.points_px[:, 1] < 280)]
    assert len(steep) > 220
    assert np.std(steep[:, 0] - np.interp(steep[:, 1], line[:, 1], line[:, 0])) < 0.1
