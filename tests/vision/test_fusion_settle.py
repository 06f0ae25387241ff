"""Where a blurred step between two textures is put, its uncertainty, bridges over gaps, on drawn strips."""

import math

import cv2
import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from core.geometry import Points
from vision.fusion_matched import Edge, Texture, blur_of, information, normal_share, texture_of, waves
from vision.fusion_settle import over_gaps, settled
from vision.fusion_sheet import Sheet

WIDTH, HEIGHT, MIDDLE = 640, 140, 70.0


def strip(seed: int, *, blur_px: float, grain: float = 11.0, cell_px: float = 6.0, wander_px: float = 1.5):
    """Return a picture (weld metal above, columns that run square to the line), its true line, an all-metal sheet."""
    rng = np.random.default_rng(seed)
    x = np.arange(WIDTH)
    knots = wander_px * rng.standard_normal(WIDTH // 32 + 1)
    knots[[0, -1]] = 0.0
    truth = MIDDLE + PchipInterpolator(np.linspace(0, WIDTH - 1, len(knots)), knots)(x)
    sharp = np.clip(np.arange(HEIGHT)[:, None] - truth[None] + 0.5, 0, 1).astype(np.float32)
    below = cv2.GaussianBlur(sharp, (0, 0), blur_px)
    columns = rng.standard_normal(WIDTH)
    columns = cv2.resize(columns[None, : int(WIDTH / cell_px)], (WIDTH, 1), interpolation=cv2.INTER_NEAREST)
    fine = cv2.GaussianBlur(rng.standard_normal((HEIGHT, WIDTH)), (0, 0), 1.2)
    fine *= grain / fine.std()
    levels = (90 + grain * columns) * (1 - below) + (150 + fine) * below + rng.normal(0, 2, below.shape)
    whole = np.ones((HEIGHT, WIDTH), np.uint8)
    sheet = Sheet(np.float32(levels), whole, whole, 0 * whole, 0 * whole, 90.0, np.zeros(2), 1.0)
    return np.clip(np.rint(levels), 0, 255).astype(np.uint8), np.column_stack([x, truth]), sheet


def off(line: Points, truth: Points) -> np.ndarray:
    return line[:, 1] - np.interp(line[:, 0], *truth.T)


@pytest.mark.parametrize("blur_px", [1.0, 3.0, 6.0])
def test_step_is_found_as_well_as_its_own_uncertainty_says(blur_px: float) -> None:
    ratios, errors = [], []
    for seed in range(6):
        gray, truth, sheet = strip(seed, blur_px=blur_px)
        start = np.array([[0.0, truth[0, 1]], [WIDTH - 1.0, truth[-1, 1]]])
        found = settled(gray, sheet, start, 0.025, 1.0, (True, True))
        errors.append(float(np.sqrt(np.mean(off(found.points_px, truth) ** 2))))
        ratios.append(errors[-1] / found.std_px)
        # Pixels, sampling between them and what is left of the wander add to a small blur.
        assert found.blur_px == pytest.approx(blur_px, rel=0.4, abs=0.5)
    assert np.mean(errors) < 0.7
    assert 0.5 < np.mean(ratios) < 1.6


def test_columns_that_run_on_far_inside_do_not_move_the_line() -> None:
    """The place where rows cross the middle of the two mean levels is moved by every column; the line is not."""
    gray, truth, sheet = strip(3, blur_px=5.0, grain=14.0)
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), 1.0)
    crossing = np.array([np.interp(120.0, smooth[50:90, column], np.arange(50.0, 90.0)) for column in range(WIDTH)])
    start = np.array([[0.0, truth[0, 1]], [WIDTH - 1.0, truth[-1, 1]]])
    found = settled(gray, sheet, start, 0.025, 1.0, (True, True))
    plain = float(np.sqrt(np.mean((crossing - truth[:, 1]) ** 2)))
    assert float(np.sqrt(np.mean(off(found.points_px, truth) ** 2))) < 0.5 * plain


def test_a_line_runs_on_over_a_dark_gap() -> None:
    gray, truth, sheet = strip(1, blur_px=2.0, grain=3.0, wander_px=0.0)
    gap = gray.copy()
    gap[int(MIDDLE) + 1 :, 300:306] = 20
    drawn_in = np.column_stack([np.arange(WIDTH), truth[:, 1]]).astype(float)
    drawn_in[:, 1] += 7.0 * np.exp(-0.5 * ((drawn_in[:, 0] - 303) / 3) ** 2)
    normals = np.tile([0.0, 1.0], (WIDTH // 2, 1))
    moved, blind = over_gaps(gap, sheet, drawn_in[::2], normals)
    assert blind[148:155].all()
    assert blind.sum() < 25
    assert float(np.abs(off(moved, truth)).max()) < 1.0
    found = settled(gap, sheet, drawn_in, 0.025, 1.0, (True, True))
    assert float(np.abs(off(found.points_px, truth)).max()) < 1.0


def test_information_falls_with_blur_and_grain() -> None:
    """White noise alone: the information of a step is the sum of its squared slope over the variance."""
    offsets, frequency = np.arange(-24.0, 25.0), np.array([0.02])

    def gathered(blur: float, variance: float) -> float:
        grain = Texture(variance, 2.0, 2.0)
        return float(information(Edge(50.0, blur, grain, grain, 4.0), offsets, frequency, 2.0)[1][0])

    slope = 50.0 / (2.0 * math.sqrt(2 * math.pi)) * np.exp(-0.5 * (offsets / 2.0) ** 2)
    assert gathered(2.0, 1e-9) == pytest.approx(float(np.sum(slope**2)) / 4.0, rel=0.15)
    assert gathered(2.0, 1e-9) > gathered(4.0, 1e-9) > gathered(4.0, 60.0)


def test_blur_and_grain_are_read_off() -> None:
    offsets = np.arange(-24.0, 25.0)
    rng = np.random.default_rng(0)
    rows = (40 + 60 * normal_share(offsets / 4.8) + rng.normal(0, 2, (300, 49))).astype(np.float32)
    assert blur_of(rows, np.ones(rows.shape, bool), offsets, np.full(300, 40.0), np.full(300, 60.0)) == 4.8
    grain = cv2.GaussianBlur(rng.standard_normal((900, 40)), (0, 0), 4.0, sigmaY=2.0)
    texture, noise = texture_of(10 * grain / grain.std(), np.ones(grain.shape, bool), (2.0, 1.0))
    assert texture.variance == pytest.approx(100, rel=0.1)
    assert texture.across_px > 3
    assert texture.along_px == pytest.approx(2 * texture.across_px * 0.5, rel=0.6)
    assert noise < 5


@pytest.mark.parametrize("tied", [(True, True), (True, False), (False, True)])
def test_waves_are_orthonormal_and_end_where_the_line_is_tied(tied: tuple[bool, bool]) -> None:
    those = waves(200, 2.0, tied=tied)
    each = np.eye(len(those.frequencies))
    basis = np.array([those.along(one) for one in each])
    assert np.allclose(basis @ basis.T, each, atol=1e-9)
    assert np.allclose(those.of(basis.T), each, atol=1e-9)
    assert np.all(np.diff(those.frequencies) > 0)
    for end, held in zip((0, -1), tied, strict=True):
        assert bool(np.abs(basis[:, end]).max() < 1e-9) == held
    # The frequency is that of the wave: it crosses 0 twice in each length.
    crossings = np.count_nonzero(np.diff(np.sign(basis[20][1:-1])))
    assert crossings == pytest.approx(2 * those.frequencies[20] * 2.0 * 199, abs=1.5)
