"""Seams that curve gently in any direction: the seam's direction is found, and not the one across it."""

import numpy as np
import pytest

from core.errors import NothingMeasurable
from vision.cloud import Cloud, sections
from vision.cloud_seam import surface_normals
from vision.cloud_sweep import seam_direction

CAP_Z = 1.4 * (1 - np.linspace(-1, 1, 21) ** 2)
BUTT = np.vstack([[-22.0, 0.0], np.column_stack([np.linspace(-6, 6, 21), CAP_Z]), [22.0, 0.0]])
LAP = np.array([[-20.0, 10.0], [0.0, 10.0], [0.0, 6.0], [7.0, 0.0], [25.0, 0.0]])
GROOVE = np.array([[-22.0, 0.0], [-6.0, 0.0], [0.0, -9.0], [6.0, 0.0], [22.0, 0.0]])


def curved(section, length, radius, towards_deg, seed):
    """Return points of a section (x, y) swept along an arc, and the unit vectors along it in its middle and up."""
    rng = np.random.default_rng(seed)
    steps = np.hypot(*np.diff(section, axis=0).T)
    count = int(12 * length * steps.sum())
    at = np.interp(rng.uniform(0, steps.sum(), count), np.cumsum([0, *steps]), np.arange(len(section)))
    x, y = (np.interp(at, np.arange(len(section)), column) for column in section.T)
    turn = np.radians(towards_deg)
    towards = np.array([np.cos(turn), np.sin(turn)])
    inwards = x * towards[0] + y * towards[1]
    angle = rng.uniform(-length / 2, length / 2, count) / radius
    moved = radius - (radius - inwards) * np.cos(angle) - inwards
    points = np.column_stack([(radius - inwards) * np.sin(angle), x + moved * towards[0], y + moved * towards[1]])
    frame = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    frame *= np.sign(np.linalg.det(frame))
    points = (points * (1, -1, 1) + rng.normal(0, 0.08, points.shape)) @ frame.T
    return points, frame[:, 0], frame[:, 2]


@pytest.mark.parametrize("towards_deg", [0, 90, 200, 270])
@pytest.mark.parametrize(("section", "radius"), [(BUTT, 300), (BUTT, 600), (LAP, 300), (GROOVE, 300)])
def test_the_direction_in_the_middle_of_a_curved_seam(section, radius: float, towards_deg: float) -> None:
    points, seam, _ = curved(section, 150.0, radius, towards_deg, 3)
    found = seam_direction(surface_normals(points, np.random.default_rng(1)))
    assert abs(found.along @ seam) > np.cos(np.radians(1.5))


def test_a_bent_plate_has_no_seam() -> None:
    points, *_ = curved(np.array([[-25.0, 0.0], [25.0, 0.0]]), 120.0, 400.0, 90, 4)
    with pytest.raises(NothingMeasurable, match="--along"):
        seam_direction(surface_normals(points, np.random.default_rng(1)))


def test_a_butt_weld_that_bends_up_is_cut_along_itself() -> None:
    points, seam, air = curved(BUTT, 120.0, 500.0, 90, 5)
    cut = sections(Cloud(points), 4.0)
    assert abs(cut.info.seam @ seam) > np.cos(np.radians(2))
    assert cut.info.air @ air > np.cos(np.radians(3))
    assert cut.info.length_mm == pytest.approx(120, abs=1.5)
    assert sum(section.profile is not None for section in cut) >= 28
