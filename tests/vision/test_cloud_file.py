"""Point clouds from files: sound ones of every layout, and bad ones, each refused in one sentence."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from core.errors import UnreadableFile
from vision.cloud_file import is_cloud, read_cloud
from vision.pcd import lzf_unpacked
from vision.profile_file import read_profile

POINTS = np.array([[0.0, 1.0, 2.0], [3.5, -4.25, 5.0], [6.0, 7.0, -8.0], [0.125, 0.25, 0.5]])


def refused(path: Path, **how) -> str:
    with pytest.raises(UnreadableFile) as error:
        read_cloud(path, **how)
    assert "\n" not in str(error.value)
    return str(error.value)


def rows(separator: str = ",", points: np.ndarray = POINTS) -> str:
    return "".join(separator.join(f"{value:.6g}" for value in row) + "\n" for row in points)


def ply(form: str, *, kind: str = "float", extra: bool = False, comment: str = "", count: int | None = None) -> bytes:
    header = f"ply\nformat {form} 1.0\n{comment}element vertex {len(POINTS) if count is None else count}\n"
    if extra:
        header += "property uchar red\n"
    header += "".join(f"property {kind} {axis}\n" for axis in "xyz")
    header += "element face 1\nproperty list uchar int vertex_indices\nend_header\n"
    code = {"float": "f", "double": "d", "int": "i"}[kind]
    if form == "ascii":
        body = "".join(("7 " if extra else "") + " ".join(str(v) for v in row) + "\n" for row in POINTS) + "3 0 1 2\n"
        return (header + body).encode()
    order = "<" if "little" in form else ">"
    body = b"".join((b"\x07" if extra else b"") + struct.pack(order + 3 * code, *row) for row in POINTS)
    return header.encode() + body + b"\x03" + struct.pack(order + "3i", 0, 1, 2)


def lzf_packed(data: bytes) -> bytes:
    """Pack by the published layout of LZF: the longest reference within reach, else literal runs."""
    out, literal, at = bytearray(), bytearray(), 0

    def flush() -> None:
        for start in range(0, len(literal), 32):
            run = literal[start : start + 32]
            out.append(len(run) - 1)
            out.extend(run)
        literal.clear()

    while at < len(data):
        best, back = 0, 0
        for offset in range(1, min(at, 300) + 1):
            length = 0
            while at + length < len(data) and length < 264 and data[at + length] == data[at + length - offset]:
                length += 1
            if length > best:
                best, back = length, offset
        if best < 3:
            literal.append(data[at])
            at += 1
            continue
        flush()
        size, distance = best - 2, back - 1
        if size < 7:
            out.append((size << 5) | (distance >> 8))
        else:
            out.append((7 << 5) | (distance >> 8))
            out.append(size - 7)
        out.append(distance & 255)
        at += best
    flush()
    return bytes(out)


def pcd(how: str, *, count: int | None = None) -> bytes:
    number = len(POINTS) if count is None else count
    header = (
        "# .PCD v0.7\nVERSION 0.7\nFIELDS x normal y z\nSIZE 4 4 4 8\nTYPE F F F F\nCOUNT 1 2 1 1\n"
        f"WIDTH {number}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {number}\nDATA {how}\n"
    ).encode()
    x, y, z = POINTS.T
    if how == "ascii":
        return header + "".join(f"{a} 9 9 {b} {c}\n" for a, b, c in POINTS).encode()
    if how == "binary":
        return header + b"".join(struct.pack("<ffffd", a, 9, 9, b, c) for a, b, c in POINTS)
    body = (
        x.astype("<f4").tobytes()
        + np.full(8, 9, "<f4").tobytes()
        + y.astype("<f4").tobytes()
        + z.astype("<f8").tobytes()
    )
    packed = lzf_packed(body)
    return header + struct.pack("<II", len(packed), len(body)) + packed


def array() -> bytes:
    stream = io.BytesIO()
    np.save(stream, POINTS)
    return stream.getvalue()


SOUND: dict[str, tuple[str, Callable[[], bytes]]] = {
    "csv": (".csv", lambda: rows().encode()),
    "csv with header": (".csv", lambda: ("x,y,z\n" + rows()).encode()),
    "csv with remarks": (".csv", lambda: ("# made up\n\n" + rows(";")).encode()),
    "xyz": (".xyz", lambda: rows(" ").encode()),
    "xyz with colour": (".xyz", lambda: rows(" ").replace("\n", " 10 20 30\n").encode()),
    "npy": (".npy", array),
    "ply text": (".ply", lambda: ply("ascii")),
    "ply little": (".ply", lambda: ply("binary_little_endian", extra=True)),
    "ply big": (".ply", lambda: ply("binary_big_endian", kind="double")),
    "pcd text": (".pcd", lambda: pcd("ascii")),
    "pcd binary": (".pcd", lambda: pcd("binary")),
    "pcd packed": (".pcd", lambda: pcd("binary_compressed")),
}


def written(tmp_path: Path, suffix: str, data: bytes) -> Path:
    path = tmp_path / f"cloud{suffix}"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("kind", SOUND)
def test_every_layout(kind: str, tmp_path: Path) -> None:
    suffix, make = SOUND[kind]
    path = written(tmp_path, suffix, make())
    cloud = read_cloud(path)
    assert cloud.points_mm == pytest.approx(POINTS)
    assert len(cloud.sha256) == 64
    assert is_cloud(path)
    assert read_cloud(path, file_units="in").points_mm == pytest.approx(25.4 * POINTS)
    with pytest.raises(UnreadableFile, match="toeline scan"):
        read_profile(path)


def test_units_that_the_file_names_win(tmp_path: Path) -> None:
    path = written(tmp_path, ".csv", ("x_cm,y_cm,z_um\n" + rows()).encode())
    assert read_cloud(path, file_units="in").points_mm == pytest.approx(POINTS * [10, 10, 0.001])
    path = written(tmp_path, ".ply", ply("ascii", comment="comment units: m\n"))
    assert read_cloud(path, file_units="in").points_mm == pytest.approx(1000 * POINTS)


@pytest.mark.parametrize("header", ["x_px,y_px,z_px\n", "x [px], y [px], z [px]\n"])
def test_pixels_are_no_length(tmp_path: Path, header: str) -> None:
    assert "calibration" in refused(written(tmp_path, ".csv", (header + rows()).encode()))
    assert "calibration" in refused(written(tmp_path, ".xyz", rows(" ").encode()), file_units="px")


def test_points_that_are_no_numbers_are_left_out(tmp_path: Path) -> None:
    text = rows() + "nan,nan,nan\n,1,2\n"
    assert read_cloud(written(tmp_path, ".csv", text.encode())).points_mm == pytest.approx(POINTS)
    assert "0 points" in refused(written(tmp_path, ".csv", b"nan,nan,nan\n" * 5))


def test_another_library_agrees_about_ply(tmp_path: Path) -> None:
    meshio = pytest.importorskip("meshio")
    points = np.random.default_rng(1).normal(size=(200, 3))
    for binary in (True, False):
        path = tmp_path / f"{binary}.ply"
        meshio.write_points_cells(path, points, {"triangle": np.array([[0, 1, 2]])}, binary=binary)
        assert read_cloud(path).points_mm == pytest.approx(points)


@pytest.mark.parametrize("kind", SOUND)
def test_files_cut_short_are_refused_or_lose_points_in_text_only(kind: str, tmp_path: Path) -> None:
    suffix, make = SOUND[kind]
    data = make()
    counted = suffix in (".ply", ".pcd", ".npy")
    faces = 13 if "ply" in kind else 0
    for length in range(1, len(data) - faces - 8, 3):
        path = written(tmp_path, suffix, data[:length])
        with suppress(UnreadableFile):
            cloud = read_cloud(path)
            assert not counted or np.allclose(cloud.points_mm[:3], POINTS[:3])


@pytest.mark.parametrize("kind", SOUND)
def test_damaged_files_never_end_in_a_traceback(kind: str, tmp_path: Path) -> None:
    suffix, make = SOUND[kind]
    data = bytearray(make())
    rng = np.random.default_rng(len(kind))
    for _ in range(120):
        bad = data.copy()
        for at in rng.integers(0, len(bad), 3):
            bad[at] = rng.integers(0, 256)
        with suppress(UnreadableFile):
            read_cloud(written(tmp_path, suffix, bytes(bad)))


def test_counts_that_no_file_could_hold(tmp_path: Path) -> None:
    assert "limit" in refused(written(tmp_path, ".ply", ply("binary_little_endian", count=4_000_000_000)))
    assert "cut short" in refused(written(tmp_path, ".ply", ply("binary_little_endian", count=10_000_000)))
    assert "limit" in refused(written(tmp_path, ".pcd", pcd("binary", count=4_000_000_000)))
    assert "cut short" in refused(written(tmp_path, ".pcd", pcd("binary", count=10_000_000)))
    header = pcd("binary_compressed", count=10_000_000).split(b"binary_compressed\n")[0] + b"binary_compressed\n"
    bomb = struct.pack("<II", 40, 10_000_000 * 24) + b"\x00" * 40
    assert "belong" in refused(written(tmp_path, ".pcd", header + bomb))


def test_packed_text_of_many_kinds() -> None:
    rng = np.random.default_rng(2)
    for data in (b"abc" * 400, bytes(1000), bytes(rng.integers(0, 256, 500, dtype=np.uint8)), b"a", b"xyxyxyxz" * 40):
        packed = lzf_packed(data)
        assert lzf_unpacked(packed, len(data)) == data
        assert lzf_unpacked(packed, len(data) + 1) is None
        assert lzf_unpacked(packed[:-1], len(data)) is None
    assert lzf_unpacked(b"\x20\x05", 3) is None


def test_other_kinds(tmp_path: Path) -> None:
    assert "are read from" in refused(written(tmp_path, ".obj", b"v 0 0 0\n"))
    assert "not a PLY" in refused(written(tmp_path, ".ply", b"\x89PNG\r\n"))
    assert "not a PCD" in refused(written(tmp_path, ".pcd", b"\x89PNG\r\n"))
    assert "no vertices" in refused(written(tmp_path, ".ply", b"ply\nformat ascii 1.0\nelement face 3\nend_header\n"))
    with_list = b"ply\nformat ascii 1.0\nelement vertex 2\nproperty list uchar int i\nend_header\n"
    assert "points alone" in refused(written(tmp_path, ".ply", with_list))
    assert "2 columns" in refused(written(tmp_path, ".csv", b"1,2\n3,4\n5,6\n"))
    assert not is_cloud(written(tmp_path, ".csv", b"1,2\n3,4\n5,6\n"))
    assert not is_cloud(written(tmp_path, ".png", b"1,2,3\n"))
    assert "no such file" in refused(tmp_path / "none.ply")
    assert "kilometre" in refused(written(tmp_path, ".csv", b"0,0,0\n1,1,1\n2,2,1e30\n"))


def test_points_that_stand_for_nothing_are_left_out(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    points = rng.uniform(-20.0, 20.0, (5000, 3))
    points[rng.random(5000) < 0.05] = -9999.0
    points[rng.random(5000) < 0.02] = 0.0
    np.save(tmp_path / "cloud.npy", points)
    kept = read_cloud(tmp_path / "cloud.npy").points_mm
    assert np.abs(kept).max() <= 20.0
    assert np.count_nonzero((kept == 0.0).all(axis=1)) == 0
    assert len(kept) > 4500


def test_points_rounded_coarsely_are_kept(tmp_path: Path) -> None:
    points = np.round(np.random.default_rng(4).uniform(0.0, 30.0, (20_000, 3)) * [1.0, 1.0, 0.0], 1)
    np.save(tmp_path / "cloud.npy", points)
    assert len(read_cloud(tmp_path / "cloud.npy").points_mm) == 20_000
