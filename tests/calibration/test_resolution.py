"""Pixel size from metadata: read where it is stated, refused where it cannot be meant."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from PIL import Image

from calibration.resolution import calibrate_resolution
from core.errors import CalibrationRefused, UnreadableFile

GRAY = np.zeros((40, 50), np.uint8)


def pixel_mm(path):
    calibration = calibrate_resolution(path)
    assert [code for code, _ in calibration.flags] == ["scale_from_metadata"]
    assert calibration.relative_std["scale"] > 0
    return calibration.mm_per_px(np.array([10.0, 10.0]))


@pytest.mark.parametrize("suffix", ["png", "jpg", "tif", "bmp"])
def test_scanner_dpi(tmp_path, suffix):
    path = tmp_path / f"scan.{suffix}"
    Image.fromarray(GRAY).save(path, dpi=(600, 600))
    assert pixel_mm(path) == pytest.approx(25.4 / 600, rel=1e-3)


def test_tiff_in_centimetres(tmp_path):
    path = tmp_path / "scan.tif"
    tifffile.imwrite(path, GRAY, resolution=(500.0, 500.0), resolutionunit="CENTIMETER")
    assert pixel_mm(path) == pytest.approx(0.02)


def test_imagej_and_ome(tmp_path):
    path = tmp_path / "micro.tif"
    tifffile.imwrite(path, GRAY, imagej=True, resolution=(0.5, 0.5), metadata={"unit": "um"})
    assert pixel_mm(path) == pytest.approx(0.002)
    path = tmp_path / "micro.ome.tif"
    tifffile.imwrite(
        path,
        GRAY,
        metadata={
            "axes": "YX",
            "PhysicalSizeX": 3.5,
            "PhysicalSizeXUnit": "µm",
            "PhysicalSizeY": 3.5,
            "PhysicalSizeYUnit": "µm",
        },
    )
    assert pixel_mm(path) == pytest.approx(0.0035)


@pytest.mark.parametrize("dpi", [(72, 72), (96, 96), (300, 600), (2, 2)])
@pytest.mark.parametrize("suffix", ["png", "jpg", "tif"])
def test_sizes_that_cannot_be_meant(tmp_path, dpi, suffix):
    path = tmp_path / f"scan.{suffix}"
    Image.fromarray(GRAY).save(path, dpi=dpi)
    with pytest.raises(CalibrationRefused, match=r"ruler or a board"):
        calibrate_resolution(path)


def test_no_size_and_no_unit(tmp_path):
    path = tmp_path / "plain.png"
    Image.fromarray(GRAY).save(path)
    with pytest.raises(CalibrationRefused, match="does not state"):
        calibrate_resolution(path)
    path = tmp_path / "plain.tif"
    tifffile.imwrite(path, GRAY, resolution=(1.0, 1.0), resolutionunit="NONE")
    with pytest.raises(CalibrationRefused, match="does not state"):
        calibrate_resolution(path)


def test_a_camera_states_the_size_of_a_print(tmp_path):
    path = tmp_path / "camera.jpg"
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x829A] = 0.01
    Image.fromarray(GRAY).save(path, dpi=(300, 300), exif=exif)
    with pytest.raises(CalibrationRefused, match="camera"):
        calibrate_resolution(path)


def test_what_is_no_picture(tmp_path):
    for content in (b"", b"II*\x00\xff\xff\xff\xff", b"hello"):
        path = tmp_path / "picture.tif"
        path.write_bytes(content)
        with pytest.raises(UnreadableFile):
            calibrate_resolution(path)
    with pytest.raises(UnreadableFile):
        calibrate_resolution(tmp_path / "missing.png")
