"""What is no weld is refused and never measured; a region keeps the search where it is asked for."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from benchmarks.render.more_not_welds import ALL
from benchmarks.render.not_welds import NOT_WELDS
from calibration.model import from_pixel_size
from core.errors import NothingMeasurable
from vision.find import find_welds
from vision.marks import WeldMarks

SCALE = from_pixel_size(0.05)


@pytest.mark.parametrize(
    ("name", "seed"),
    # A board is tried in its own file; noise is the same noise with every seed.
    [(name, seed) for name in NOT_WELDS if name != "chessboard" for seed in range(1 if name == "noise" else 3)],
)
def test_picture_without_a_weld_is_refused(name: str, seed: int) -> None:
    gray = NOT_WELDS[name](np.random.default_rng(seed), 1200, 900)
    with pytest.raises(NothingMeasurable) as error:
        find_welds(gray, SCALE)
    assert "\n" not in str(error.value)


def test_hills_of_two_tones_are_no_tee() -> None:
    """Two slopes meet as plates do, and neither shows another side; half of the skyline has another tone."""
    rng = np.random.default_rng([31, 14])
    width = int(rng.integers(800, 2000))
    hills = ALL["mountains"](rng, width, round(0.75 * width))
    gray = hills if hills.ndim == 2 else cv2.cvtColor(hills, cv2.COLOR_BGR2GRAY)
    with pytest.raises(NothingMeasurable, match="no weld"):
        find_welds(np.asarray(gray, np.uint8), from_pixel_size(60 / width))


@pytest.mark.parametrize("joint", ["tee", "lap", "butt", "groove"])
@pytest.mark.parametrize("name", ["bare_plate", "disc", "scattered_scraps"])
def test_naming_a_joint_does_not_conjure_one_up(name: str, joint: str) -> None:
    gray = NOT_WELDS[name](np.random.default_rng(11), 1200, 900)
    with pytest.raises(NothingMeasurable, match="joint"):
        find_welds(gray, SCALE, joint=joint)


@pytest.mark.parametrize("level", [0, 40, 128, 255])
def test_blank_picture_says_what_to_check(level: int) -> None:
    with pytest.raises(NothingMeasurable, match=r"no contrast .* check the light"):
        find_welds(np.full((600, 800), level, np.uint8), SCALE)


def test_marks_on_a_blank_part_give_no_weld() -> None:
    gray = NOT_WELDS["landscape"](np.random.default_rng(0), 800, 600)
    marks = (WeldMarks(toe_left=(300.0, 300.0), toe_right=(400.0, 400.0)),)
    with pytest.raises(NothingMeasurable, match="under the marks"):
        find_welds(gray, SCALE, marks=marks)


def double() -> object:
    shape = FilletShape(6.0, 6.0, bulge_mm=0.4)
    ends = {"through_left": PlateEnd(20), "through_right": PlateEnd(20), "standing": PlateEnd(17)}
    return tee(through_thickness_mm=9, standing_thickness_mm=9, right=shape, left=shape, **ends)


def test_region_keeps_the_other_weld_out(photograph) -> None:
    """Points stay in the frame of the whole picture."""
    photo = photograph(double())
    whole = find_welds(photo.gray, photo.calibration).welds
    middle = int(0.5 * (whole[0].points_px["root"][0] + whole[1].points_px["root"][0]))
    right = find_welds(photo.gray, photo.calibration, region=(middle, 0, 1200 - middle, 900))
    (weld,) = right.welds
    for name, point in whole[1].points_px.items():
        assert math.dist(weld.points_px[name], point) < 0.5
        mm = photo.calibration.to_mm(np.array([point]))[0]
        assert np.allclose(photo.calibration.to_px(mm)[0], point)
    # Where the region cuts the metal the outline follows its border, give or take the search for an edge.
    assert right.outline_px[0][:, 0].min() > middle - 12


def test_region_may_reach_beyond_the_picture(photograph) -> None:
    photo = photograph(double())
    whole = find_welds(photo.gray, photo.calibration)
    beyond = find_welds(photo.gray, photo.calibration, region=(-100, -100, 5000, 5000))
    assert [w.points_px for w in beyond.welds] == [w.points_px for w in whole.welds]


@pytest.mark.parametrize("region", [(0, 0, 20, 500), (1190, 0, 500, 500), (5000, 5000, 100, 100)])
def test_region_too_small_to_search(region: tuple[int, int, int, int]) -> None:
    with pytest.raises(NothingMeasurable, match="leaves less than 32 x 32 pixels"):
        find_welds(np.zeros((900, 1200), np.uint8), SCALE, region=region)


def test_region_without_the_section_is_refused(photograph) -> None:
    photo = photograph(double())
    with pytest.raises(NothingMeasurable):
        find_welds(photo.gray, photo.calibration, region=(0, 0, 1200, 110))


def test_faint_section_is_flagged_or_refused(photograph) -> None:
    """A section 14 grey levels above its ground is a doubt to tell of."""
    photo = photograph(double())
    faint = np.asarray(np.clip(100 + (photo.gray.astype(float) - 20) * 14 / 160, 0, 255), np.uint8)
    found = find_welds(faint, photo.calibration)
    assert all("low_contrast" in [flag.code for flag in weld.flags] for weld in found.welds)
    for weld, truth in zip(found.welds, photo.truth_px(), strict=True):
        assert math.dist(weld.points_px["root"], truth["root"]) < 1.5


def test_blurred_section_is_flagged(photograph) -> None:
    photo = photograph(double(), blur_px=4.0)
    assert all("blur" in [flag.code for flag in weld.flags] for weld in find_welds(photo.gray, photo.calibration).welds)
