"""Fusion lines in drawn etches, their refusal where there is no etch, a person's clicks."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, Point

from benchmarks.inside import calibration_of, clicks, true_line
from benchmarks.render import camera as cam
from benchmarks.render.etch_paint import etched_picture
from benchmarks.render.geometry import rings_of
from core.quantity import NotMeasurable
from measurement import measure
from vision.find import find_welds
from vision.fusion import look_inside
from vision.fusion_line import SEEN
from vision.marks import WeldMarks

MICROGRAPH = Path(__file__).parents[1] / "data" / "steel-micrograph" / "grain_structures_steel.tif"
SIZE = {"width_px": 1600, "height_px": 1200}


def inside_of(picture, marks=None, gray=None):
    gray = picture.picture if gray is None else gray
    calibration = calibration_of(picture)
    return look_inside(gray, find_welds(gray, calibration), calibration, marks)


def rms_px(line, truth) -> float:
    true = LineString(truth)
    return float(np.sqrt(np.mean([true.distance(Point(*point)) ** 2 for point in line.points_px])))


@pytest.mark.parametrize(
    ("seed", "joint", "sides"),
    [
        (3, "tee", ["whole"]),
        (5, "lap", ["whole"]),
        (8, "single_v", ["left", "right"]),
        (8, "double_v", ["left", "right"]),
        (8, "partial_v", ["whole"]),
        (7, "partial_double_v", ["whole", "root side"]),
    ],
)
def test_line_lies_where_it_was_drawn(seed: int, joint: str, sides: list[str]) -> None:
    picture = etched_picture(seed, joint, contrast=0.35, blur_px=2.0, **SIZE)
    weld = inside_of(picture).welds[0]
    inside = weld.section.inside
    assert [line.side for line in inside.lines] == sides
    assert inside.through == (sides == ["left", "right"])
    for line in inside.lines:
        assert rms_px(line, true_line(line, picture.fusion_px[0])) <= 1.5
        assert float(np.mean(line.confidence > SEEN)) > 0.9


def test_both_welds_of_a_tee_have_their_own_line() -> None:
    picture = etched_picture(22, "double_tee", contrast=0.3, **SIZE)
    welds = inside_of(picture).welds
    assert len(welds) == 2
    for weld, truth in zip(welds, picture.fusion_px, strict=True):
        assert rms_px(weld.section.inside.lines[0], truth[0]) <= 1.5


def test_no_finger_of_weld_metal_behind_the_root_is_cut_off() -> None:
    picture = etched_picture(918, "double_tee", pores=4, width_px=3000, height_px=2250)
    for weld, truth in zip(inside_of(picture).welds, picture.fusion_px, strict=True):
        assert rms_px(weld.section.inside.lines[0], truth[0]) <= 1.5


@pytest.mark.parametrize("darker", [True, False])
def test_weld_metal_may_be_darker_or_lighter(darker: bool) -> None:
    """Turned into its negative, a picture has the same line."""
    picture = etched_picture(3, "tee", contrast=0.3, blur_px=2.0, **SIZE)
    gray = picture.picture if darker else np.asarray(255 - picture.picture, np.uint8)
    line = inside_of(picture, gray=gray).welds[0].section.inside.lines[0]
    assert rms_px(line, picture.fusion_px[0][0]) <= 1.5


@pytest.mark.parametrize(("seed", "joint"), [(31, "tee"), (33, "lap"), (34, "partial_v"), (35, "double_tee")])
def test_no_line_is_claimed_without_an_etch(seed: int, joint: str) -> None:
    for weld in inside_of(etched_picture(seed, joint, blank=True, **SIZE)).welds:
        inside = weld.section.inside
        assert inside.lines == ()
        assert "no fusion line" in inside.reason


@pytest.mark.parametrize("zoom", [0.35, 1.0, 1.8])
def test_grain_is_not_taken_for_a_line(zoom: float) -> None:
    """A micrograph of etched steel as the texture of a section that has no weld inside."""
    picture = etched_picture(9001, "double_tee", blank=True, width_px=1400, height_px=1050)
    height, width = picture.picture.shape
    grain = cv2.resize(cv2.imread(str(MICROGRAPH), cv2.IMREAD_GRAYSCALE), None, fx=zoom, fy=zoom)
    tiled = np.hstack([grain, grain[:, ::-1]] * (width // grain.shape[1] + 1))
    tiled = np.vstack([tiled, tiled[::-1]] * (height // grain.shape[0] + 1))[:height, :width]
    rings = [picture.camera.to_px(ring) for ring in rings_of(picture.section.drawing.metal)]
    mask = cam.coverage(rings, height, width)
    gray = cam.blur((12 * (1 - mask) + (0.35 * tiled + 110) * mask).astype(np.float32), 0.8)
    welds = inside_of(picture, gray=np.asarray(gray, np.uint8)).welds
    assert welds
    for weld in welds:
        assert weld.section.inside.lines == ()


def test_five_clicks_are_enough() -> None:
    picture = etched_picture(3, "tee", contrast=0.3, blur_px=2.0, **SIZE)
    marks = [WeldMarks(fusion=clicks(np.random.default_rng(0), picture.fusion_px[0]))]
    weld = inside_of(picture, marks).welds[0]
    line = weld.section.inside.lines[0]
    assert line.marked
    assert rms_px(line, picture.fusion_px[0][0]) <= 1.0
    assert "fusion_marked" in {flag.code for flag in weld.flags}


def test_pore_beside_the_root_is_no_hollow() -> None:
    picture = etched_picture(21007, "tee", pores=4)
    weld = inside_of(picture).welds[0]
    inside = weld.section.inside
    assert not inside.hollow_root
    assert "hollow_root" not in {flag.code for flag in weld.flags}
    assert rms_px(inside.lines[0], picture.fusion_px[0][0]) <= 1.5


@pytest.mark.parametrize(
    ("seed", "joint"),
    [
        (21030, "lap"),
        (604, "lap"),  # weld metal nearly as dark as the hollow
        (26145, "tee"),  # the same, and a wide gap behind it
    ],
)
def test_line_runs_along_the_near_edge_of_a_hollow(seed: int, joint: str) -> None:
    picture = etched_picture(seed, joint, pores=4)
    inside = inside_of(picture).welds[0].section.inside
    assert inside.hollow_root
    assert rms_px(inside.lines[0], picture.fusion_px[0][0]) <= 1.0


def test_click_far_off_says_which_line_and_not_where() -> None:
    picture = etched_picture(21040, "partial_v", pores=4)
    marks = [WeldMarks(fusion=clicks(np.random.default_rng(21040), picture.fusion_px[0]))]
    line = inside_of(picture, marks).welds[0].section.inside.lines[0]
    assert line.marked
    assert rms_px(line, picture.fusion_px[0][0]) <= 1.0


def test_clicks_are_taken_as_given_where_nothing_shows() -> None:
    picture = etched_picture(31, "tee", blank=True, **SIZE)
    given = clicks(np.random.default_rng(0), picture.fusion_px[0], 12)
    line = inside_of(picture, [WeldMarks(fusion=given)]).welds[0].section.inside.lines[0]
    assert line.marked
    assert not line.confidence.any()
    path = LineString(line.points_px)
    assert max(path.distance(Point(*point)) for point in given) < 0.01
    assert float(np.median(line.std_mm)) >= 7 * picture.camera.mm_per_px


def test_clicks_off_the_weld_are_left_out_and_told() -> None:
    picture = etched_picture(3, "tee", contrast=0.3, blur_px=2.0, **SIZE)
    weld = inside_of(picture, [WeldMarks(fusion=((1e5, 1e5), (-4000.0, 3.0)))]).welds[0]
    assert "mark_off_outline" in {flag.code for flag in weld.flags}
    assert "fusion_marked" not in {flag.code for flag in weld.flags}
    assert not weld.section.inside.lines[0].marked


def test_values_of_an_etched_tee() -> None:
    from measurement import measure

    picture = etched_picture(3, "tee", contrast=0.35, blur_px=2.0, **SIZE)
    values, truth = measure(inside_of(picture).welds[0].section), picture.truth[0]
    for name in ("penetration_left", "penetration_right", "root_penetration", "throat_with_penetration"):
        assert values[name].value == pytest.approx(truth[name], abs=max(0.1, 0.03 * truth[name])), name
    assert values["weld_metal_area"].value == pytest.approx(truth["weld_metal_area"], rel=0.02)
    for side in ("left", "right"):
        assert values[f"haz_width_{side}"].value == pytest.approx(truth[f"haz_width_{side}"], abs=0.2)


@pytest.mark.parametrize(
    ("seed", "joint"),
    [
        (52046, "double_tee"),  # an inclusion as bright as the plates
        (52031, "tee"),  # a thin dark one
        (52005, "lap"),  # a pore that a gap comes near to
    ],
)
def test_spots_that_weld_metal_surrounds_do_not_draw_the_line(seed: int, joint: str) -> None:
    picture = etched_picture(seed, joint, pores=4)
    for weld, truth in zip(inside_of(picture).welds, picture.fusion_px, strict=True):
        assert not weld.section.inside.hollow_root
        assert rms_px(weld.section.inside.lines[0], truth[0]) <= 1.0


def test_gap_between_plates_does_not_draw_the_line_in() -> None:
    picture = etched_picture(52058, "partial_double_v", pores=4)
    lines = inside_of(picture).welds[0].section.inside.lines
    for line, truth in zip(lines, picture.fusion_px[0], strict=True):
        true = LineString(truth)
        middle = line.points_px[len(line.points_px) // 3 : -len(line.points_px) // 3]
        assert max(true.distance(Point(*point)) for point in middle) <= 3.0


def test_border_between_passes_is_no_row_of_pores() -> None:
    picture = etched_picture(66041, "single_v", pores=4)
    spots = inside_of(picture).welds[0].section.inside.indications
    places = picture.camera.to_px(np.array([pore.centre_mm for pore in picture.section.welds[0].pores]))
    away = [float(np.min(np.hypot(*(places - np.array(spot.centre_px)).T))) for spot in spots]
    far = np.count_nonzero(np.array(away) * picture.camera.mm_per_px > 0.3)
    # What is left lies at the ends of a border.
    assert len(spots) - far == 4
    assert far <= 4


def test_a_marked_side_wall_tells_how_much_of_it_was_fused() -> None:
    """The wall of the drawing of the preparation: straight from under the toes to beside the root."""
    picture = etched_picture(8, "single_v", contrast=0.35, blur_px=2.0, **SIZE)
    metal = picture.section.welds[0].metal
    left, right = (line for line in picture.section.welds[0].fusion_mm)
    wall_left = np.array([left[0] + [0.8, 0.0], left[-1] + [-0.6, 0.0]])
    wall_right = np.array([right[0] + [-0.8, 0.0], right[-1] + [-0.4, 0.0]])
    to_px = picture.camera.to_px
    marks = WeldMarks(wall_left=tuple(map(tuple, to_px(wall_left))), wall_right=tuple(map(tuple, to_px(wall_right))))
    weld = inside_of(picture, [marks]).welds[0]
    assert not weld.section.inside.lines[0].marked
    values = measure(weld.section)
    for side, wall in (("left", wall_left), ("right", wall_right)):
        way = LineString(wall)
        true = 100 * way.intersection(metal).length / way.length
        value = values[f"sidewall_fusion_{side}"]
        assert abs(value.value - true) <= value.expanded_uncertainty
    assert 30 < values["sidewall_fusion_left"].value < 97
    assert values["sidewall_fusion_right"].value > 97
    without = measure(inside_of(picture).welds[0].section)["sidewall_fusion_left"]
    assert isinstance(without, NotMeasurable)
