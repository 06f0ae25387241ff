"""A laser rig calibrated on drawn boards, and what it must refuse."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from benchmarks.render.laser import Light, Rig, stripe_picture
from benchmarks.render.laser_board import (
    ChessBoard,
    Pose,
    calibration_set,
    line_on_board,
    steps_profile,
    stripe_on_board,
)
from calibration.check import CheckEntry
from calibration.corners import Board, FoundBoard
from calibration.file import Origin, read_calibration, write_calibration
from calibration.laser import calibrate_laser
from calibration.laser_check import check_step
from calibration.laser_plane import LineView, clear_points, distances, plane_through
from calibration.lens import find_boards
from calibration.model import Lens
from core.errors import CalibrationRefused
from vision.stripe import extract

RIG = Rig(width_px=1024, height_px=544, mm_per_px=0.06, focal_px=2000.0)
DRAWN = ChessBoard(columns=8, rows=5, square_mm=5.0)
BOARD = Board("chessboard", 8, 5, 5.0)
NAMES = tuple(f"pose{i}" for i in range(8))


class Taken:
    """One drawn set of pictures with its boards found and its lines extracted."""

    def __init__(self, rig: Rig, light: Light, count: int = 8, seed: int = 3) -> None:
        self.rig = rig
        self.poses, self.grays, self.stripes = calibration_set(rig, DRAWN, light, count=count, seed=seed)
        self.found, self.served, self.left_out = find_boards(self.grays, BOARD, NAMES[:count])
        self.shape = self.grays[0].shape

    def views(self, only=None):
        chosen = range(len(self.stripes)) if only is None else only
        lines = [(i, extract(self.stripes[i])) for i in chosen]
        return [LineView(NAMES[i], s.points_px, s.std_px, s.width_px, self.grays[i]) for i, s in lines]

    def calibrated(self, **settings):
        return calibrate_laser(self.found, self.served, self.views(**settings), self.shape)


@pytest.fixture(scope="module")
def taken():
    return Taken(RIG, Light(noise=3.0))


@pytest.fixture(scope="module")
def calibrated(taken):
    return taken.calibrated()


def field_error(rig: Rig, calibration) -> np.ndarray:
    """Return how far points of the laser plane are mapped from where they are, after the best rigid motion, mm."""
    x = np.linspace(-0.42, 0.42, 9) * rig.width_px * rig.mm_per_px
    y = np.linspace(-0.35, 0.35, 5) * rig.height_px * rig.mm_per_px
    true = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    px = rig.to_px(true)
    true = true[((px > 0) & (px < [rig.width_px, rig.height_px])).all(axis=1)]
    mapped = calibration.to_mm(rig.to_px(true))
    a, b = true - true.mean(axis=0), mapped - mapped.mean(axis=0)
    left, _, right = np.linalg.svd(a.T @ b)
    assert np.linalg.det(left @ right) > 0, "the picture must not be mirrored"
    return b - a @ (left @ right)


def test_lengths_anywhere_in_the_field_are_true(calibrated):
    error = field_error(RIG, calibrated.calibration)
    assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < 0.005
    assert calibrated.lens_fit.calibration.rms_px < 0.06
    assert calibrated.plane_fit.rms_mm < 0.01
    normal, distance = RIG.plane
    plane = calibrated.plane_fit.plane
    assert abs(plane / np.linalg.norm(plane) @ normal) == pytest.approx(1.0, abs=1e-6)
    assert 1 / np.linalg.norm(plane) == pytest.approx(abs(distance), rel=2e-4)


@pytest.mark.parametrize(
    "light",
    [Light(amplitude=900, sigma_px=3.0), Light(amplitude=600, sigma_px=8.0, noise=3)],
    ids=["saturated", "thick"],
)
def test_bright_and_thick_lines_serve(light):
    """The line of the second is about 40 px thick where the sensor is at its limit."""
    found = Taken(RIG, light).calibrated().calibration
    error = field_error(RIG, found)
    assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < 0.02


def test_points_beside_borders_of_squares_are_left_out(taken):
    """A thick line is drawn to the light side of a border: the points that serve lie nearer to the true line."""
    pose, number = taken.poses[3], 3
    rng = np.random.default_rng(5)
    thick = Light(amplitude=250, sigma_px=6.0, noise=2.0)
    stripe = extract(stripe_on_board(RIG, DRAWN, pose, thick, rng))
    view = LineView("one", stripe.points_px, stripe.std_px, stripe.width_px, taken.grays[number])
    lens = Lens(RIG.camera_matrix, np.array(RIG.distortion), RIG.width_px, RIG.height_px)
    line = line_on_board(RIG, pose)

    def away(points):
        return points[:, 1] - np.interp(points[:, 0], *line.T)

    middle = np.abs(stripe.points_px[:, 0] - RIG.width_px / 2) < 300
    everywhere = np.sqrt(np.mean(away(stripe.points_px[middle]) ** 2))
    serve = clear_points(view, lens)
    assert 24 <= len(serve) < 0.7 * len(stripe.points_px)
    assert np.sqrt(np.mean(away(serve) ** 2)) < 0.5 * everywhere


def test_stated_uncertainty_matches_repeated_calibrations():
    """Lengths from rigs calibrated anew with other noise scatter as the calibration itself says (board size apart)."""
    ends = np.array([[150.0, 150.0], [880.0, 400.0]])
    lengths, told = [], []
    for seed in range(4):
        calibration = Taken(RIG, Light(noise=3.0), count=5, seed=100 + seed).calibrated().calibration
        mapped = calibration.to_mm(ends)
        lengths.append(float(np.hypot(*(mapped[1] - mapped[0]))))
        parts = calibration.relative_components(ends)
        own = np.sqrt(max(0.0, parts["scale"] ** 2 - 0.0005**2) + parts["tilt"] ** 2 + parts["lens"] ** 2)
        told.append(own * lengths[-1])
    true = true_length(ends)
    spread = np.sqrt(np.mean((np.array(lengths) - true) ** 2))
    assert 0.1 < spread / np.median(told) < 3.0


def true_length(ends):
    """Return the true length between two pixels of the laser plane."""
    exact = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-12)
    rays = cv2.undistortPoints(ends.reshape(-1, 1, 2), RIG.camera_matrix, np.array(RIG.distortion), criteria=exact)
    rays = np.column_stack([rays.reshape(-1, 2), np.ones(2)])
    points = rays * (RIG.plane[1] / (rays @ RIG.plane[0]))[:, None]
    return float(np.linalg.norm(points[1] - points[0]))


@pytest.mark.parametrize("roll", [90.0, 180.0])
def test_the_air_is_above_however_the_camera_is_turned(roll):
    rig = replace(RIG, roll_deg=roll, width_px=800, height_px=800)
    found = Taken(rig, Light(noise=2.0), count=5).calibrated().calibration
    up = found.to_mm(rig.to_px(np.array([[0.0, -3.0], [0.0, 3.0], [-3.0, 0.0], [3.0, 0.0]])))
    assert up[1, 1] - up[0, 1] == pytest.approx(6.0, abs=0.1)
    assert up[3, 0] - up[2, 0] == pytest.approx(6.0, abs=0.1)


def test_one_pose_and_poses_on_one_line_are_refused(taken):
    with pytest.raises(CalibrationRefused, match="at least two different poses"):
        taken.calibrated(only=[0])
    view = taken.views(only=[0])[0]
    same = [view, replace(view, name=NAMES[0])]
    with pytest.raises(CalibrationRefused, match="one line in space"):
        calibrate_laser(taken.found, taken.served, same, taken.shape)


def test_two_poses_are_enough(taken):
    found = taken.calibrated(only=[0, 5])
    assert np.sqrt(np.mean(np.sum(field_error(RIG, found.calibration) ** 2, axis=1))) < 0.05


def test_a_stripe_of_another_pose_is_refused_or_told(taken):
    views = taken.views()
    swapped = [replace(views[0], points_px=views[3].points_px, std_px=views[3].std_px), *views[1:3]]
    with pytest.raises(CalibrationRefused, match=r"moved between|one line in space"):
        calibrate_laser(taken.found, taken.served, swapped, taken.shape)


def test_a_stripe_of_another_pose_among_many_is_left_out_and_told(taken, calibrated):
    views = taken.views()
    wrong = replace(views[0], points_px=views[3].points_px, std_px=views[3].std_px)
    found = calibrate_laser(taken.found, taken.served, [wrong, *views[1:]], taken.shape)
    assert found.stripe_names == tuple(view.name for view in views[1:])
    reason = "its stripe lies off the plane of the others: another pose, or no line"
    assert (NAMES[0], reason) in found.left_out
    assert [NAMES[0], reason] in found.calibration.provenance["left_out"]
    assert not calibrated.left_out
    assert np.sqrt(np.mean(np.sum(field_error(RIG, found.calibration) ** 2, axis=1))) < 0.02


def test_what_a_further_term_of_the_lens_may_do_is_part_of_the_uncertainty(taken, monkeypatch):
    """Corners in the middle of the picture do not know it: lengths at its rim are open by what it may be there."""
    inner = []
    for board in taken.found:
        middle = np.hypot(*(board.points_px - np.array([512.0, 272.0])).T) < 230
        inner.append(FoundBoard(board.points_px[middle], board.board_mm[middle], board.ids[middle]))
    ends = np.array([[30.0, 30.0], [200.0, 120.0]])

    def lens_part(corner_share):
        monkeypatch.setattr("calibration.laser_uncertainty.further_term_std", lambda lens: corner_share / 0.29**6)
        found = calibrate_laser(inner, taken.served, taken.views(), taken.shape)
        assert found.lens_fit.calibration.std["k3"] == 0.0
        return found.calibration.relative_components(ends)["lens"]

    assert lens_part(0.05) > 1.3 * lens_part(1e-7)


def test_points_on_a_dark_square_keep_further_from_its_rim():
    """Squares of 120 px: a stripe of 16 px (standard deviation) is clear 21 to 32 px from a light square's rim, and 56
    px from a dark one's."""
    gray = np.where((np.indices((240, 960)) // 120).sum(axis=0) % 2 == 0, 230, 20).astype(np.uint8)
    columns = np.arange(960.0)
    line = np.column_stack([columns, np.full(960, 60.0)])
    lens = Lens(np.array([[2000.0, 0, 480], [0, 2000.0, 120], [0, 0, 1]]), np.zeros(5), 960, 240)

    def clear(width_px):
        kept = clear_points(LineView("a", line, np.full(960, 0.1), width_px, gray), lens)[:, 0]
        return kept[kept > 60]

    plenty = clear(6.0)
    assert (np.abs(plenty % 240 - 60) < 60 - 12).all(), "light points are enough, dark ones are left"
    thick = clear(16.0)
    dark = thick[np.abs(thick % 240 - 180) < 60]
    assert not len(dark), "56 px from the rim there is no place on a dark square of 120 px"
    assert len(thick) > 48


def test_a_laser_along_the_line_of_sight_is_refused():
    rig = replace(RIG, lift_deg=86.0)
    with pytest.raises(CalibrationRefused, match=r"along the laser plane|one line in space|serves"):
        Taken(rig, Light(noise=1.0)).calibrated()


def test_file_keeps_everything(calibrated, tmp_path):
    path = tmp_path / "rig.json"
    write_calibration(path, calibrated.calibration, Origin("boards and stripes", "0" * 64, "2025-03-01"))
    again = read_calibration(path)
    ends = np.array([[100.0, 120.0], [900.0, 400.0]])
    assert again.kind == "laser"
    assert np.array_equal(again.to_mm(ends), calibrated.calibration.to_mm(ends))
    assert np.allclose(again.covariance(ends), calibrated.calibration.covariance(ends))
    assert again.provenance["stripes"] == 8
    assert again.provenance["plane_rms_mm"] == calibrated.plane_fit.rms_mm
    assert len(again.provenance["plane_covariance"]) == 3
    assert again.provenance["stripe_views"][0]["points"] > 20


@pytest.mark.parametrize("height", [2.0, 5.0])
def test_step_block_measures_its_height(calibrated, height):
    lines = [RIG.to_px(piece) for piece in np.split(steps_profile(height, 16.0, 27.0), 3)]
    picture = stripe_picture((RIG.height_px, RIG.width_px), lines, Light(noise=3.0), np.random.default_rng(8))
    stripe = extract(picture)
    mm = calibrated.calibration.to_mm(stripe.points_px)
    entry: CheckEntry = check_step(calibrated.calibration, mm, np.full(len(mm), 0.004), height, 0.02, date="2025-03-01")
    assert entry.passed
    assert abs(entry.bias_mm) < entry.expanded_uncertainty_mm
    assert entry.expanded_uncertainty_mm < 0.02


def test_a_flat_plate_is_no_step(calibrated):
    line = RIG.to_px(np.array([[-27.0, 0.0], [27.0, 0.0]]))
    picture = stripe_picture((RIG.height_px, RIG.width_px), line, Light(noise=3.0), np.random.default_rng(8))
    mm = calibrated.calibration.to_mm(extract(picture).points_px)
    with pytest.raises(CalibrationRefused, match="one level"):
        check_step(calibrated.calibration, mm, np.full(len(mm), 0.004), 5.0, 0.02, date="2025-03-01")


def test_plane_through_known_points():
    rng = np.random.default_rng(0)
    within = rng.normal(size=(50, 2)) @ np.array([[10.0, 0, 0], [0, 8.0, 0]])
    points = within + np.array([0, 0, 100.0])
    plane = plane_through(points)
    assert plane == pytest.approx([0, 0, 0.01], abs=1e-12)
    assert distances(points + np.array([0.0, 0.0, 0.5]), plane) == pytest.approx(np.full(50, 0.5))


def test_drawn_line_lies_in_both_planes():
    """The renderer itself: a point of the drawn line, seen through the lens, lies on the board and in the light."""
    pose = Pose(cv2.Rodrigues(np.array([0.3, -0.2, 0.1]))[0], np.array([-15.0, -10.0, 118.0]))
    line = line_on_board(RIG, pose)
    exact = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-12)
    rays = cv2.undistortPoints(line.reshape(-1, 1, 2), RIG.camera_matrix, np.array(RIG.distortion), criteria=exact)
    rays = np.column_stack([rays.reshape(-1, 2), np.ones(len(line))])
    normal = pose.turn[:, 2]
    points = rays * (normal @ pose.place / (rays @ normal))[:, None]
    assert np.abs(points @ RIG.plane[0] - RIG.plane[1]).max() < 1e-3
