"""The frame of a laser line is told from the photograph of a section, which it would be measured as without a word."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from inspection.picture import measure_file
from inspection.settings import Settings
from vision.line_frame import is_laser_line
from vision.picture import read_picture

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
BENT = {
    "tee": [(100, 1000), (900, 450), (1150, 470), (1900, 1000)],
    "lap": [(60, 300), (900, 320), (1100, 560), (1990, 590)],
    "butt": [(60, 600), (800, 590), (1000, 520), (1200, 585), (1990, 575)],
    "groove": [(60, 500), (850, 500), (960, 800), (990, 800), (1100, 500), (1990, 510)],
}
"""Places (x, y) px of a line on joints seen from above, 2048 x 1088 px."""


def frame(joint: str, sigma_px: float, amplitude: float = 180.0, noise: float = 5.0) -> np.ndarray:
    rng = np.random.default_rng(11)
    x = np.arange(2048.0)
    y = np.interp(x, *zip(*BENT[joint], strict=True), left=np.nan, right=np.nan)
    width = sigma_px * np.hypot(1.0, np.gradient(y))
    light = amplitude * np.exp(-0.5 * ((np.arange(1088.0)[:, None] - y) / width) ** 2)
    return np.clip(12.0 + np.nan_to_num(light) + noise * rng.standard_normal(light.shape), 0, 255).astype(np.uint8)


LIGHTS = {"thin": (1.0,), "usual": (2.0,), "thick": (9.0,), "saturated": (12.0, 600.0, 3.0), "faint": (2.0, 60.0, 2.0)}


@pytest.mark.parametrize("joint", BENT)
@pytest.mark.parametrize("light", LIGHTS)
def test_a_line_is_told(joint, light):
    picture = frame(joint, *LIGHTS[light])
    assert is_laser_line(picture)
    assert is_laser_line(picture.T)


def plates(thickness_px: int) -> np.ndarray:
    """Return two thin bright plates end to end on black, with a little weld between them, seen a little unsharp."""
    picture = np.full((1200, 2000), 10, np.uint8)
    picture[600 : 600 + thickness_px, 60:1940] = 200
    cv2.ellipse(picture, (1000, 602), (thickness_px, thickness_px // 4), 0, 180, 360, 200, -1)
    return cv2.GaussianBlur(picture, (0, 0), 1.5)


@pytest.mark.parametrize("thickness_px", [30, 50, 90])
def test_thin_plates_on_black_are_none(thickness_px):
    assert not is_laser_line(plates(thickness_px))


def test_bright_lines_of_a_dark_cutting_mat_are_none():
    picture = np.full((1088, 2048), 40, np.uint8)
    picture[100::180], picture[101::180] = 210, 210
    picture[:, 150::180], picture[:, 151::180] = 210, 210
    assert not is_laser_line(picture)


def test_the_bright_rim_of_a_mount_on_bright_ground_is_none():
    """It lies around a third of the picture, narrow and as wide all along, and was taken for a bent line."""
    picture = np.full((1100, 1950), 205, np.uint8)
    cv2.polylines(picture, [np.array([[520, 1060], [460, 90], [1440, 30]])], False, 252, 9)
    assert not is_laser_line(cv2.GaussianBlur(picture, (0, 0), 2.0))


@pytest.mark.parametrize("name", ["tee", "double_tee", "butt", "groove", "etched-tee"])
def test_sample_pictures_are_none(name):
    assert not is_laser_line(read_picture(SAMPLES / f"{name}.jpg").gray8)


@pytest.mark.parametrize("path", sorted((SAMPLES / "seam").glob("*.jpg"))[:3], ids=lambda path: path.stem)
def test_frames_of_the_sample_seam_are_lines(path):
    assert is_laser_line(read_picture(path).gray8)


def test_a_frame_given_as_a_photograph_is_refused_with_what_to_give_instead(tmp_path):
    """It gave fillets of half a degree of doubt along the rims of the line."""
    path = tmp_path / "frame.png"
    cv2.imwrite(str(path), frame("lap", 4.0))
    as_given = measure_file(path, Settings(scale_mm_per_px=0.03))
    assert as_given["error"] is not None
    assert "--source laser" in as_given["error"]["message"]
    as_photograph = measure_file(path, Settings(scale_mm_per_px=0.03, source="macro"))
    assert as_photograph["error"] is None or "--source laser" not in as_photograph["error"]["message"]
