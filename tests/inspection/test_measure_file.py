"""The whole way for one file, on the sample pictures, against what was drawn into them."""

import functools
import itertools
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.board import Board, calibrate_board
from calibration.model import Calibration
from calibration.ruler import calibrate_ruler
from core.errors import UsageError
from inspection.document import document
from inspection.picture import inspect_file, measure_file
from inspection.schema import ResultDocument
from inspection.settings import Settings, parse_region
from vision.marks import WeldMarks
from vision.picture import read_picture

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
TRUTH = json.loads((SAMPLES / "truth.json").read_text())


@functools.cache
def calibration_of(name: str) -> Calibration:
    gray = read_picture(SAMPLES / f"{name}.jpg").gray8
    if name == "double_tee":
        return calibrate_board(gray, Board("charuco", 8, 3, 2.5))
    if name == "butt":
        return calibrate_board(gray, Board("chessboard", 8, 3, 3.0))
    return calibrate_ruler(gray, 1.0)


def sample_entry(name: str, **settings: object) -> dict:
    path = SAMPLES / f"{name}.jpg"
    return inspect_file(path, Settings(**settings), calibration_of(name)).entry  # type: ignore[arg-type]


FLOORS = {"mm": (0.06, 0.01), "deg": (0.4, 0.0), "mm2": (0.5, 0.02)}


@pytest.mark.parametrize("name", ["tee", "double_tee", "butt", "groove"])
def test_sample_is_measured_as_it_was_drawn(name: str) -> None:
    """Without any help; toe angles and radii have their own, wider tests beside their code."""
    entry = sample_entry(name)
    ResultDocument.model_validate(document([entry]))
    assert entry["error"] is None
    assert len(entry["welds"]) == len(TRUTH[name])
    for number, (weld, truth) in enumerate(zip(entry["welds"], TRUTH[name], strict=True), start=1):
        assert weld["id"] == str(number)
        assert weld["joint"] == name.removeprefix("double_")
        assert weld["review"] == {"state": "unconfirmed"}
        for quantity, value in truth.items():
            if quantity.startswith(("toe_angle", "toe_radius", "overlap")):
                continue
            item = weld["measurements"][quantity]
            absolute, relative = FLOORS[item["unit"]]
            assert item["value"] == pytest.approx(value, abs=max(absolute, relative * abs(value))), quantity
            assert item["expanded_uncertainty"] > 0
            assert item["coverage_factor"] == 2.0


def test_points_stand_in_both_frames() -> None:
    entry = sample_entry("tee")
    weld = entry["welds"][0]
    assert set(weld["points_px"]) >= {"root", "toe_left", "toe_right"}
    root, toe = (np.array(weld["points_mm"][name]) for name in ("root", "toe_left"))
    assert np.hypot(*(toe - root)) == pytest.approx(weld["measurements"]["leg_left"]["value"], abs=1e-4)
    root_px, toe_px = (np.array(weld["points_px"][name]) for name in ("root", "toe_left"))
    assert np.hypot(*(toe_px - root_px)) * entry["calibration"]["mm_per_px"] == pytest.approx(
        weld["measurements"]["leg_left"]["value"], rel=0.01
    )


def test_entry_names_source_and_calibration() -> None:
    entry = sample_entry("tee", operator="A. Person")
    assert entry["source"]["kind"] == "macro"
    assert entry["source"]["sha256"] == read_picture(SAMPLES / "tee.jpg").sha256
    assert (entry["source"]["width_px"], entry["source"]["height_px"]) == (3000, 2250)
    assert entry["calibration"]["kind"] == "ruler"
    assert entry["calibration"]["mm_per_px"] == pytest.approx(0.028, rel=0.002)
    assert 0 < entry["calibration"]["relative_standard_uncertainty"] < 0.01
    assert entry["settings"]["operator"] == "A. Person"


def test_scale_as_given_is_flagged() -> None:
    weld = measure_file(SAMPLES / "tee.jpg", Settings(scale_mm_per_px=0.028))["welds"][0]
    assert [flag["code"] for flag in weld["flags"]].count("scale_as_given") == 1
    assert weld["measurements"]["leg_left"]["value"] == pytest.approx(6.4, abs=0.06)


def test_thickness_that_contradicts_the_plate_is_flagged() -> None:
    wrong = sample_entry("butt", thickness_mm=12.0)["welds"][0]["flags"]
    assert [flag["code"] for flag in wrong].count("thickness_differs") == 2
    right = sample_entry("butt", thickness_mm=10.0)["welds"][0]["flags"]
    assert "thickness_differs" not in [flag["code"] for flag in right]


def test_marked_toe_is_taken_at_its_word_and_flagged() -> None:
    plain = measure_file(SAMPLES / "tee.jpg", Settings(scale_mm_per_px=0.028))["welds"][0]
    toe = np.array(plain["points_px"]["toe_left"])
    root = np.array(plain["points_px"]["root"])
    moved = tuple(float(value) for value in toe + 20 * (toe - root) / np.hypot(*(toe - root)))
    settings = Settings(scale_mm_per_px=0.028, marks=(WeldMarks(toe_left=moved),))  # type: ignore[arg-type]
    weld = measure_file(SAMPLES / "tee.jpg", settings)["welds"][0]
    assert weld["points_px"]["toe_left"] == pytest.approx(moved, abs=2.0)
    assert any("mark" in flag["code"] for flag in weld["flags"])
    change = weld["measurements"]["leg_left"]["value"] - plain["measurements"]["leg_left"]["value"]
    assert change == pytest.approx(20 * 0.028, abs=0.06)


def test_region_leaves_out_what_lies_beside_it() -> None:
    both = measure_file(SAMPLES / "double_tee.jpg", Settings(scale_mm_per_px=0.028))
    assert len(both["welds"]) == 2
    x = [weld["points_px"]["root"][0] for weld in both["welds"]]
    assert x[0] < x[1]
    middle = int(sum(x) / 2)
    settings = Settings(scale_mm_per_px=0.028, region=(middle, 0, 3000 - middle, 1700))
    (right,) = measure_file(SAMPLES / "double_tee.jpg", settings)["welds"]
    assert right["points_px"]["root"] == pytest.approx(both["welds"][1]["points_px"]["root"], abs=2.0)


@pytest.mark.parametrize(
    ("content", "code"),
    [(b"", "unreadable_file"), (b"no picture" * 20, "unreadable_file"), (None, "unreadable_file")],
)
def test_bad_file_becomes_its_entry(tmp_path: Path, content: bytes | None, code: str) -> None:
    path = tmp_path / "a.jpg"
    if content is not None:
        path.write_bytes(content)
    entry = measure_file(path, Settings(scale_mm_per_px=0.03))
    ResultDocument.model_validate(document([entry]))
    assert entry["welds"] == []
    assert entry["error"]["code"] == code
    assert "a.jpg" in entry["error"]["message"]


def test_picture_without_a_weld_measures_nothing(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).integers(90, 110, (600, 800), np.uint8)
    cv2.imwrite(str(tmp_path / "a.png"), noise)
    entry = measure_file(tmp_path / "a.png", Settings(scale_mm_per_px=0.03))
    ResultDocument.model_validate(document([entry]))
    assert entry["welds"] == []
    assert entry["error"]["code"] == "nothing_measurable"


def fillet_csv(path: Path, leg_mm: float, unit: str = "mm") -> Path:
    """Write a square inside corner with a flat 45 degree fillet as a profile."""
    arms = [(-20 / 2**0.5, 20 / 2**0.5), (-leg_mm / 2**0.5, leg_mm / 2**0.5)]
    corners = np.array([*arms, (leg_mm / 2**0.5, leg_mm / 2**0.5), (20 / 2**0.5, 20 / 2**0.5)])
    pieces = [np.linspace(a, b, 400, endpoint=False) for a, b in itertools.pairwise(corners)]
    points = np.concatenate([*pieces, corners[-1:]]) + np.random.default_rng(2).normal(0, 0.004, (1201, 2))
    factor = {"mm": 1.0, "in": 1 / 25.4}[unit]
    rows = "\n".join(f"{x * factor:.6f},{z * factor:.6f}" for x, z in points)
    path.write_text(f"x_{unit},z_{unit}\n{rows}\n")
    return path


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_profile_file_needs_no_scale(tmp_path: Path, unit: str) -> None:
    """A flat fillet of legs z has throat z / sqrt(2) and face z * sqrt(2): plane geometry."""
    entry = measure_file(fillet_csv(tmp_path / "a.csv", 6.0, unit), Settings())
    ResultDocument.model_validate(document([entry]))
    assert entry["error"] is None
    assert entry["calibration"] is None
    assert entry["source"]["kind"] == "profile"
    (weld,) = entry["welds"]
    for name, value in (("leg_left", 6.0), ("leg_right", 6.0), ("throat", 6 / 2**0.5), ("face_width", 6 * 2**0.5)):
        assert weld["measurements"][name]["value"] == pytest.approx(value, abs=0.06), name
    assert weld["measurements"]["joint_angle"]["value"] == pytest.approx(90, abs=0.3)


def test_wrong_use_stops_the_call(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="needs a scale"):
        measure_file(SAMPLES / "tee.jpg", Settings())
    with pytest.raises(UsageError, match="one scale"):
        Settings(scale_mm_per_px=0.1, scale_from_metadata=True)
    with pytest.raises(UsageError, match="laser"):
        Settings(source="laser")
    with pytest.raises(UsageError, match="--region"):
        Settings(region=(0, 0, 0, 10))
    with pytest.raises(UsageError, match="pixels of a picture"):
        measure_file(fillet_csv(tmp_path / "a.csv", 6.0), Settings(region=(0, 0, 10, 10)))


@pytest.mark.parametrize("text", ["", "1,2,3", "1,2,3,4,5", "a,b,c,d", "1.5,2,3,4"])
def test_region_that_is_no_region(text: str) -> None:
    with pytest.raises(UsageError, match="X,Y,W,H"):
        parse_region(text)


@pytest.mark.parametrize("change", ["half", "cropped"])
def test_a_picture_of_another_size_than_the_calibrated_one_is_refused(tmp_path: Path, change: str) -> None:
    """Made half as large, every length would be told half as long."""
    picture = cv2.imread(str(SAMPLES / "tee.jpg"))
    other = cv2.resize(picture, None, fx=0.5, fy=0.5) if change == "half" else picture[:, 100:]
    path = tmp_path / "other.png"
    cv2.imwrite(str(path), other)
    entry = inspect_file(path, Settings(joint="tee"), calibration_of("tee")).entry
    assert entry["welds"] == []
    assert "3000 x 2250" in entry["error"]["message"]
