"""X3P files made by hand to the standard's layout (from memory): profiles, surfaces, lists; and hostile ones."""

from __future__ import annotations

import hashlib
import io
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest

from core.errors import UnreadableFile
from vision.cloud_file import is_cloud, read_cloud
from vision.profile_file import read_profile
from vision.x3p import read_x3p

SPACE = "http://www.opengps.eu/2008/ISO5436_2"
HEIGHTS_UM = np.array([[0.0, 10.0, 20.0], [5.0, 15.0, 25.0]])


def axis(tag: str, kind: str, data: str = "D", increment: float = 1.0, offset: float = 0.0) -> str:
    return (
        f"<{tag}><AxisType>{kind}</AxisType><DataType>{data}</DataType><Increment>{increment}</Increment>"
        f"<Offset>{offset}</Offset></{tag}>"
    )


def xml(feature: str, axes: str, record: str) -> str:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><p:ISO5436_2 xmlns:p="{SPACE}"><Record1>'
        "<Revision>ISO5436 - 2000</Revision>"
        f"<FeatureType>{feature}</FeatureType><Axes>{axes}</Axes></Record1><Record3>{record}</Record3>"
        "<Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4></p:ISO5436_2>"
    )


def size(x: int, y: int, z: int = 1) -> str:
    return f"<MatrixDimension><SizeX>{x}</SizeX><SizeY>{y}</SizeY><SizeZ>{z}</SizeZ></MatrixDimension>"


def link(content: bytes, md5: str | None = None, valid: bytes | None = None) -> str:
    own = hashlib.md5(content).hexdigest() if md5 is None else md5
    more = ""
    if valid is not None:
        own_valid = hashlib.md5(valid).hexdigest()
        more = "<ValidPointsLink>bindata/valid.bin</ValidPointsLink>"
        more += f"<MD5ChecksumValidPoints>{own_valid}</MD5ChecksumValidPoints>"
    return (
        f"<DataLink><PointDataLink>bindata/data.bin</PointDataLink>"
        f"<MD5ChecksumPointData>{own}</MD5ChecksumPointData>{more}</DataLink>"
    )


def packed(text: str, **members: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("main.xml", text)
        for name, content in members.items():
            archive.writestr(f"bindata/{name}.bin", content)
    return stream.getvalue()


def surface(data: str = "D", md5: str | None = None, cut: int | None = None) -> bytes:
    """Return a surface of 3 x 2 points, 0.1 mm apart in x and 0.2 mm in y, heights in steps of 1 µm."""
    code = {"D": "d", "F": "f", "L": "i", "I": "h"}[data]
    whole = data in "LI"
    heights = HEIGHTS_UM.ravel() * (1.0 if whole else 1e-6)
    content = struct.pack(f"<6{code}", *(int(h) if whole else h for h in heights))[:cut]
    axes = (
        axis("CX", "I", increment=1e-4)
        + axis("CY", "I", increment=2e-4)
        + axis("CZ", "A", data, 1e-6 if whole else 1.0)
    )
    return packed(xml("SUR", axes, size(3, 2) + link(content, md5)), data=content)


def profile(z_mm: np.ndarray) -> bytes:
    content = struct.pack(f"<{len(z_mm)}d", *(z_mm / 1000))
    axes = axis("CX", "I", increment=5e-5, offset=0.001) + axis("CY", "I") + axis("CZ", "A")
    return packed(xml("PRF", axes, size(len(z_mm), 1) + link(content)), data=content)


def listed() -> bytes:
    axes = axis("CX", "A") + axis("CY", "A") + axis("CZ", "A")
    data = "".join(f"<Datum>{cells}</Datum>" for cells in ("0;0;0.001", "", "0.002;0.003;0.004", "0.01;0;0"))
    return packed(xml("PCL", axes, f"<ListDimension>4</ListDimension><DataList>{data}</DataList>"))


def written(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "a.x3p"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("data", ["D", "F", "L", "I"])
def test_surface_on_a_grid(tmp_path: Path, data: str) -> None:
    path = written(tmp_path, surface(data))
    x, y = np.meshgrid([0.0, 0.1, 0.2], [0.0, 0.2])
    expected = np.column_stack([x.ravel(), y.ravel(), HEIGHTS_UM.ravel() / 1000])
    assert read_cloud(path, file_units="in").points_mm == pytest.approx(expected, abs=1e-9)
    assert is_cloud(path)
    with pytest.raises(UnreadableFile, match="toeline scan"):
        read_profile(path)


def test_profile_in_mm(tmp_path: Path) -> None:
    z = np.array([0.0, 0.1, 0.3, 0.1, 0.0, -0.2])
    path = written(tmp_path, profile(z))
    found = read_profile(path).profile
    assert found.points_mm == pytest.approx(np.column_stack([1.0 + 0.05 * np.arange(6), z]))
    assert not is_cloud(path)
    with pytest.raises(UnreadableFile, match="toeline measure"):
        read_cloud(path)


def test_points_in_a_list(tmp_path: Path) -> None:
    found = read_cloud(written(tmp_path, listed())).points_mm
    assert found == pytest.approx(np.array([[0, 0, 1], [2, 3, 4], [10, 0, 0]]))


def test_all_coordinates_in_the_data_point_by_point(tmp_path: Path) -> None:
    points = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0], [7.0, 8.0, 9.5]])
    content = b"".join(struct.pack("<dfd", *(row / 1000)) for row in points)
    axes = axis("CX", "A") + axis("CY", "A", "F") + axis("CZ", "A")
    data = packed(xml("SUR", axes, size(3, 1) + link(content)), data=content)
    assert read_cloud(written(tmp_path, data)).points_mm == pytest.approx(points, rel=1e-6)


def test_points_that_are_not_valid_are_left_out() -> None:
    content = struct.pack("<6h", *range(6))
    valid = bytes([0b101101])
    axes = axis("CX", "I", increment=1e-3) + axis("CY", "I", increment=1e-3) + axis("CZ", "A", "I", 1e-3)
    data = packed(xml("SUR", axes, size(3, 2) + link(content, valid=valid)), data=content, valid=valid)
    assert read_x3p(data, "a").points_mm[:, 2].tolist() == pytest.approx([0.0, 2.0, 3.0, 5.0])
    nan = struct.pack("<3d", 0.001, float("nan"), 0.002)
    axes = axis("CX", "I", increment=1e-3) + axis("CY", "I") + axis("CZ", "A")
    data = packed(xml("PRF", axes, size(3, 1) + link(nan)), data=nan)
    assert read_x3p(data, "a").points_mm[:, 0].tolist() == pytest.approx([0.0, 2.0])


def refused(data: bytes) -> str:
    with pytest.raises(UnreadableFile) as error:
        read_x3p(data, "a.x3p")
    assert "\n" not in str(error.value)
    assert str(error.value).startswith("a.x3p: ")
    return str(error.value)


def test_entities_are_not_expanded() -> None:
    """Ten levels of tenfold entities would be ten thousand million words."""
    levels = "".join(f'<!ENTITY l{i} "{f"&l{i - 1};" * 10}">' for i in range(1, 10))
    bomb = f'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY l0 "lol">{levels}]><a>&l9;</a>'
    assert "entities" in refused(packed(bomb))
    outside = '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY e SYSTEM "file:///etc/hostname">]><a>&e;</a>'
    assert "entities" in refused(packed(outside))


def test_archives_that_unpack_to_too_much() -> None:
    assert "limit" in refused(packed(" " * (65 << 20)))
    small = surface()
    axes = axis("CX", "I") + axis("CY", "I") + axis("CZ", "A")
    content = bytes(40 << 20)
    assert "limit" in refused(packed(xml("SUR", axes, size(3, 2) + link(content)), data=content))
    assert "limit" in refused(packed(xml("SUR", axes, size(90_000, 90_000) + link(b"")), data=b""))
    # A directory that lies about the size of what it holds.
    at = small.rindex(b"PK\x01\x02")
    assert read_x3p(small, "a").kind == "SUR"
    lied = bytearray(small)
    lied[at + 24 : at + 28] = struct.pack("<I", 7)
    refused(bytes(lied))


def test_damaged_and_other_files() -> None:
    assert "checksum" in refused(surface(md5="0" * 32))
    assert "cut short" in refused(surface(cut=40))
    assert "no ZIP" in refused(b"hello")
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("other.txt", "x")
    assert "main.xml" in refused(stream.getvalue())
    assert "well-formed" in refused(packed("<a><b></a>"))
    assert "FeatureType" in refused(packed("<a></a>"))
    axes = axis("CX", "I") + axis("CY", "I") + axis("CZ", "A")
    assert "'XYZ'" in refused(packed(xml("XYZ", axes, size(1, 1))))
    assert "CZ" in refused(packed(xml("SUR", axis("CX", "I") + axis("CY", "I"), size(1, 1))))
    assert "no heights" in refused(packed(xml("SUR", axes.replace("A</AxisType>", "I</AxisType>"), size(1, 1))))
    assert "unknown type" in refused(packed(xml("SUR", axes.replace(">D<", ">Q<"), size(1, 1))))
    assert "whole numbers" in refused(packed(xml("SUR", axes, size(1, 1).replace(">1<", ">-3<"))))
    assert "not a number" in refused(packed(xml("SUR", axes.replace("1.0", "one"), size(1, 1))))
    assert "lists 0" in refused(packed(xml("SUR", axes, size(2, 1))))
    assert "'bindata/data.bin'" in refused(packed(xml("SUR", axes, size(2, 1) + link(b""))))


def test_damaged_bytes_never_end_in_a_traceback() -> None:
    rng = np.random.default_rng(4)
    for data in (surface(), listed(), profile(np.linspace(0, 1, 20))):
        for _ in range(150):
            bad = bytearray(data)
            for at in rng.integers(0, len(bad), 2):
                bad[at] = rng.integers(0, 256)
            try:
                read_x3p(bytes(bad), "a.x3p")
            except UnreadableFile:
                continue
        for length in range(0, len(data), 11):
            refused(data[:length])
