"""The strip below a drawing: inside its width, of what is drawn and of nothing else, in words where it has no room."""

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.model import from_pixel_size
from desk.drawing import Drawing, Text
from desk.drawing_png import as_png
from desk.legend import caption
from desk.overlay import draw_overlay
from measurement import measure
from measurement.gauges import readings
from vision.find import find_welds
from vision.found import FoundWelds
from vision.picture import read_colour, read_picture

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@lru_cache(maxsize=3)
def seen(name: str) -> FoundWelds:
    return find_welds(read_picture(SAMPLES / f"{name}.jpg").gray8, from_pixel_size(0.028))


def drawn(name: str, *, gauges: bool = False, enlarged: float = 1.0) -> Drawing:
    calibration, path, found = from_pixel_size(0.028), SAMPLES / f"{name}.jpg", seen(name)
    measured = tuple(measure(weld.section) for weld in found.welds)
    taken = tuple(readings(weld.section, values) for weld, values in zip(found.welds, measured, strict=True))
    return draw_overlay(
        read_colour(path), found, measured, units="metric", calibration=calibration, enlarged=enlarged,
        gauges=taken if gauges else (),
    )  # fmt: skip


def words(drawing: Drawing) -> list[str]:
    return [item.content for item in drawing.paper if isinstance(item, Text)]


@pytest.mark.parametrize(("gauges", "enlarged"), [(False, 1.0), (False, 1.9), (True, 1.0)])
def test_the_strip_ends_inside_its_width(gauges: bool, enlarged: float) -> None:
    """Enlarged as reports have it, the last line style lay beyond the edge, without its word."""
    drawing = drawn("groove", gauges=gauges, enlarged=enlarged)
    assert ("dimension" in words(drawing)) is not gauges
    for item in drawing.paper:
        if isinstance(item, Text):
            assert item.at[0] + drawing.text_width(item.content, item.size) <= drawing.width_px, item.content


def test_marks_that_are_not_drawn_are_not_explained() -> None:
    assert words(drawn("tee"))[4:7] == ["toe, left", "toe, right", "root"]
    assert "root" not in words(drawn("butt"))


def test_a_caption_says_in_words_what_the_strip_shows() -> None:
    told = caption(drawn("groove")).replace("\u00a0", " ")
    assert told.startswith(
        "Coloured: outline; dash-dotted: plate surface; dashed: prepared face. △ outer corner, left, ○"
    )
    assert told.endswith("□ root edge. Dimensions in mm.")


def test_words_with_and_without_long_letters_stand_on_one_line() -> None:
    tops = []
    for content in ("0nn", "0gg", "0dd", "0gd"):
        drawing = Drawing(np.full((100, 200, 3), 255, np.uint8), 2.0, 40.0, 0)
        drawing.paper.append(Text(np.array([10.0, 50.0]), content, anchor="start"))
        seen = cv2.imdecode(np.frombuffer(as_png(drawing), np.uint8), cv2.IMREAD_GRAYSCALE)
        rows = np.flatnonzero((seen[:, 8:26] < 128).any(axis=1))
        tops.append((rows[0], rows[-1]))
    assert np.ptp(np.array(tops), axis=0).max() <= 1
    assert np.mean(tops) == pytest.approx(50.0, abs=1.0)


@pytest.mark.parametrize("name", ["tee", "butt", "groove"])
def test_labels_of_a_report_in_inches_are_neither_cut_off_nor_over_the_scale_bar(name: str) -> None:
    """Shown small they are large; the fraction stands in the table beside, and left no room here."""
    found, calibration = seen(name), from_pixel_size(0.028)
    measured = tuple(measure(weld.section) for weld in found.welds)
    picture = read_colour(SAMPLES / f"{name}.jpg")
    drawing = draw_overlay(picture, found, measured, units="inch", calibration=calibration, enlarged=1.9)
    labels = [item for item in drawing.primitives if isinstance(item, Text)]
    assert not any("(" in item.content for item in labels)
    lines = {item.content: middle_line(drawing, item) for item in labels}
    for content, line in lines.items():
        assert line.min() > 0, content
        assert (line.max(axis=0) < [drawing.width_px, drawing.picture_height_px]).all(), content
    bar = next(line for content, line in lines.items() if content.endswith(" in"))
    for content, line in lines.items():
        assert content.endswith(" in") or apart(line, bar) > 0.6 * drawing.text_px, content


def test_a_bevel_angle_keeps_clear_of_other_labels() -> None:
    drawing = drawn("groove", enlarged=1.9)
    labels = {item.content: item for item in drawing.primitives if isinstance(item, Text)}
    bevels = [content for content in labels if content.startswith("bevel")]
    assert len(bevels) == 2
    for bevel in bevels:
        for content, other in labels.items():
            gap = apart(middle_line(drawing, labels[bevel]), middle_line(drawing, other))
            assert content == bevel or gap > 0.5 * drawing.text_px, (bevel, content)


def middle_line(drawing: Drawing, item: Text) -> np.ndarray:
    turn, half = np.radians(item.angle_deg), 0.5 * drawing.text_width(item.content)
    return item.at + np.linspace(-half, half, 30)[:, None] * np.array([np.cos(turn), np.sin(turn)])


def apart(one: np.ndarray, other: np.ndarray) -> float:
    return float(np.hypot(*(one[:, None] - other[None]).reshape(-1, 2).T).min())
