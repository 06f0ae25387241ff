from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks import accuracy
from benchmarks.compare import compare
from benchmarks.render.scenario import Rendering, random_scenario, render

SIZE = (800, 600)


def answer(rendering: Rendering, *, off: float = 0.0, expanded: float = 0.05) -> dict[str, Any]:
    """Return the entry of a measurement that is off by a fixed amount in every value."""
    welds = [
        {
            "joint": weld.joint,
            "points_px": {name: point.tolist() for name, point in weld.points_px.items()},
            "measurements": {
                name: {"value": value + off, "state": "measured", "expanded_uncertainty": expanded}
                for name, value in weld.values.items()
            },
        }
        for weld in rendering.welds
    ]
    return {"welds": welds, "error": None}


@pytest.fixture(scope="module")
def rendering() -> Rendering:
    return render(random_scenario(np.random.default_rng(4), joint="tee", width_px=SIZE[0], height_px=SIZE[1]))


def test_the_truth_itself_passes_everything(rendering: Rendering) -> None:
    case = compare(0, "normal", rendering.welds, answer(rendering), rendering.mm_per_px)
    assert case.measured
    assert case.extra_welds == 0
    assert all(trial.covered and trial.within_floor and not trial.silently_wrong for trial in case.trials)


def test_a_gross_error_with_a_small_uncertainty_is_silently_wrong(rendering: Rendering) -> None:
    case = compare(0, "normal", rendering.welds, answer(rendering, off=1.0), rendering.mm_per_px)
    legs = [trial for trial in case.trials if trial.name == "leg_left"]
    assert legs
    assert all(trial.silently_wrong for trial in legs)
    assert "leg_left is" in accuracy.report([case])


def test_a_gross_error_that_was_stated_is_not_silent(rendering: Rendering) -> None:
    case = compare(0, "normal", rendering.welds, answer(rendering, off=1.0, expanded=1.1), rendering.mm_per_px)
    assert not any(trial.silently_wrong for trial in case.trials)
    assert not any(trial.within_floor for trial in case.trials if trial.name == "leg_left")


def test_a_wrong_joint_a_missing_and_an_extra_weld_are_told(rendering: Rendering) -> None:
    entry = answer(rendering)
    entry["welds"][0]["joint"] = "butt"
    wrong = compare(0, "normal", rendering.welds, entry, rendering.mm_per_px)
    assert not wrong.measured
    assert "taken for a butt" in wrong.problem
    none = compare(0, "normal", rendering.welds, {"welds": [], "error": {"message": "dark"}}, rendering.mm_per_px)
    assert (none.measured, none.problem) == (False, "dark")
    entry = answer(rendering)
    entry["welds"].append({**entry["welds"][0], "points_px": {"root": [0, 0]}})
    assert compare(0, "normal", rendering.welds, entry, rendering.mm_per_px).extra_welds == 1


def test_run_case_gives_the_measuring_function_a_picture_and_its_scale() -> None:
    seen: list[tuple[str, float, str]] = []

    def measure(path: Path, mm_per_px: float, joint: str, tone_curve: str) -> dict[str, Any]:
        assert path.stat().st_size > 1000
        seen.append((path.suffix, mm_per_px, joint))
        assert tone_curve == "linear"
        return {"welds": [], "error": {"message": "not tried"}}

    case = accuracy.run_case(1, seed=2, joint="butt", difficulty="clean", size_px=SIZE, measure=measure)
    assert case.problem == "not tried"
    assert seen[0][2] == "auto"
    assert seen[0][1] > 0.025
