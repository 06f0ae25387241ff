"""What must not change a value: turning, mirroring, enlarging, brightening or inverting the picture.

No truth is needed here: two measurements of one section must agree within their stated uncertainties. The
pixels of a turned picture are other pixels, so the two expanded uncertainties add in squares.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.camera import Camera
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import Drawing, PlateEnd, Toe
from benchmarks.render.grooves import Edge, groove
from benchmarks.render.scene import Exposure, Look, paint
from calibration.model import from_pixel_size
from core.quantity import Measured, Quantity
from measurement import measure
from vision.find import find_welds

WIDTH, HEIGHT, MM_PER_PX = 1400, 1050, 0.035
SIGNED = {"misalignment", "root_misalignment"}
"""Right against left: these change their sign in a mirror."""

few = settings(max_examples=4, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@dataclass(frozen=True)
class Result:
    """The measured values of each weld, welds in the order found."""

    joints: tuple[str, ...]
    values: tuple[dict[str, Measured], ...]


DRAWINGS: dict[str, Drawing] = {
    "tee": tee(
        through_thickness_mm=10,
        standing_thickness_mm=8,
        right=FilletShape(6.0, 7.0, bulge_mm=0.5, left=Toe(undercut_depth_mm=0.4, undercut_width_mm=1.1)),
        through_left=PlateEnd(15),
        through_right=PlateEnd(19),
        standing=PlateEnd(18),
    ),
    "lap": lap(
        lower_thickness_mm=10,
        upper_thickness_mm=9,
        weld=FilletShape(5.5, 6.5, bulge_mm=0.3),
        overlap_mm=14,
        lower_end=PlateEnd(18),
        upper_end=PlateEnd(20),
    ),
    "butt": butt(
        thickness_left_mm=10,
        thickness_right_mm=10,
        weld=ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9),
        offset_mm=0.7,
        end_left=PlateEnd(21),
        end_right=PlateEnd(20),
    ),
    "groove": groove(
        thickness_left_mm=10,
        thickness_right_mm=10,
        left=Edge("bevel", 30, 1.5),
        right=Edge("bevel", 34, 2.0),
        root_gap_mm=2.6,
        offset_mm=0.5,
        end_left=PlateEnd(15),
        end_right=PlateEnd(14),
    ),
}  # fmt: skip


@functools.lru_cache(maxsize=8)
def picture(name: str, rotation_deg: float = 0.0, seed: int = 1) -> NDArray[np.uint8]:
    drawing = DRAWINGS[name]
    camera = Camera(WIDTH, HEIGHT, MM_PER_PX, rotation_deg)
    off = camera.centre_px - camera.to_px(np.array([drawing.focus_mm]))[0]
    camera = Camera(WIDTH, HEIGHT, MM_PER_PX, rotation_deg, (float(off[0]), float(off[1])))
    look = Look(background=0.1, plate=0.62, weld=0.56, haz=0.59)
    gray = paint(drawing, camera, look, Exposure(blur_px=0.9), np.random.default_rng(seed), roughness_mm=0.004)
    return np.asarray(gray, np.uint8)


def measured(gray: NDArray[np.uint8], mm_per_px: float = MM_PER_PX) -> Result:
    welds = find_welds(np.ascontiguousarray(gray), from_pixel_size(mm_per_px)).welds
    return Result(tuple(w.section.joint for w in welds), tuple(measure(w.section) for w in welds))


@functools.lru_cache(maxsize=8)
def reference(name: str) -> Result:
    """Return the untouched picture's result; it must hold something to compare."""
    result = measured(picture(name))
    assert result.joints == (name,)
    assert sum(isinstance(value, Quantity) for value in result.values[0].values()) >= 8
    return result


def other_side(name: str) -> str:
    for one, other in (("left", "right"), ("right", "left")):
        if name.endswith(f"_{one}"):
            return f"{name.removesuffix(one)}{other}"
    return name


def agree(first: Result, second: Result, *, mirrored: bool = False) -> None:
    """Compare every value that both pictures give.

    A coverage factor of 2 leaves one of twenty outside: nine of ten values must agree within the combined
    expanded uncertainty and each within 1.5 of it. One value of five may become not measurable.
    """
    assert second.joints == first.joints
    for before, after in zip(first.values, second.values, strict=True):
        assert before.keys() == after.keys()
        shares = {}
        for name, one in before.items():
            two = after[other_side(name) if mirrored else name]
            if isinstance(one, Quantity) and isinstance(two, Quantity):
                sign = -1.0 if mirrored and name in SIGNED else 1.0
                allowed = math.hypot(one.expanded_uncertainty or 0.0, two.expanded_uncertainty or 0.0)
                shares[name] = abs(sign * two.value - one.value) / allowed
        assert len(shares) >= 0.8 * sum(isinstance(value, Quantity) for value in before.values())
        assert max(shares.values()) <= 1.5, {name: share for name, share in shares.items() if share > 1.5}
        assert np.mean([share <= 1.0 for share in shares.values()]) >= 0.9, shares


@pytest.mark.parametrize("name", DRAWINGS)
@few
@given(rotation_deg=st.floats(-180, 180))
def test_turning_the_section_under_the_camera(name: str, rotation_deg: float) -> None:
    if name == "groove" and abs(rotation_deg) > 150:
        rotation_deg /= 2
    agree(reference(name), measured(picture(name, round(rotation_deg, 1))))


@pytest.mark.parametrize("name", DRAWINGS)
@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turning_the_picture_by_quarters(name: str, quarters: int) -> None:
    agree(reference(name), measured(np.rot90(picture(name), quarters)))


@pytest.mark.parametrize("name", DRAWINGS)
def test_mirror_swaps_left_and_right(name: str) -> None:
    agree(reference(name), measured(np.fliplr(picture(name))), mirrored=True)


@pytest.mark.parametrize("name", DRAWINGS)
def test_mirror_top_to_bottom_swaps_them_too(name: str) -> None:
    agree(reference(name), measured(np.flipud(picture(name))), mirrored=True)


@pytest.mark.parametrize("name", DRAWINGS)
def test_enlarging_the_picture_with_its_scale(name: str) -> None:
    gray = picture(name)
    large = cv2.resize(gray, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    agree(reference(name), measured(large, MM_PER_PX / 2))


@pytest.mark.parametrize("name", DRAWINGS)
def test_lengths_grow_with_the_scale(name: str) -> None:
    """The very same pixels: lengths grow by 1.5, areas by its square, angles stay, to within the uncertainty."""
    one, two = reference(name), measured(picture(name), 1.5 * MM_PER_PX)
    assert one.joints == two.joints
    for key, before in one.values[0].items():
        after = two.values[0][key]
        if key.startswith(("toe_", "overlap")) or not isinstance(before, Quantity) or not isinstance(after, Quantity):
            continue  # spans of the toe are set in mm
        power = {"mm": 1.5, "mm2": 2.25, "deg": 1.0}[before.unit]
        assert after.value == pytest.approx(power * before.value, abs=after.expanded_uncertainty), key


@pytest.mark.parametrize("name", DRAWINGS)
@few
@given(gain=st.floats(0.35, 1.35), lift=st.floats(0, 60))
def test_light_and_exposure(name: str, gain: float, lift: float) -> None:
    gray = np.clip(np.rint(gain * picture(name).astype(float) + lift), 0, 255).astype(np.uint8)
    agree(reference(name), measured(gray))


@pytest.mark.parametrize("name", DRAWINGS)
def test_negative(name: str) -> None:
    agree(reference(name), measured(255 - picture(name)))


@pytest.mark.parametrize("name", DRAWINGS)
@few
@given(seed=st.integers(2, 10_000))
def test_other_grain_and_noise(name: str, seed: int) -> None:
    agree(reference(name), measured(picture(name, 0.0, seed)))
