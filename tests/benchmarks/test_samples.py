import importlib.util
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from benchmarks.render.scenario import render

FOLDER = Path(__file__).parents[2] / "sample_images"
_spec = importlib.util.spec_from_file_location("make_samples", FOLDER / "make_samples.py")
assert _spec is not None
assert _spec.loader is not None
make_samples = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_samples)


def test_the_truth_beside_the_pictures_is_that_of_the_construction() -> None:
    assert json.loads((FOLDER / "truth.json").read_text()) == make_samples.truth()


def test_the_samples_stay_small() -> None:
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) < 8_000_000


@pytest.mark.parametrize("name", make_samples.SAMPLES)
def test_a_sample_is_the_picture_that_its_script_draws(name: str) -> None:
    stored = cv2.imread(str(FOLDER / f"{name}.jpg"))
    assert stored is not None
    drawn = render(make_samples.SAMPLES[name]()).picture
    assert stored.shape == drawn.shape
    # a JPEG, and other processors round otherwise
    assert float(np.abs(stored.astype(float) - drawn).mean()) < 2.5


def test_the_readme_tells_the_true_values() -> None:
    readme = (FOLDER / "README.md").read_text()
    truth = make_samples.truth()
    for name, key in (("tee", "throat"), ("double_tee", "face_width"), ("butt", "cap_width"), ("butt", "root_width")):
        assert f"{truth[name][0][key]:.3f}" in readme
