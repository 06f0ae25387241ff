"""Points moved in an opened picture: what moves, what follows, what is refused, how long it takes."""

import copy
import functools
import math
from pathlib import Path

import numpy as np
import pytest

from core.errors import NothingMeasurable, ToelineError, UnreadableFile, UsageError
from inspection.picture import measure_file
from inspection.session import Session, open_session
from inspection.settings import Settings

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
MM_PER_PX = {"tee": 0.028, "butt": 0.027, "groove": 0.028, "double_tee": 0.028}


@functools.cache
def opened(name: str) -> tuple[dict, Session]:
    entry = measure_file(SAMPLES / f"{name}.jpg", Settings(scale_mm_per_px=MM_PER_PX[name]))
    return entry, open_session(entry, folder=Path("/"))


@pytest.fixture(scope="module")
def tee() -> Session:
    return opened("tee")[1]


@pytest.fixture(scope="module")
def butt() -> Session:
    return opened("butt")[1]


@pytest.fixture(scope="module")
def groove() -> Session:
    return opened("groove")[1]


def both(session: Session, moves: dict) -> tuple:
    """Return the first weld and its entry with points moved."""
    again = session.measure(0, moves)
    return again.weld, again.entry


def value(entry: dict, name: str) -> float:
    return entry["measurements"][name]["value"]


@pytest.mark.parametrize("name", MM_PER_PX)
def test_without_moves_the_entry_is_that_of_the_result(name: str) -> None:
    entry, session = opened(name)
    assert [session.measure(i, {}).entry for i in range(len(session.welds))] == entry["welds"]


def test_a_toe_moved_along_its_plate_lengthens_the_leg_by_as_much(tee: Session) -> None:
    found, before = both(tee, {})
    root, toe = (np.array(found.points_px[name]) for name in ("root", "toe_right"))
    step = 10.0 * (toe - root) / np.hypot(*(toe - root))
    _, after = both(tee, {"toe_right": (tuple(toe + step),)})
    assert value(after, "leg_right") - value(before, "leg_right") == pytest.approx(10 * 0.028, abs=2e-3)
    assert value(after, "leg_left") == pytest.approx(value(before, "leg_left"), abs=1e-6)
    assert "marked_by_person" in {flag["code"] for flag in after["flags"]}
    assert "marked_by_person" not in {flag["code"] for flag in before["flags"]}


def test_plates_moved_in_parallel_take_the_root_along(tee: Session) -> None:
    found = tee.measure(0, {}).weld
    handles = tee.handles(0, {}, found)
    shift = np.array([7.0, -4.0])
    moves = {name: tuple(map(tuple, np.array(handles[name]) + shift)) for name in ("plate_left", "plate_right")}
    moved = tee.measure(0, moves).weld
    assert tee.handles(0, moves, moved)["root"][0] == pytest.approx(np.array(handles["root"][0]) + shift, abs=1e-6)


def test_plate_line_turned_about_its_root_turns_the_joint_angle(tee: Session) -> None:
    found, before = both(tee, {})
    root = np.array(found.points_px["root"])
    ends = np.array(tee.handles(0, {}, found)["plate_right"]) - root
    turn = math.radians(2.0)
    turned = ends @ np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]]) + root
    _, after = both(tee, {"plate_right": tuple(map(tuple, turned))})
    assert abs(value(after, "joint_angle") - value(before, "joint_angle")) == pytest.approx(2.0, abs=0.15)


def test_root_side_of_a_butt_weld_moves_as_its_face_does(butt: Session) -> None:
    found, before = both(butt, {})
    handles = butt.handles(0, {}, found)
    left, right = (np.array(handles[name][0]) for name in ("root_toe_left", "root_toe_right"))
    out = (right - left) / np.hypot(*(right - left))
    _, after = both(butt, {"root_toe_right": (tuple(right + 20 * out),)})
    assert value(after, "root_width") - value(before, "root_width") == pytest.approx(20 * 0.027, abs=5e-3)
    assert value(after, "cap_width") == value(before, "cap_width")
    assert any(flag["message"].startswith("root side: given by a person") for flag in after["flags"])


def test_root_edge_of_a_groove_opens_the_gap(groove: Session) -> None:
    found, before = both(groove, {})
    handles = groove.handles(0, {}, found)
    left, right = (np.array(handles[name][0]) for name in ("root_edge_left", "root_edge_right"))
    along = np.array(handles["plate_left"][0]) - np.array(handles["plate_left"][1])
    step = 15.0 * along / np.hypot(*along)
    assert step @ (right - left) > 0
    moved, after = both(groove, {"root_edge_right": (tuple(right + step),)})
    assert value(after, "root_gap") - value(before, "root_gap") == pytest.approx(15 * 0.028, abs=2e-3)
    assert value(after, "thickness_right") == pytest.approx(value(before, "thickness_right"), abs=0.02)
    assert moved.points_px["land_bottom_right"] == pytest.approx(tuple(right + step), abs=1e-6)


@pytest.mark.parametrize(
    ("moves", "what"),
    [
        ([], "object"),
        ({"cap": [1, 2]}, "cannot be moved"),
        ({"root": [1, 2]}, "cannot be moved"),
        ({"toe_left": [1]}, "must be a point"),
        ({"toe_left": [1, "2"]}, "must be a point"),
        ({"toe_left": [True, 2]}, "must be a point"),
        ({"toe_left": [float("nan"), 2]}, "must be a point"),
        ({"toe_left": [float("inf"), 2]}, "must be a point"),
        ({"toe_left": [1e300, 2]}, "outside the picture"),
        ({"toe_left": [-3, 2]}, "outside the picture"),
        ({"toe_left": [10, 2250]}, "outside the picture"),
        ({"plate_left": [1, 2]}, "must be a point"),
        ({"plate_left": [[1, 2]]}, "two points"),
        ({"plate_left": [[1, 2], [1, 2.5]]}, "no line"),
        ({"plate_left": {"x": 1}}, "two points"),
    ],
)
def test_points_from_outside_are_checked(tee: Session, moves: object, what: str) -> None:
    with pytest.raises(UsageError, match=what):
        tee.moves(0, moves)


def test_toes_that_changed_sides_are_refused(tee: Session) -> None:
    points = tee.measure(0, {}).weld.points_px
    with pytest.raises(NothingMeasurable, match="changed sides"):
        tee.measure(0, {"toe_left": (points["toe_right"],), "toe_right": (points["toe_left"],)})


def test_parallel_plate_lines_are_refused(tee: Session) -> None:
    handles = tee.handles(0, {}, tee.measure(0, {}).weld)
    first = np.array(handles["plate_right"])
    with pytest.raises(NothingMeasurable, match="do not meet"):
        tee.measure(0, {"plate_left": tuple(map(tuple, first - [0, 30]))})


def test_a_toe_off_the_metal_is_told_of(tee: Session) -> None:
    toe = np.array(tee.measure(0, {}).weld.points_px["toe_left"])
    _, entry = both(tee, {"toe_left": (tuple(toe + np.array([60.0, -60.0])),)})
    assert "mark_off_outline" in {flag["code"] for flag in entry["flags"]}


@pytest.mark.parametrize("name", MM_PER_PX)
def test_any_points_in_the_picture_give_values_or_a_sentence(name: str) -> None:
    _, session = opened(name)
    rng = np.random.default_rng(3)
    base = session.handles(0, {}, session.measure(0, {}).weld)
    base.pop("root", None)
    refused: list[str] = []
    measured: list[set[str]] = []
    for _ in range(60):
        reach = 10.0 ** rng.uniform(0, 3.5)
        chosen = [key for key in base if rng.random() < 0.5]
        raw = {key: (np.array(base[key]) + rng.normal(0, reach, np.shape(base[key]))).tolist() for key in chosen}
        given = {key: (points if "plate" in key else points[0]) for key, points in raw.items()}
        try:
            _, entry = both(session, session.moves(0, given))
        except ToelineError as error:
            refused.append(str(error))
        else:
            measured.append({item["state"] for item in entry["measurements"].values()})
    assert all(sentence.endswith(".") for sentence in refused)
    assert all(states <= {"measured", "not_measurable"} for states in measured)
    assert len(refused) > 3
    assert len(measured) > 3


def test_measuring_again_takes_well_under_150_ms(tee: Session, processor_s) -> None:
    """The bound of the page on a picture of 7 megapixels; the size of the picture has no part in it."""
    found = tee.measure(0, {}).weld
    x, y = found.points_px["toe_right"]
    times = [
        processor_s(lambda step=step: tee.measure(0, tee.moves(0, {"toe_right": [x + step, y]}))) for step in range(10)
    ]
    assert sorted(times)[len(times) // 2] < 0.150


def test_a_picture_that_changed_or_left_is_told_of(tmp_path: Path) -> None:
    picture = tmp_path / "tee.jpg"
    picture.write_bytes((SAMPLES / "tee.jpg").read_bytes())
    entry = measure_file(picture, Settings(scale_mm_per_px=0.028))
    picture.write_bytes((SAMPLES / "butt.jpg").read_bytes())
    with pytest.raises(UnreadableFile, match="no longer the file"):
        open_session(entry, folder=tmp_path)
    picture.unlink()
    with pytest.raises(UnreadableFile, match="neither there"):
        open_session(entry, folder=tmp_path)


def test_other_welds_than_in_the_result_are_told_of() -> None:
    entry = copy.deepcopy(opened("tee")[0])
    entry["welds"][0]["points_px"]["toe_left"][0] += 5.0
    with pytest.raises(NothingMeasurable, match="other welds"):
        open_session(entry, folder=Path("/"))


def test_a_profile_is_laid_on_a_sheet_of_paper(tmp_path: Path) -> None:
    x = np.linspace(-20, 20, 801)
    cap = 2.0 * np.sqrt(np.clip(1 - (x / 6.0) ** 2, 0, None))
    path = tmp_path / "butt.csv"
    rows = "\n".join(f"{a:.4f},{b:.5f}" for a, b in zip(x, cap, strict=True))
    path.write_text("x_mm,z_mm\n" + rows)
    entry = measure_file(path, Settings(joint="butt"))
    session = open_session(entry, folder=tmp_path)
    assert session.picture is None
    found, before = both(session, {})
    handles = session.handles(0, {}, found)
    (left,), (right,) = handles["toe_left"], handles["toe_right"]
    assert 0 < left[0] < right[0] < session.width_px
    assert all(0 < y < session.height_px for _, y in (left, right))
    mm_per_px = session.frame.mm_per_px(np.array(left))
    _, after = both(session, {"toe_right": ((right[0] + 10, right[1]),)})
    assert value(after, "cap_width") - value(before, "cap_width") == pytest.approx(10 * mm_per_px, rel=0.02)
