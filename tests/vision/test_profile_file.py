"""Profiles from text and array files, sound and hostile."""

import io
import math
import pickle
import re
from pathlib import Path

import numpy as np
import pytest

from core.errors import UnreadableFile
from vision.profile_file import noise_std, profile_from_points, read_profile, smoothed_over


def csv(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "profile.csv"
    path.write_text(text, encoding="utf-8")
    return path


def refused(path: Path) -> str:
    with pytest.raises(UnreadableFile) as error:
        read_profile(path)
    assert "\n" not in str(error.value)
    return str(error.value)


ROWS = "0,0\n1,0.5\n2,1\n3,0.5\n"


@pytest.mark.parametrize(
    "text",
    [
        ROWS,
        "x,z\n" + ROWS,
        "x_mm,z_mm\n" + ROWS,
        "x [mm], z [mm]\n" + ROWS,
        "# a comment\n\nx,z\n" + ROWS.replace("1,0.5\n", "1,0.5 # point\n", 1),
        ROWS.replace(",", ";"),
        ROWS.replace(",", "\t"),
        ROWS.replace(",", "   "),
        "\ufeff" + ROWS.replace("\n", "\r\n"),
        "x_cm,z_cm\n0,0\n.1,.05\n.2,.1\n.3,.05\n",
    ],
)
def test_text_in_its_usual_forms(tmp_path: Path, text: str) -> None:
    profile = read_profile(csv(tmp_path, text)).profile
    assert profile.points_mm == pytest.approx(np.array([[0, 0], [1, 0.5], [2, 1], [3, 0.5]]))
    assert not profile.closed


def test_units_named_in_the_header_win_over_those_given(tmp_path: Path) -> None:
    path = csv(tmp_path, "x_in,z\n" + ROWS)
    assert read_profile(path).profile.points_mm[1] == pytest.approx([25.4, 0.5])
    assert read_profile(path, file_units="in").profile.points_mm[1] == pytest.approx([25.4, 12.7])
    assert read_profile(csv(tmp_path, ROWS), file_units="um").profile.points_mm[2] == pytest.approx([0.002, 0.001])


def test_gaps_are_left_out(tmp_path: Path) -> None:
    profile = read_profile(csv(tmp_path, "0,0\n1,nan\n2,\n,3\nNaN,NaN\n3,1\n4,1\n5,0\n")).profile
    assert profile.points_mm[:, 0].tolist() == [0, 3, 4, 5]


def test_tab_separated_gap_at_the_end_of_a_line(tmp_path: Path) -> None:
    assert len(read_profile(csv(tmp_path, "0\t0\n1\t\n2\t0\n3\t1\n")).profile.points_mm) == 3


def test_array_file(tmp_path: Path) -> None:
    path = tmp_path / "a.npy"
    np.save(path, np.array([[0, 0], [1, 1], [2, np.nan], [3, 1], [4, 0]], np.float32))
    assert read_profile(path).profile.points_mm.tolist() == [[0, 0], [1, 1], [3, 1], [4, 0]]


def test_profile_from_right_to_left_is_turned_round(tmp_path: Path) -> None:
    assert read_profile(csv(tmp_path, "3,0\n2,1\n1,1\n0,0\n")).profile.points_mm[:, 0].tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("repeat_first", [True, False])
def test_closed_outline_is_recognised_and_runs_counter_clockwise(direction: int, repeat_first: bool) -> None:
    angle = np.linspace(0, 2 * np.pi, 200, endpoint=repeat_first)[::direction]
    profile = profile_from_points(np.column_stack([10 * np.cos(angle), 5 * np.sin(angle)]))
    assert profile.closed
    x, y = profile.points_mm.T
    assert 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) == pytest.approx(np.pi * 50, rel=1e-3)


@pytest.mark.parametrize("std_mm", [0.005, 0.02, 0.08])
def test_scatter_is_estimated_from_second_differences(std_mm: float) -> None:
    """White noise of known size on a tee-shaped surface with a corner."""
    x = np.linspace(-20, 20, 1600)
    surface = np.column_stack([x, np.abs(x) + np.where(np.abs(x) < 6, 2, 0)])
    noisy = surface + np.random.default_rng(3).normal(0, std_mm, surface.shape)
    assert noise_std(noisy[np.argsort(x)]) == pytest.approx(std_mm, rel=0.25)


def test_scatter_of_an_exact_curve_is_not_zero() -> None:
    x = np.linspace(0, 10, 100)
    assert noise_std(np.column_stack([x, 0 * x])) > 0


def test_bad_text(tmp_path: Path) -> None:
    assert "3 columns" in refused(csv(tmp_path, "0,0,0\n1,1,1\n2,2,2\n"))
    assert "line 3" in refused(csv(tmp_path, "x,z\n0,0\n1,zwei\n2,2\n"))
    assert "at least 3 points" in refused(csv(tmp_path, "x,z\n0,0\n1,1\n"))
    assert "at least 3 points" in refused(csv(tmp_path, "# nothing\n"))
    assert "empty" in refused(csv(tmp_path, ""))
    assert "not known" in refused(csv(tmp_path, "x_bananas,z\n" + ROWS))
    assert "unit of length" in refused(csv(tmp_path, "x_kg,z\n" + ROWS))
    assert "pixels" in refused(csv(tmp_path, "x_px,z_px\n" + ROWS))
    assert "toeline scan" in refused(csv(tmp_path, "x,y,z\n0,0,0\n1,1,1\n2,2,2\n"))
    assert "4 columns" in refused(csv(tmp_path, "0,0,1,5\n1,0,2,5\n"))
    assert "kilometre" in refused(csv(tmp_path, "0,0\n1,1e30\n2,0\n"))
    assert "line 2" in refused(csv(tmp_path, "0,0\nx,z\n1,1\n2,0\n"))
    assert "different points" in refused(csv(tmp_path, "1,1\n1,1\n1,1\n"))


def test_binary_as_text(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(bytes(range(256)) * 4)
    assert "not a text file" in refused(path)
    path.write_bytes(b"0,0\0\n1,1\n")
    assert "not a text file" in refused(path)


def test_other_suffix_missing_and_folder(tmp_path: Path) -> None:
    other = tmp_path / "a.doc"
    other.write_text(ROWS)
    assert ".csv or .npy" in refused(other)
    assert "no such file" in refused(tmp_path / "none.csv")
    assert "folder" in refused(tmp_path)


class Trap:
    """An object that would run code when unpickled."""

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return (pytest.fail, ("a pickle was loaded",))


def test_bad_arrays(tmp_path: Path) -> None:
    path = tmp_path / "a.npy"
    for array, hint in (
        (np.zeros((5, 3)), "toeline scan"),
        (np.zeros((5, 4)), "shape"),
        (np.zeros(5), "shape"),
        (np.zeros((5, 2), complex), "real numbers"),
        (np.array([["a", "b"]] * 4), "real numbers"),
    ):
        np.save(path, array)
        assert hint in refused(path)
    np.save(path, np.array([[Trap(), 1]] * 3, dtype=object), allow_pickle=True)
    assert "not a NumPy array" in refused(path)
    path.write_bytes(pickle.dumps(Trap()))
    assert "not a NumPy array" in refused(path)
    buffer = io.BytesIO()
    np.save(buffer, np.zeros((500, 2)))
    path.write_bytes(buffer.getvalue()[:300])
    assert "not a NumPy array" in refused(path)
    path.write_bytes(buffer.getvalue().replace(b"(500, 2)", b"(9**9,2)"))
    refused(path)


@pytest.mark.parametrize("over", [3, 5, 7])
def test_points_that_a_device_averaged_are_told(over: int) -> None:
    """The mean of five neighbours scatters less against the next mean than it is off: sqrt(1/5) of a single point's."""
    rng = np.random.default_rng(over)
    x = np.arange(0.0, 40.0, 0.05)
    fine = np.where(x < 20, 0.0, 0.7 * (x - 20)) + rng.normal(0, 0.02, len(x))
    mean = np.convolve(np.pad(fine, over // 2, mode="edge"), np.ones(over) / over, mode="valid")
    found, std = smoothed_over(np.column_stack([x, mean]))
    assert abs(found - over) <= 1
    assert std == pytest.approx(0.02 / math.sqrt(over), rel=0.25)
    assert smoothed_over(np.column_stack([x, fine]))[0] == 1


def test_the_user_is_told_that_points_were_averaged(tmp_path: Path) -> None:
    """Nothing else in the file says so, and undercuts come out too shallow by it."""
    rng = np.random.default_rng(8)
    x = np.arange(0.0, 40.0, 0.05)
    fine = np.where(x < 20, 0.0, 0.7 * (x - 20)) + rng.normal(0, 0.02, len(x))
    mean = np.convolve(np.pad(fine, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    for heights, told in ((mean, True), (fine, False)):
        path = tmp_path / f"{told}.csv"
        np.savetxt(path, np.column_stack([x, heights]), delimiter=",", fmt="%.4f")
        flags = {flag.code: flag.message for flag in read_profile(path).flags}
        assert ("points_averaged" in flags) is told
        if told:
            assert re.search(r"each over [456] of them", flags["points_averaged"])


def test_a_surface_that_wanders_was_not_averaged() -> None:
    """Rolled and cut surfaces stray over millimetres, and points scatter on their own on top."""
    rng = np.random.default_rng(2)
    x = np.arange(0.0, 60.0, 0.05)
    wander = np.interp(x, np.arange(0.0, 63.0, 3.0), rng.normal(0, 0.03, 21))
    assert smoothed_over(np.column_stack([x, wander + rng.normal(0, 0.01, len(x))]))[0] == 1


def test_a_drawn_profile_was_not_averaged() -> None:
    x = np.linspace(0.0, 40.0, 400)
    for heights in (0.3 * x, np.sqrt(60.0**2 - (x - 20) ** 2)):
        assert smoothed_over(np.column_stack([x, heights]))[0] == 1
