"""A laser frame is measured in about the time its PNG takes to decode, on one core."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.laser import Light, Rig
from benchmarks.render.laser_scene import random_drawing, shot
from calibration.model import Calibration, Lens
from inspection.laser_frame import measure_frame
from measurement import measure

RIG = Rig()
MOST = 3.5
"""Measured at 0.6 to 1.1 for noisy frames and 0.9 to 2.5 for dark ones, which decode in half the time: of two machines
that decode alike one takes twice as long for the rest. What is left is room for what else they do."""


def exact() -> Calibration:
    """Return the calibration that the drawn rig truly has."""
    turn, place = RIG.frame
    to_px = RIG.camera_matrix @ np.column_stack([turn[:, 0], turn[:, 1], place])
    to_mm = np.linalg.inv(to_px)
    x, y = RIG.to_px(np.zeros((1, 2)))[0]
    lens = Lens(RIG.camera_matrix, np.array(RIG.distortion), RIG.width_px, RIG.height_px)
    return Calibration("laser", to_mm / to_mm[2, 2], {"scale": 0.0002}, (float(x), float(y)), lens=lens)


@pytest.fixture
def one_thread():
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


@pytest.mark.parametrize("light", [Light(), Light(noise=0.0, ground=4.0)], ids=["noisy", "dark"])
@pytest.mark.parametrize("joint", ["tee", "butt"])
def test_a_frame_takes_little_more_than_its_decoding(joint, light, one_thread, processor_s):
    rng = np.random.default_rng(1)
    frame = shot(RIG, random_drawing(joint, rng, 60.0), light, rng).frame
    png = cv2.imencode(".png", frame)[1]
    calibration = exact()

    def whole() -> None:
        welds = measure_frame(frame, calibration, joint=joint).found.welds
        assert welds
        for weld in welds:
            measure(weld.section)

    whole()
    # Taken in turns, so that a slow spell of the machine meets both.
    decode, work = np.array(
        [(processor_s(lambda: cv2.imdecode(png, cv2.IMREAD_UNCHANGED)), processor_s(whole)) for _ in range(9)]
    ).T
    assert work.min() < MOST * decode.min()
