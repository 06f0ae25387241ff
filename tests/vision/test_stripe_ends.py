"""Where a laser line ends, and how well that is known: straight and bent lines, even light and speckle."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from vision.stripe import Stripe, extract

SHAPE = (420, 900)
RADIUS_PX = 70.0


def seen(left: np.ndarray, light: Light, seed: int) -> Stripe:
    """Return the line in a frame with a piece that ends inside the frame, and a far one that shows the gap."""
    right = np.array([[640.0, 180.0], [930.0, 200.0]])
    return extract(stripe_picture(SHAPE, [left, right], light, np.random.default_rng(seed)))


def straight() -> np.ndarray:
    return np.array([[-20.0, 90.0], [300.0, 110.0], [420.0, 300.0]])


def bent() -> np.ndarray:
    """Return a face that goes over into a radius, as that of a U preparation, and ends in it."""
    angle = np.linspace(np.radians(20), np.radians(85), 400)
    arc = np.array([420.0, 300.0 - RADIUS_PX]) + RADIUS_PX * np.column_stack([-np.cos(angle), np.sin(angle)])
    steep = (arc[1] - arc[0]) / np.hypot(*(arc[1] - arc[0]))
    return np.vstack([[-20.0, 60.0], arc[0] - 150.0 * steep, arc])


def end_of(stripe: Stripe, near: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the end of the line nearest to a place, and what is not known of it along the line."""
    at = min(stripe.ends, key=lambda index: float(np.hypot(*(stripe.points_px[index] - near))))
    return stripe.points_px[at] - near, float(np.hypot(*stripe.ends[at][0]))


@pytest.mark.parametrize("line", [straight(), bent()], ids=["straight", "bent"])
def test_an_end_lies_where_the_line_ends(line: np.ndarray) -> None:
    """Beside its own line, too: a straight line through the last points of a bend misses its end by a pixel."""
    for seed in range(4):
        off, std = end_of(seen(line, Light(noise=3.0), seed), line[-1])
        assert np.hypot(*off) < 0.35
        assert std < 0.35


def test_an_end_led_on_from_a_bend_is_uncertain_across_the_line() -> None:
    """How a radius goes on from the last points is not seen; a straight face goes on as it is."""
    across = {}
    for name, line in (("straight", straight()), ("bent", bent())):
        way = (line[-1] - line[-2]) / np.hypot(*(line[-1] - line[-2]))
        held = []
        for seed in range(12):
            stripe = seen(line, Light(noise=3.0), seed)
            at = min(stripe.ends, key=lambda index: float(np.hypot(*(stripe.points_px[index] - line[-1]))))
            along, beside = stripe.ends[at]
            assert abs(along @ beside) < 1e-9
            assert abs(along @ way) > 0.95 * np.hypot(*along)
            aside = abs(float((stripe.points_px[at] - line[-1]) @ beside)) / np.hypot(*beside)
            held.append(aside <= 2 * np.hypot(*beside))
            across.setdefault(name, []).append(float(np.hypot(*beside)))
        assert sum(held) >= 10
    assert np.median(across["bent"]) > 2 * np.median(across["straight"])


def test_a_line_along_the_columns_ends_alike() -> None:
    """What is not known of its ends is turned with the points."""
    frame = stripe_picture(
        SHAPE, [straight(), np.array([[640.0, 180.0], [930.0, 200.0]])], Light(), np.random.default_rng(1)
    )
    upright, turned = extract(frame), extract(np.ascontiguousarray(frame.T))
    assert turned.orientation == "columns"
    assert upright.ends.keys() == turned.ends.keys()
    for at, shifts in upright.ends.items():
        assert turned.ends[at] == pytest.approx(shifts[:, ::-1], abs=1e-6)


def test_ends_are_covered_by_what_is_stated() -> None:
    """Speckle moves the place where half of the light is left: more is stated there, and it holds."""
    line = straight()
    down = (line[-1] - line[-2]) / np.hypot(*(line[-1] - line[-2]))
    stated = {}
    for name, light in (("even", Light(noise=3.0)), ("speckle", Light(speckle=0.3))):
        found = [end_of(seen(line, light, seed), line[-1]) for seed in range(12)]
        stated[name] = np.median([std for _, std in found])
        assert sum(abs(float(off @ down)) <= 2 * std for off, std in found) >= 11
    assert stated["speckle"] > 2 * stated["even"]


@pytest.mark.parametrize(
    "light",
    [Light(sigma_px=1.2, sheet_px=2.1), Light(sigma_px=1.2, sheet_px=2.1, amplitude=500.0),
     Light(sigma_px=1.2, sheet_px=4.1, amplitude=900.0)],
    ids=["thin", "overexposed", "thick"],
)  # fmt: skip
@pytest.mark.parametrize("slope", [1.0, 2.2])
def test_a_thick_sheet_ends_where_its_surface_does(light: Light, slope: float) -> None:
    """Beside a steep line, where an overexposed one is looked at, the sheet's own end lies aside by its thickness."""
    reach = 110.0 / np.hypot(1.0, slope)
    line = np.array([[-20.0, 90.0], [300.3, 110.0], [300.3 + reach, 110.0 + slope * reach]])
    down = (line[-1] - line[-2]) / np.hypot(*(line[-1] - line[-2]))
    # The far piece goes down as well: level and steep stretches tell the sheet from blur.
    right = np.array([[640.0, 110.0 + slope * reach], [640.0 + reach, 110.0], [930.0, 100.0]])
    for seed in range(4):
        stripe = extract(stripe_picture(SHAPE, [line, right], light, np.random.default_rng(seed)))
        off, std = end_of(stripe, line[-1])
        assert abs(float(off @ down)) < max(2.5 * std, 0.7)
        assert std < 0.6


def test_a_line_that_dims_towards_its_end_is_doubted_there() -> None:
    """Half of its light is less there than on the way to it."""
    line = straight()
    stated = []
    for dims in (1.0, 0.3):
        light = Light(noise=1.0)
        picture = stripe_picture(
            SHAPE, [line, np.array([[640.0, 180.0], [930.0, 200.0]])], light, np.random.default_rng(1)
        )
        factor = np.interp(np.arange(SHAPE[1]), [405, 420], [1.0, dims])
        dimmed = np.clip(np.rint((picture - light.ground) * factor + light.ground), 0, 255).astype(np.uint8)
        stated.append(end_of(extract(dimmed), line[-1])[1])
    assert stated[1] > 2 * stated[0]


def test_a_line_that_goes_on_dimly_behind_a_glint_is_doubted_by_that() -> None:
    """Bright light hides a steep line's dim end beside it in the same columns: where it ends was told too early."""
    line = straight()
    down = (line[-1] - line[-2]) / np.hypot(*(line[-1] - line[-2]))
    for seed in range(4):
        light = Light(noise=2.0, amplitude=150.0)
        right = np.array([[640.0, 180.0], [930.0, 200.0]])
        picture = stripe_picture(SHAPE, [line, right], light, np.random.default_rng(seed)).astype(float) - light.ground
        x, y = np.meshgrid(np.arange(SHAPE[1]), np.arange(SHAPE[0]))
        along = (x - line[-1][0]) * down[0] + (y - line[-1][1]) * down[1]
        near = (x > 380) & (x < 460)
        factor = np.where(near & (along > -14), 0.15, np.where(near & (along > -34), 3.0, 1.0))
        off, std = end_of(extract(np.clip(np.rint(picture * factor + light.ground), 0, 255).astype(np.uint8)), line[-1])
        assert abs(float(off @ down)) <= 2 * std
        assert std > 0.8


def test_no_end_is_placed_where_a_glint_lies_on_a_corner() -> None:
    """The line goes on beneath it on both sides."""
    line = straight()
    light = Light(noise=2.0, amplitude=120.0)
    right = np.array([[640.0, 180.0], [930.0, 200.0]])
    picture = stripe_picture(SHAPE, [line, right], light, np.random.default_rng(1)).astype(float)
    x, y = np.meshgrid(np.arange(SHAPE[1]), np.arange(SHAPE[0]))
    corner = line[1]
    picture += 600.0 * np.exp(-(((x - corner[0]) / 9.0) ** 2) - ((y - corner[1]) / 9.0) ** 2)
    stripe = extract(np.clip(np.rint(picture), 0, 255).astype(np.uint8))
    assert all(np.hypot(*(stripe.points_px[at] - corner)) > 60 for at in stripe.ends)


@pytest.mark.parametrize("slope", [-0.85, 0.85])
@pytest.mark.parametrize("dim", [0.0, 0.12])
def test_no_point_strays_where_light_is_missing_on_a_slanted_thick_line(slope: float, dim: float) -> None:
    """Columns meet the rounded end of such a line beside it and bend away: a dropout passed for an edge."""
    whole = np.array([[-20.0, 300.0 - 450.0 * slope], [920.0, 300.0 + 490.0 * slope]])
    parts = [whole[0] + share * (whole[1] - whole[0]) for share in (0.48, 0.507)]
    light = Light(noise=1.5, amplitude=190.0, sigma_px=5.5, ghosts=((np.array(parts), dim * 190.0, 5.5),))
    lines = [np.array([whole[0], parts[0]]), np.array([parts[1], whole[1]])]
    stripe = extract(stripe_picture((600, 900), lines, light, np.random.default_rng(3)))
    off = stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *whole.T)
    inside = (stripe.points_px[:, 1] > 60) & (stripe.points_px[:, 1] < 540)
    assert np.abs(off[inside]).max() < 2.0
    assert np.count_nonzero(inside) > 0.8 * np.ptp(stripe.points_px[inside, 0])


@pytest.mark.parametrize("seed", range(3))
def test_a_face_ends_before_a_strip_that_crosses_its_way(seed: int) -> None:
    """A strip behind the gap lies in the face's last columns, too, a few pixels on: they were given to the strip."""
    light = Light(sigma_px=1.6, noise=3.0)
    left = np.array([[-20.0, 90.0], [300.0, 100.0], [420.0, 220.0]])
    strip = np.array([[412.0, 234.0], [560.0, 237.0]])
    right = np.array([[560.0, 210.0], [640.0, 105.0], [930.0, 110.0]])
    stripe = extract(stripe_picture(SHAPE, [left, strip, right], light, np.random.default_rng(seed)))
    off, std = end_of(stripe, left[-1])
    assert np.hypot(*off) < 0.8
    assert std < 0.8
