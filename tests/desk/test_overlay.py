"""The overlay: lines where the parts are, legible at any size, told apart without colour."""

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.model import Calibration, from_pixel_size
from core.errors import UnreadableFile, UsageError
from core.quantity import Component, NotMeasurable, Quantity
from desk.drawing import CHORD, DIMENSION, OUTLINE, PLATE, Drawing, Polyline, Text, dashed
from desk.joint_drawing import format_value
from desk.legend import round_length
from desk.overlay import draw_overlay, write_overlay
from measurement import measure
from vision.find import find_welds
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWelds
from vision.picture import read_colour, read_picture
from vision.profile_file import profile_from_points

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
MM_PER_PX = {"tee": 0.028, "butt": 0.027, "groove": 0.028, "double_tee": 0.028}


@pytest.fixture(scope="module", params=["tee", "double_tee", "butt", "groove"])
def sample(request: pytest.FixtureRequest) -> tuple[str, np.ndarray, FoundWelds, tuple, Calibration]:
    name = request.param
    calibration = from_pixel_size(MM_PER_PX[name])
    path = SAMPLES / f"{name}.jpg"
    found = find_welds(read_picture(path).gray8, calibration)
    return name, read_colour(path), found, tuple(measure(weld.section) for weld in found.welds), calibration


def drawn(sample: tuple, units: str = "metric") -> Drawing:
    _, picture, found, measured, calibration = sample
    return draw_overlay(picture, found, measured, units=units, calibration=calibration)


def labels(drawing: Drawing) -> list[str]:
    return [primitive.content for primitive in drawing.primitives if isinstance(primitive, Text)]


EXPECTED = {
    "tee": {"leg 6.4", "leg 7.6", "throat 5.4", "width 9.9"},
    "double_tee": {"leg 7.0", "leg 6.2", "leg 6.0", "leg 6.6", "width 10.3", "width 7.9"},
    "butt": {"cap 13.8", "height 1.7", "t 10.0", "root width 4.2", "root height 0.9", "misalignment 0.6"},
    "groove": {"gap 2.8", "t 12.0", "root face 1.6", "root face 2.0", "bevel 30.0°", "bevel 32.5°", "misalignment 0.7"},
}


def test_dimensions_state_what_was_drawn_into_the_sample(sample: tuple) -> None:
    """The true dimensions of the samples are in sample_images/truth.json."""
    assert json.loads((SAMPLES / "truth.json").read_text())[sample[0]]

    def coarse(label: str) -> str:
        return re.sub(r"(\d+\.\d+)(?!\d|°)", lambda m: f"{float(m[1]):.1f}", label)

    near = {coarse(label) for label in labels(drawn(sample))}
    for wanted in EXPECTED[sample[0]]:
        name, value = re.match(r"(.*?) ([\d.]+)°?$", wanted).groups()
        values = [float(m[1]) for m in (re.match(rf"{name} (-?[\d.]+)", label) for label in near) if m]
        assert any(abs(other - float(value)) < 0.11 for other in values), (wanted, near)


def test_toes_and_root_are_marked_where_they_are(sample: tuple) -> None:
    """Toes and corners lie on the outline that was found in the picture."""
    drawing = drawn(sample)
    outline = np.concatenate([p.points for p in drawing.primitives if isinstance(p, Polyline) and p.style is OUTLINE])
    on_surface = [p for p in drawing.primitives if getattr(p, "shape", None) in ("triangle", "circle")]
    assert len(on_surface) >= 2 * len(sample[2].welds)
    for marker in on_surface:
        assert np.hypot(*(outline - marker.at).T).min() < 12


def test_everything_that_is_written_lies_on_the_canvas(sample: tuple) -> None:
    for units in ("metric", "inch"):
        drawing = drawn(sample, units)
        for text in (p for p in drawing.primitives + drawing.paper if isinstance(p, Text)):
            half = 0.5 * drawing.text_width(text.content, text.size)
            turn = np.radians(text.angle_deg)
            shift = {"start": half, "middle": 0.0, "end": -half}[text.anchor]
            reading = np.array([np.cos(turn), np.sin(turn)])
            for end in (text.at + (shift - half) * reading, text.at + (shift + half) * reading):
                assert -2 <= end[0] <= drawing.width_px + 2, text.content
                assert -2 <= end[1] <= drawing.height_px + 2, text.content


def test_labels_do_not_cover_each_other(sample: tuple) -> None:
    drawing = drawn(sample)
    boxes = []
    for text in (p for p in drawing.primitives if isinstance(p, Text)):
        half = 0.45 * drawing.text_width(text.content)
        turn = np.radians(text.angle_deg)
        steps = np.linspace(-half, half, 40)[:, None]
        boxes.append((text.content, text.at + steps * np.array([np.cos(turn), np.sin(turn)])))
    for i, (first, a) in enumerate(boxes):
        for second, b in boxes[i + 1 :]:
            distance = np.hypot(*(a[:, None] - b[None]).transpose(2, 0, 1)).min()
            assert distance > 0.6 * drawing.text_px, (first, second)


@pytest.mark.parametrize("scale", [0.12, 0.5, 2.0])
def test_legible_at_any_picture_size(scale: float) -> None:
    """Text keeps its share of the canvas whether the picture has a tenth or nine megapixels."""
    gray = read_picture(SAMPLES / "tee.jpg").gray8
    gray = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    calibration = from_pixel_size(0.028 / scale)
    found = find_welds(gray, calibration)
    measured = tuple(measure(weld.section) for weld in found.welds)
    drawing = draw_overlay(np.dstack([gray] * 3), found, measured, units="metric", calibration=calibration)
    assert max(drawing.width_px, drawing.picture_height_px) == pytest.approx(1600, abs=2)
    assert drawing.text_px > 20
    assert drawing.stroke_px >= 1.5


def test_lines_differ_by_pattern_and_not_by_colour_alone() -> None:
    patterns = [(style.dashes, style.width) for style in (OUTLINE, PLATE, CHORD, DIMENSION)]
    assert len(set(patterns)) == 4


def test_png_and_svg_show_the_same(sample: tuple, tmp_path: Path) -> None:
    _, picture, found, measured, calibration = sample
    for suffix in ("png", "svg"):
        write_overlay(tmp_path / f"a.{suffix}", picture, found, measured, units="metric", calibration=calibration)
    drawing = drawn(sample)
    image = cv2.imread(str(tmp_path / "a.png"))
    assert image.shape[:2] == (drawing.height_px, drawing.width_px)
    root = ET.parse(tmp_path / "a.svg").getroot()
    assert root.attrib["viewBox"] == f"0 0 {drawing.width_px} {drawing.height_px}"
    texts = [element.text for element in root.iter("{http://www.w3.org/2000/svg}text")]
    assert texts == [p.content for p in drawing.primitives + drawing.paper if isinstance(p, Text)]
    assert (tmp_path / "a.svg").stat().st_size < 3_000_000


def test_accent_of_the_outline_is_in_the_png(sample: tuple, tmp_path: Path) -> None:
    _, picture, found, measured, calibration = sample
    write_overlay(tmp_path / "a.png", picture, found, measured, calibration=calibration)
    rgb = cv2.cvtColor(cv2.imread(str(tmp_path / "a.png")), cv2.COLOR_BGR2RGB).astype(int)
    drawing = drawn(sample)
    stretch = max(
        (p for p in drawing.primitives if isinstance(p, Polyline) and p.style is OUTLINE), key=lambda p: len(p.points)
    )
    at = np.rint(stretch.points).astype(int)
    inside = (at[:, 0] < drawing.width_px) & (at[:, 1] < drawing.picture_height_px)
    colours = rgb[at[inside, 1], at[inside, 0]]
    accent = (colours[:, 0] - colours[:, 2]) > 90
    assert accent.mean() > 0.25


def test_profile_is_drawn_on_plain_paper(sample: tuple, tmp_path: Path) -> None:
    _, _, found, measured, _ = sample
    drawing = draw_overlay(None, found, measured, units="metric", calibration=None)
    assert (drawing.background == 255).all()
    assert max(drawing.width_px, drawing.picture_height_px) == pytest.approx(1600, abs=2)
    assert labels(drawing)


def test_no_outline_is_drawn_over_the_gap_of_a_groove_seen_from_one_side() -> None:
    x = np.concatenate([np.arange(-20.0, -1.2, 0.05), np.arange(1.2, 20.0, 0.05)])
    height = -np.maximum(0.0, 5.0 - 1.7 * (np.abs(x) - 1.2))
    found = find_welds_in_profile(profile_from_points(np.column_stack([x, height])), joint="groove")
    measured = tuple(measure(weld.section) for weld in found.welds)
    drawing = draw_overlay(None, found, measured, units="metric", calibration=None)
    outlines = [p.points for p in drawing.primitives if isinstance(p, Polyline) and p.style is OUTLINE]
    assert len(outlines) == 2
    assert outlines[0][:, 0].max() < outlines[1][:, 0].min() - 20


def test_other_suffix_and_unwritable_place(sample: tuple, tmp_path: Path) -> None:
    _, picture, found, measured, calibration = sample
    with pytest.raises(UsageError, match="drawn as"):
        write_overlay(tmp_path / "a.gif", picture, found, measured, calibration=calibration)
    with pytest.raises(UnreadableFile, match="cannot be written"):
        write_overlay(tmp_path / "none" / "a.svg", picture, found, measured, calibration=calibration)


def test_dashes_keep_their_lengths_round_a_corner() -> None:
    corner = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    pieces = dashed(corner, (4.0, 2.0), 1.0)
    lengths = [float(np.hypot(*np.diff(piece, axis=0).T).sum()) for piece in pieces]
    assert lengths == pytest.approx([4, 4, 4, 2])
    assert [10.0, 0.0] in pieces[1].tolist() or pieces[1][-1].tolist() == [10.0, 0.0]


@pytest.mark.parametrize(
    ("value", "units", "text"),
    [
        (Quantity(6.0, "mm", (Component("edge", 0.1),)), "metric", "6.00"),
        (Quantity(6.0, "mm"), "inch", "0.236 (15/64)"),
        (Quantity(89.96, "deg"), "inch", "90.0°"),
        (Quantity(-0.001, "mm"), "metric", "0.00"),
        (NotMeasurable("hidden"), "metric", None),
        (None, "metric", None),
    ],
)
def test_values_as_a_drawing_states_them(value: object, units: str, text: str | None) -> None:
    assert format_value(value, units) == text  # type: ignore[arg-type]


@pytest.mark.parametrize(("longest", "text"), [(7.3, "5 mm"), (2.0, "2 mm"), (0.19, "0.1 mm"), (31, "20 mm")])
def test_scale_bar_has_a_round_length(longest: float, text: str) -> None:
    assert round_length(longest, "mm")[1] == text
