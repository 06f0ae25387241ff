"""Text as scanners and table programs write it, read alike; what cannot be told is refused."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from core.errors import UnreadableFile
from vision.cloud_file import is_cloud, read_cloud
from vision.profile_file import read_profile

CLOUD = np.array([[1.5, 2.25, -3.75], [0.0, 0.5, 1.0], [10.0, -20.5, 5.5], [4.125, 3.0, 2.0]])
SURFACE = np.array([[-2.5, 0.25], [-1.0, 0.5], [0.5, 0.75], [2.0, 0.5]])


def rows(points: np.ndarray, sign: str, *, comma: bool = False, before: Sequence[str] = (), after: str = "") -> str:
    lines = []
    for number, point in enumerate(points):
        cells = [before[number], *map(str, point.tolist())] if before else list(map(str, point.tolist()))
        line = sign.join(cells)
        lines.append((line.replace(".", ",") if comma else line) + after)
    return "\n".join(lines) + "\n"


CLOUDS = {
    "decimal commas": rows(CLOUD, ";", comma=True),
    "decimal commas and blanks": rows(CLOUD, " ", comma=True),
    "decimal commas and tabs below a header": "X\tY\tZ\n" + rows(CLOUD, "\t", comma=True),
    "brightness last": "x,y,z,intensity\n" + rows(CLOUD, ",", after=",17"),
    "brightness last, no header": rows(CLOUD, ",", after=",17"),
    "number first": "id;x;y;z\n" + rows(CLOUD, ";", before="1234"),
    "normals and words": "x y z nx ny nz class\n" + rows(CLOUD, " ", after=" 0.1 0.2 0.97 steel"),
    "quoted": '"X (mm)","Y (mm)","Z (mm)"\n' + rows(CLOUD, ","),
    "lines above the header": "Device;ABC-1\nDate;2024-05-01\n\nx;y;z\n" + rows(CLOUD, ";"),
    "line of units": "x,y,z\nmm,mm,mm\n" + rows(CLOUD, ","),
    "line of a table program": "sep=;\n" + rows(CLOUD, ";"),
    "number of points": "4\n" + rows(CLOUD, " "),
    "remarks": "// scanner\n% 4 points\n! end\n" + rows(CLOUD, " ").replace("\n", "\n// more\n", 1),
    "header in a remark": "//X Y Z\n" + rows(CLOUD, " "),
    "sign at the end": "x;y;z;\n" + rows(CLOUD, ";", after=";"),
    "words for nothing": rows(CLOUD, ",") + "null,null,null\nNA,NA,NA\n1,2,\n",
    "nothing of a C library": rows(CLOUD, " ") + "-nan(ind) -nan(ind) -nan(ind)\n1.#QNAN 1.#QNAN 1.#QNAN\n",
    "exponents of Fortran": rows(CLOUD, " ") .replace("10.0 ", "1.0D+01 "),
}  # fmt: skip


@pytest.mark.parametrize("kind", CLOUDS)
@pytest.mark.parametrize("suffix", [".csv", ".txt", ".xyz"])
def test_clouds(kind: str, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"cloud{suffix}"
    path.write_text(CLOUDS[kind], encoding="utf-8")
    assert read_cloud(path).points_mm == pytest.approx(CLOUD)
    assert is_cloud(path)


PROFILES = {
    "decimal commas": rows(SURFACE, ";", comma=True),
    "decimal commas and blanks": rows(SURFACE, " ", comma=True),
    "brightness last": "x,z,intensity\n" + rows(SURFACE, ",", after=",17"),
    "number first": "n\tx\tz\n" + rows(SURFACE, "\t", before="1234"),
    "x and y": "X;Y\n" + rows(SURFACE, ";"),
    "other names with units": "Position [mm]\tHeight [mm]\n" + rows(SURFACE, "\t"),
    "lines above": "Sensor;7\n\nx [mm];z [mm]\n" + rows(SURFACE, ";"),
    "same y": rows(np.insert(SURFACE, 1, 12.5, axis=1), ","),
}


@pytest.mark.parametrize("kind", PROFILES)
@pytest.mark.parametrize("suffix", [".csv", ".txt"])
def test_profiles(kind: str, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"profile{suffix}"
    path.write_text(PROFILES[kind], encoding="utf-8")
    assert read_profile(path).profile.points_mm == pytest.approx(SURFACE)


@pytest.mark.parametrize("code", ["utf-16", "latin-1", "utf-8-sig"])
def test_other_codes(code: str, tmp_path: Path) -> None:
    path = tmp_path / "cloud.csv"
    path.write_bytes(("x [µm],y [µm],z [µm]\n" + rows(1000 * CLOUD, ",")).encode(code))
    assert read_cloud(path).points_mm == pytest.approx(CLOUD)


def test_units_of_columns_that_are_not_read_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "cloud.csv"
    path.write_text("x_cm,y_cm,z_cm,I_counts\n" + rows(CLOUD / 10, ",", after=",9"), encoding="utf-8")
    assert read_cloud(path).points_mm == pytest.approx(CLOUD)
    path.write_text("x,y,z\nin,in,in\n" + rows(CLOUD, ","), encoding="utf-8")
    assert read_cloud(path, file_units="m").points_mm == pytest.approx(25.4 * CLOUD)


def test_commas_that_may_be_either_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "cloud.csv"
    path.write_text("1,5,2,25,3,75\n0,5,1,25,2,75\n2,5,3,25,4,75\n", encoding="utf-8")
    with pytest.raises(UnreadableFile, match="decimal ones"):
        read_cloud(path)


@pytest.mark.parametrize("kind", ["rows", "fields", "grid", "normals"])
def test_arrays_of_other_layouts(kind: str, tmp_path: Path) -> None:
    many = np.tile(CLOUD, (5, 1))
    fields = np.array([tuple(point) for point in many], [("X", "f4"), ("Y", "f4"), ("Z", "f4")])
    array = {"rows": many.T, "fields": fields, "grid": many.reshape(4, 5, 3), "normals": np.hstack([many, many])}[kind]
    path = tmp_path / "cloud.npy"
    np.save(path, array)
    assert read_cloud(path).points_mm == pytest.approx(many)
    assert is_cloud(path)


def test_a_picture_of_heights_is_no_cloud(tmp_path: Path) -> None:
    path = tmp_path / "heights.npy"
    np.save(path, np.zeros((200, 300)))
    with pytest.raises(UnreadableFile, match="shape"):
        read_cloud(path)
    assert not is_cloud(path)


def test_a_column_that_numbers_the_points_is_none_of_them(tmp_path: Path) -> None:
    """A profile and a cloud without a header; a row of a grid of heights is not numbered."""
    across = np.arange(20) * 0.25 - 2.0
    surface = np.column_stack([across, 0.5 + 0.1 * across**2])
    path = tmp_path / "numbered.csv"
    path.write_text("\n".join(f"{i},{x},{z}" for i, (x, z) in enumerate(surface.tolist(), start=1)), encoding="utf-8")
    assert not is_cloud(path)
    assert read_profile(path).profile.points_mm == pytest.approx(surface)
    path.write_text("\n".join(f"{i} {x} 1.5 {z}" for i, (x, z) in enumerate(surface.tolist())), encoding="utf-8")
    assert is_cloud(path)
    assert read_cloud(path).points_mm[:, [0, 2]] == pytest.approx(surface)
    path.write_text("\n".join(f"{i} 3 {z}" for i, (_, z) in enumerate(surface.tolist())), encoding="utf-8")
    assert is_cloud(path)


def test_columns_called_by_words(tmp_path: Path) -> None:
    path = tmp_path / "profile.csv"
    lines = [f"{x},{7},{z}" for x, z in SURFACE.tolist()]
    path.write_text("\n".join(["position [mm],quality,height [mm]", *lines]), encoding="utf-8")
    assert read_profile(path).profile.points_mm == pytest.approx(SURFACE)
