"""A run becomes a page that leaves nothing out, and two runs are compared figure by figure."""

import copy
import json

import cv2
import pytest

from benchmarks import __main__ as whole
from benchmarks import compare_runs, groups, growth, report, speed
from benchmarks.compare import Case, Trial
from benchmarks.naive import verdict

STEPS = ("decode", "read", "silhouette", "outline", "recognise and fit", "measure", "inside", "overlay")


def photograph(kind: str, pixel: tuple[float, float], joint: str = "all", *, off: float = 0.01) -> dict:
    trials = tuple(Trial(i, "tee", kind, "leg_left", 6.0, 6.0 + off * (-1) ** i, 0.03) for i in range(10))
    return groups.photograph_group([Case(0, "tee", kind, True, 0, "", trials)], kind, pixel, joint)


def covered_case(*, off: float = 0.01, count: int = 50) -> Case:
    """Legs of which one in twenty lies outside its interval, and as many undercuts that are not there."""
    legs = [Trial(i, "tee", "normal", "leg_left", 6.0, 6.0 + (off if i % 20 else 0.05), 0.03) for i in range(count)]
    none = [Trial(i, "tee", "normal", "undercut_left", 0.0, 0.0, 0.02) for i in range(count)]
    return Case(0, "tee", "normal", True, 0, "", (*legs, *none))


def way(name: str, kind: str, *, ours: bool, error: float, time_ms: float) -> dict:
    return {"name": name, "kind": kind, "ours": ours, "n": 1, "rms_px": error, "rms_near_px": error, "p95_px": error,
            "found": 1.0, "time_ms": time_ms}  # fmt: skip


@pytest.fixture
def run() -> dict:
    ways = {
        kind: [way("toeline", kind, ours=True, error=0.1, time_ms=5), way("other", kind, ours=False, error=0.2,
                                                                          time_ms=9)]
        for kind in ("photograph", "clean", "spoiled")
    }  # fmt: skip
    inside = {"name": "clear", "welds": 4, "claimed": 3, "wrong_kind": 0, "line_rms_px": None, "clicked_rms_px": None,
              "line_within_1_5_px": None, "clicked_within_1_px": None, "pores": 2, "pores_found": 2, "pores_false": 0,
              "quantities": []}  # fmt: skip
    return {
        "schema": whole.SCHEMA, "version": "0.0", "date": "2026-01-01", "machine": whole.machine(), "seed": 1,
        "quick": True, "plan": {"cases": 1}, "seconds": 1,
        "photographs": [photograph(kind, pixel) for pixel in groups.PIXELS_MM for kind in groups.KINDS],
        "coverage": groups.coverage([(groups.Wanted(0, 1, "normal", (0.025, 0.04), (40, 30)), covered_case())]),
        "grounds": [],
        "laser": [],
        "inside": {"pictures": 4, "not_outlined": 0, "blank_welds": 2, "blank_claimed": 0, "groups": [inside]},
        "speed": {"file_mb": 1.0, "decode_ms": 50.0, "decode_and_measure_ms": 100.0, "ratio": 1.0,
                  "steps_ms": dict.fromkeys(STEPS, 20.0), "help_s": 0.1, "measure_s": 0.5,
                  "insides": [{"joint": name, "decode_ms": 50.0, "inside_ms": 40.0, "ratio": 0.8}
                              for name in ("tee", "double_tee")]},
        "naive": {"photographs": ways["photograph"], "stripes": [*ways["clean"], *ways["spoiled"]],
                  "verdicts": [verdict(pair[0], pair[1:]) for pair in ways.values()]},
        "growth": {
            "pictures": [{"megapixels": n, "decode_s": 0.1, "seconds": 0.1, "processor_s": 0.1 * n, "peak_mb": 100.0}
                         for n in (1, 10)],
            "frames": [{"frames": n, "seconds": 0.1, "processor_s": 0.01 * n, "peak_mb": 100.0} for n in (10, 100)],
            "picture_exponent": 1.0, "picture_last_exponent": 1.0, "frame_exponent": 1.0, "frame_last_exponent": 1.0,
            "memory_flat": True,
        },
    }  # fmt: skip


def test_a_run_within_its_limits_has_nothing_to_report(run: dict) -> None:
    assert report.shortfalls(run) == []
    assert "Nothing." in report.markdown(run)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda r: r["speed"].update(ratio=2.5), "2.50, at most 2"),
        (lambda r: r["speed"]["insides"][1].update(ratio=1.25), "etched double tee / decoding: 1.25, at most 1"),
        (lambda r: r["growth"].update(memory_flat=False), "memory grows"),
        (lambda r: r["inside"].update(blank_claimed=1), "1 welds without an etch"),
        (lambda r: r["naive"]["verdicts"][1].update(behind=["other"]), "clean: behind other"),
        (lambda r: r["naive"]["verdicts"][2].update(time_ratio=1.5), "spoiled: 1.50 times"),
        (lambda r: r["photographs"][3].update(silent_pictures=1), "silently wrong"),
        (lambda r: r["photographs"].__setitem__(4, photograph("hard", (0.025, 0.04), off=0.5)), "leg_left"),
    ],
)
def test_every_shortfall_is_told(run: dict, change, told: str) -> None:
    change(run)
    short = report.shortfalls(run)
    assert any(told in line for line in short), short
    assert all(f"- {line}" in report.markdown(run) for line in short)


def test_the_page_shows_every_group_and_its_plots_are_small(run: dict, tmp_path) -> None:
    file = tmp_path / "run.json"
    file.write_text(json.dumps(whole.rounded(run)), encoding="utf-8")
    assert report.main([str(file), "--folder", str(tmp_path)]) == 0
    page = (tmp_path / "benchmarks.md").read_text(encoding="utf-8")
    for kind in groups.KINDS:
        assert page.count(f"| photograph, {kind}, ") == 3
    plots = sorted(tmp_path.glob("*.svg"))
    assert len(plots) == 3
    for plot in plots:
        assert plot.stat().st_size < 300_000
        assert plot.name in page


def test_the_machine_is_told_without_names_and_places() -> None:
    machine = whole.machine()
    assert set(machine) == {"processor", "cores", "memory_gb", "system", "load_at_start", "python", "libraries"}
    assert "/" not in json.dumps({key: value for key, value in machine.items() if key != "processor"})


def test_growth_is_the_slope_of_the_logarithms() -> None:
    assert growth.exponent([1, 10, 100], [2.0, 20.0, 200.0]) == pytest.approx(1.0)
    assert growth.exponent([1, 10, 100], [2.0, 200.0, 20000.0]) == pytest.approx(2.0)
    assert growth.largest_growth([1, 10, 100], [5.0, 5.0, 50.0]) == pytest.approx(1.0)


def test_a_process_tells_its_own_memory_and_not_that_of_its_parent(tmp_path) -> None:
    assert 5 < growth.peak_mb() < 20_000


def test_runs_of_the_same_pictures_are_compared(run: dict, tmp_path, capsys) -> None:
    worse = copy.deepcopy(run)
    worse["photographs"][0]["quantities"][0]["p95"] *= 1.5
    worse["speed"]["steps_ms"]["outline"] = 40.0
    worse["speed"]["insides"][1]["ratio"] = 2.0
    paths = [tmp_path / name for name in ("old.json", "new.json")]
    for path, content in zip(paths, (run, worse), strict=True):
        path.write_text(json.dumps(content), encoding="utf-8")
    old, new = map(str, paths)
    assert compare_runs.main([old, old]) == 0
    capsys.readouterr()
    assert compare_runs.main([old, new]) == 1
    told = capsys.readouterr().out
    assert "worse: 3 of" in told
    assert "time of the inside of an etched double_tee / decoding" in told
    assert "leg_left" in told
    assert "time of outline / decoding" in told
    assert compare_runs.main([new, old]) == 0


def test_the_inside_is_timed_against_decoding_the_same_file(monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(speed, "WIDTH_PX", 1600)
    monkeypatch.setattr(speed, "HEIGHT_PX", 1200)
    entry = speed.inside_times(tmp_path, "double_tee", 1)
    assert cv2.imread(str(tmp_path / "double_tee.jpg")).shape == (1200, 1600, 3)
    assert entry["ratio"] == pytest.approx(entry["inside_ms"] / entry["decode_ms"])
    # Two welds with their lines and pores: that is no empty run.
    assert entry["inside_ms"] > 5.0


@pytest.mark.parametrize("key", ["seed", "plan", "schema"])
def test_runs_of_different_pictures_are_not_compared(run: dict, key: str) -> None:
    other = {**run, key: "another"}
    assert compare_runs.comparable(run, other)
    assert not compare_runs.comparable(run, run)


def test_coverage_is_told_by_value_and_what_is_not_there_apart(run: dict) -> None:
    leg, undercut = run["coverage"]
    assert (leg["name"], leg["n"], leg["coverage"]) == ("leg", 50, pytest.approx(0.94))
    assert leg["interval_ratio"] == pytest.approx(3.0)
    assert leg["exact_ratio"] == pytest.approx(2 / 0.6745, rel=0.02)
    assert leg["by_kind"] == {"normal": pytest.approx(0.94), "hard": None, "smooth": None, "camera": None}
    assert (undercut["n"], undercut["coverage"], undercut["absent"], undercut["absent_held"]) == (0, None, 50, 1.0)
    assert "| leg | 50 | 94.0 | 3.0 | 3.0 | 3.0 | 94.0 |" in report.markdown(run)


def test_intervals_are_held_against_errors_of_their_own_kind_of_picture() -> None:
    """Normal errors, stated exactly: 2 over 0.6745 of each kind, and more where coarse pixels join fine ones."""

    def drawn(pixel_mm: tuple[float, float], std: float) -> tuple[groups.Wanted, Case]:
        sizes = [std * share for share in groups.HALF_NORMAL]
        legs = [Trial(i, "tee", "normal", "leg_left", 6.0, 6.0 + size, 2 * std) for i, size in enumerate(sizes)]
        return groups.Wanted(0, 1, "normal", pixel_mm, (40, 30)), Case(0, "tee", "normal", True, 0, "", tuple(legs))

    (leg,) = groups.coverage([drawn((0.015, 0.025), 0.01), drawn((0.04, 0.06), 0.1)])
    assert leg["interval_ratio"] == pytest.approx(2 / 0.6745, rel=0.01)
    assert leg["exact_ratio"] == pytest.approx(leg["interval_ratio"], rel=0.01)
    assert leg["pooled_ratio"] > 5


def test_intervals_too_wide_or_too_narrow_are_told(run: dict) -> None:
    want = groups.Wanted(0, 1, "normal", (0.025, 0.04), (40, 30))
    run["coverage"] = groups.coverage([(want, covered_case(off=0.031))])
    assert any("interval of leg held the truth in 0.0 % of 50" in line for line in report.shortfalls(run))


def test_intervals_much_wider_than_errors_are_told(run: dict) -> None:
    for item in run["coverage"]:
        item["interval_ratio"] = 3.6
    line = next(line for line in report.shortfalls(run) if "interval / error over 3" in line)
    assert "for 1 of 1 values, in the middle 3.6 (3.0 if each interval was exact)" in line
