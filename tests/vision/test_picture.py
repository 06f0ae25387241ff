"""Files made for real, sound and hostile: what is read, and the one sentence for what is not."""

import contextlib
import io
import os
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image

from core.errors import UnreadableFile
from vision.picture import read_bytes, read_colour, read_picture

MARK = 40


@pytest.fixture
def scene() -> np.ndarray:
    """A grey field, a red block in the upper left corner: no rotation or mirror image is like another."""
    picture = np.full((96, 160, 3), 128, np.uint8)
    picture[:24, :MARK] = (250, 20, 30)
    picture[60:, :8] = 10
    return picture


def encode(picture: np.ndarray, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, kind, **options)
    return buffer.getvalue()


def write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def refused(path: Path | str) -> str:
    """Return the sentence with which a file is refused, by both readers alike."""
    with pytest.raises(UnreadableFile) as grey:
        read_picture(path)
    with pytest.raises(UnreadableFile) as colour:
        read_colour(path)
    assert str(grey.value) == str(colour.value)
    assert "\n" not in str(grey.value)
    assert grey.value.exit_status == 3
    return str(grey.value)


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("JPEG", {"quality": 95}),
        ("JPEG", {"quality": 95, "progressive": True}),
        ("PNG", {}),
        ("BMP", {}),
        ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}),
        ("TIFF", {"compression": "jpeg", "quality": 95}),
    ],
)
def test_each_kind_is_read_in_grey_and_in_colour(tmp_path: Path, scene: np.ndarray, kind: str, options: dict) -> None:
    path = write(tmp_path / "a", encode(scene, kind, **options))
    picture = read_picture(path)
    assert (picture.width_px, picture.height_px, picture.kind) == (160, 96, kind.lower())
    assert picture.gray8.dtype == np.uint8
    assert picture.gray8[80, 80] == pytest.approx(128, abs=2)
    assert picture.gray8[10, 10] == pytest.approx(0.299 * 250 + 0.587 * 20 + 0.114 * 30, abs=4)
    assert read_colour(path)[10, 10] == pytest.approx([250, 20, 30], abs=6)


def test_heic_of_a_phone_is_read(tmp_path: Path, scene: np.ndarray) -> None:
    path = tmp_path / "a.heic"
    pillow_heif.from_pillow(Image.fromarray(scene)).save(path, quality=95)
    picture = read_picture(path)
    assert (picture.width_px, picture.height_px, picture.kind) == (160, 96, "heic")
    assert picture.gray8[80, 80] == pytest.approx(128, abs=3)
    assert read_colour(path)[10, 10] == pytest.approx([250, 20, 30], abs=12)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "HEIF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_honoured_alike_in_every_kind(
    tmp_path: Path, scene: np.ndarray, kind: str, orientation: int
) -> None:
    """Oracle: Pillow's own transposition by the Exif tag."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "a"
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    if kind == "TIFF":
        tifffile.imwrite(path, scene, photometric="rgb", extratags=[(274, 3, 1, orientation, True)])
        upright = apply_orientation(scene, orientation)
    else:
        path.write_bytes(encode(scene, kind, exif=exif.tobytes(), quality=95))
        upright = apply_orientation(scene, orientation)
    picture = read_picture(path)
    assert picture.gray8.shape == upright.shape[:2]
    grey = cv2.cvtColor(upright, cv2.COLOR_RGB2GRAY).astype(int)
    assert np.median(np.abs(picture.gray8.astype(int) - grey)) <= 3
    assert np.mean(np.abs(picture.gray8.astype(int) - grey)) < 3
    assert np.mean(np.abs(read_colour(path).astype(int) - upright)) < 4


def apply_orientation(picture: np.ndarray, orientation: int) -> np.ndarray:
    from PIL import ImageOps

    exif = Image.Exif()
    exif[0x0112] = orientation
    image = Image.open(io.BytesIO(encode(picture, "PNG", exif=exif.tobytes())))
    return np.asarray(ImageOps.exif_transpose(image))


@pytest.mark.parametrize("kind", ["jpeg", "heic"])
@pytest.mark.parametrize(("written", "read"), [(26, 26), (0, None), (None, None)])
def test_the_focal_length_that_a_camera_wrote_is_kept(tmp_path, kind, written, read):
    exif = Image.Exif()
    exif[0x0110] = "a camera"
    if written is not None:
        exif.get_ifd(0x8769)[0xA405] = written
    path = tmp_path / f"picture.{kind}"
    picture = np.full((64, 80, 3), 90, np.uint8)
    if kind == "heic":
        pillow_heif.from_pillow(Image.fromarray(picture)).save(path, exif=exif.tobytes())
    else:
        path.write_bytes(encode(picture, "JPEG", exif=exif.tobytes()))
    assert read_picture(path).focal_35_mm == read


def test_sixteen_bits_keep_the_detail_of_a_dark_exposure(tmp_path: Path) -> None:
    """Steps of 8 in 65536 would all become one grey value if the low byte were cut off."""
    ramp = np.tile(np.arange(200, dtype=np.uint16) * 8 + 1000, (64, 1))
    for name, save in (("a.tif", tifffile.imwrite), ("a.png", lambda p, d: cv2.imwrite(str(p), d))):
        save(tmp_path / name, ramp)
        grey = read_picture(tmp_path / name).gray8
        assert grey.dtype == np.uint8
        assert len(np.unique(grey)) > 190
        assert (np.diff(grey[0].astype(int)) >= 0).all()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_white_is_zero_is_turned_over(tmp_path: Path, dtype: type) -> None:
    stored = np.zeros((40, 60), dtype)
    stored[:20] = 200
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="miniswhite")
    grey = read_picture(tmp_path / "a.tif").gray8
    assert grey[2, 2] < grey[30, 2]


def test_transparent_ground_is_white_paper(tmp_path: Path, scene: np.ndarray) -> None:
    with_alpha = np.dstack([scene, np.full(scene.shape[:2], 255, np.uint8)])
    with_alpha[60:, 60:, :] = 0
    path = write(tmp_path / "a.png", encode(with_alpha, "PNG"))
    assert read_picture(path).gray8[80, 80] == 255
    assert read_picture(path).gray8[50, 50] == 128


def test_sha256_is_that_of_the_file(tmp_path: Path, scene: np.ndarray) -> None:
    import hashlib

    path = write(tmp_path / "a.png", encode(scene, "PNG"))
    assert read_picture(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_picture_behind_the_main_one_is_no_harm(tmp_path: Path, scene: np.ndarray) -> None:
    """Phones append a second JPEG or their own data after the end of the first."""
    data = encode(scene, "JPEG")
    assert read_picture(write(tmp_path / "a.jpg", data + b"trailer" + data[: len(data) // 2])).width_px == 160


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "BMP", "TIFF", "HEIF"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.97])
def test_truncated_picture_is_refused(tmp_path: Path, kind: str, share: float) -> None:
    pillow_heif.register_heif_opener()
    noise = np.random.default_rng(1).integers(0, 256, (200, 300, 3), np.uint8)
    data = encode(noise, kind)
    sentence = refused(write(tmp_path / "cut", data[: int(share * len(data))]))
    assert "truncated" in sentence or "damaged" in sentence


def test_damaged_png_is_refused(tmp_path: Path, scene: np.ndarray) -> None:
    data = bytearray(encode(scene, "PNG"))
    data[len(data) // 2] ^= 0xFF
    assert "damaged" in refused(write(tmp_path / "a.png", bytes(data)))


def test_missing_folder_empty_text_and_odd_names(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.jpg")
    assert "folder" in refused(tmp_path)
    assert "empty" in refused(write(tmp_path / "empty.jpg", b""))
    assert "not a picture" in refused(write(tmp_path / "text.jpg", b"x,y\n1,2\n" * 50))
    assert "cannot be read" in refused("a\0b.jpg")
    assert "cannot be read" in refused("x" * 5000)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_file_without_permission(tmp_path: Path, scene: np.ndarray) -> None:
    path = write(tmp_path / "a.png", encode(scene, "PNG"))
    path.chmod(0)
    assert "permission" in refused(path)


def test_device_is_refused_without_reading() -> None:
    assert "not a regular file" in refused("/dev/zero")


def test_huge_file_is_refused_without_reading(tmp_path: Path, processor_s) -> None:
    path = tmp_path / "huge.bmp"
    with path.open("wb") as file:
        file.truncate(5 << 30)
    told = []
    assert processor_s(lambda: told.append(refused(path))) < 0.5
    assert "limit" in told[0]


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int, height: int, body: bytes = b"") -> bytes:
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + png_chunk(b"IDAT", zlib.compress(body)) + png_chunk(b"IEND", b"")


def test_decompression_bomb_is_refused_by_its_declared_size(tmp_path: Path) -> None:
    assert "100 megapixels" in refused(write(tmp_path / "bomb.png", png(60000, 60000, b"\0" * 1_000_000)))
    jpeg = bytearray(encode(np.zeros((16, 16), np.uint8), "JPEG"))
    frame = jpeg.index(b"\xff\xc0")
    jpeg[frame + 5 : frame + 9] = struct.pack(">HH", 65000, 65000)
    assert "100 megapixels" in refused(write(tmp_path / "bomb.jpg", bytes(jpeg)))
    tiff = tmp_path / "bomb.tif"
    tifffile.imwrite(tiff, np.zeros((40, 50), np.uint8))
    with tifffile.TiffFile(tiff, mode="r+b") as file:
        file.pages[0].tags["ImageWidth"].overwrite(60000)
        file.pages[0].tags["ImageLength"].overwrite(60000)
    assert "100 megapixels" in refused(tiff)


def test_picture_without_pixels_is_refused(tmp_path: Path) -> None:
    assert "no pixels" in refused(write(tmp_path / "a.png", png(0, 0)))
    bmp = b"BM" + struct.pack("<IIIIiiHHI", 54, 0, 54, 40, 0, 0, 1, 24, 0) + b"\0" * 20
    assert "no pixels" in refused(write(tmp_path / "a.bmp", bmp))


def test_cmyk_is_refused(tmp_path: Path, scene: np.ndarray) -> None:
    for kind in ("JPEG", "TIFF"):
        buffer = io.BytesIO()
        Image.fromarray(scene).convert("CMYK").save(buffer, kind)
        assert "CMYK" in refused(write(tmp_path / kind, buffer.getvalue()))


def test_several_pages_or_frames_are_refused(tmp_path: Path, scene: np.ndarray) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((3, 40, 50), np.uint8), photometric="minisblack")
    assert "3 pages" in refused(tmp_path / "a.tif")
    first, second = Image.fromarray(scene), Image.fromarray(255 - scene)
    for kind in ("GIF", "PNG", "WEBP"):
        buffer = io.BytesIO()
        first.save(buffer, kind, save_all=True, append_images=[second], duration=100)
        assert "animated" in refused(write(tmp_path / kind, buffer.getvalue()))


def test_still_gif_and_webp_name_the_kinds_to_use(tmp_path: Path, scene: np.ndarray) -> None:
    for kind in ("GIF", "WEBP"):
        assert "JPEG, PNG, TIFF, BMP or HEIC" in refused(write(tmp_path / kind, encode(scene, kind)))


def test_smaller_copy_in_a_tiff_is_no_second_page(tmp_path: Path, scene: np.ndarray) -> None:
    with tifffile.TiffWriter(tmp_path / "a.tif") as file:
        file.write(scene, photometric="rgb")
        file.write(scene[::4, ::4], photometric="rgb", subfiletype=1)
    assert read_picture(tmp_path / "a.tif").width_px == 160


def test_black_and_white_scan_is_read(tmp_path: Path) -> None:
    bits = np.zeros((40, 64), bool)
    bits[:20] = True
    Image.fromarray(bits).save(tmp_path / "a.tif")
    grey = read_picture(tmp_path / "a.tif").gray8
    assert (grey[5, 5], grey[30, 5]) == (255, 0)


@pytest.mark.parametrize("seed", range(40))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "BMP", "TIFF"])
def test_random_damage_is_a_picture_or_a_sentence(tmp_path: Path, scene: np.ndarray, kind: str, seed: int) -> None:
    """Whatever a broken disk does to the bytes, nothing but UnreadableFile may come out."""
    rng = np.random.default_rng(seed)
    data = bytearray(encode(scene, kind))
    for at in rng.integers(0, min(len(data), 400 if seed % 2 else len(data)), 6):
        data[at] = rng.integers(0, 256)
    path = write(tmp_path / "a", bytes(data))
    with contextlib.suppress(UnreadableFile):
        assert read_picture(path).gray8.ndim == 2


def test_reading_costs_little_more_than_decoding(tmp_path: Path, processor_s) -> None:
    noise = np.random.default_rng(0).integers(0, 256, (750, 1000, 3), np.uint8)
    large = cv2.GaussianBlur(cv2.resize(noise, (4000, 3000)), (0, 0), 1.0)
    path = str(tmp_path / "a.jpg")
    cv2.imwrite(path, large)
    # Taken in turns, so that a slow spell of the machine meets both.
    reading, decoding = np.array(
        [
            (processor_s(lambda: read_picture(path)), processor_s(lambda: cv2.imread(path, cv2.IMREAD_GRAYSCALE)))
            for _ in range(7)
        ]
    ).T
    assert reading.min() < 1.5 * decoding.min()


def test_bytes_are_read_whole(tmp_path: Path) -> None:
    assert read_bytes(write(tmp_path / "a", b"abc")) == b"abc"
