"""Light that falls off over a plain ground: it is one ground still, and the first way to split the picture is taken."""

from __future__ import annotations

import numpy as np
import pytest

import vision.candidates
import vision.find
from benchmarks.render.butts import ButtShape, butt
from vision.find import find_welds


@pytest.fixture
def splits(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the names of the splits that the search takes up, as it does."""
    taken: list[str] = []
    every = vision.find.proposals

    def told(*arguments):
        for name, mask in every(*arguments):
            taken.append(name)
            yield name, mask

    monkeypatch.setattr(vision.find, "proposals", told)
    return taken


@pytest.mark.parametrize("fall", [0.0, 0.35])
def test_falling_light_does_not_lengthen_the_search(photograph, splits: list[str], fall: float) -> None:
    joint = butt(thickness_left_mm=9, thickness_right_mm=9, weld=ButtShape(6.5, 7.0, 1.8, (2.2, 2.8), 0.9))
    photo = photograph(joint, look="dark on bright", rotation_deg=3.0)
    light = 1.0 - fall * np.linspace(0.0, 1.0, photo.gray.shape[1])[None, :]
    (weld,) = find_welds(np.asarray(photo.gray * light, np.uint8), photo.calibration).welds
    assert weld.section.joint == "butt"
    assert 0 < len(splits) <= 2


@pytest.mark.parametrize(("enough", "most"), [(3, 12), (100, 40)])
def test_splits_that_agree_end_the_search(
    photograph, splits: list[str], monkeypatch: pytest.MonkeyPatch, enough: int, most: int
) -> None:
    """Where no score is good enough by itself, three splits that give one outline are."""
    for name in ("CLEAR", "GOOD_ENOUGH"):
        monkeypatch.setattr(vision.candidates, name, 100.0)
    monkeypatch.setattr(vision.candidates, "AGREED", enough)
    joint = butt(thickness_left_mm=9, thickness_right_mm=9, weld=ButtShape(6.5, 7.0, 1.8, (2.2, 2.8), 0.9))
    photo = photograph(joint, look="dark on bright", rotation_deg=3.0)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    assert weld.section.joint == "butt"
    assert most // 2 - 4 < len(splits) <= most
