"""Frames from folders, TIFF pages and videos, one by one; broken ones are entries with their error."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tifffile

from core.errors import UnreadableFile
from vision.frames import frame_files, frame_kind, iterate_frames, read_frame


def picture(level, shape=(64, 80), dtype=np.uint8):
    result = np.full(shape, 10, dtype)
    result[30:34] = level
    return result


def test_folder_in_the_order_a_person_counts(tmp_path):
    for number in (10, 2, 1):
        cv2.imwrite(str(tmp_path / f"frame{number}.png"), picture(100 + number))
    (tmp_path / "frame3.png").write_bytes(b"\x89PNG\r\n\x1a\nnothing")
    (tmp_path / "notes.txt").write_text("no picture")
    frames = list(iterate_frames(tmp_path))
    assert [frame.name for frame in frames] == ["frame1.png", "frame2.png", "frame3.png", "frame10.png"]
    assert [None if f.pixels is None else int(f.pixels[31, 5]) for f in frames] == [101, 102, None, 110]
    assert "truncated" in str(frames[2].error)
    assert frames[0].error is None
    assert len(frames[0].sha256) == 64


def test_pages_of_a_tiff_keep_their_depth_and_colours(tmp_path):
    deep = tmp_path / "deep.tif"
    tifffile.imwrite(deep, np.stack([picture(40000, dtype=np.uint16), picture(50000, dtype=np.uint16)]))
    frames = list(iterate_frames(deep))
    assert [frame.name for frame in frames] == ["deep.tif page 1", "deep.tif page 2"]
    assert [int(frame.pixels[31, 5]) for frame in frames] == [40000, 50000]
    with pytest.raises(UnreadableFile, match="several pages"):
        read_frame(deep)
    colour = np.zeros((64, 80, 3), np.uint8)
    colour[..., 0] = 200
    tifffile.imwrite(tmp_path / "red.tif", colour, photometric="rgb")
    assert read_frame(tmp_path / "red.tif").pixels[5, 5].tolist() == [0, 0, 200]


@pytest.mark.parametrize(("name", "coding"), [("seam.avi", "MJPG"), ("seam.mp4", "mp4v")])
def test_video_frame_by_frame(tmp_path, name, coding):
    path = tmp_path / name
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*coding), 25, (80, 64))
    assert writer.isOpened()
    for level in (60, 120, 180):
        writer.write(cv2.cvtColor(picture(level), cv2.COLOR_GRAY2BGR))
    writer.release()
    frames = list(iterate_frames(path))
    assert [frame.name for frame in frames] == [f"{name} frame {i}" for i in (1, 2, 3)]
    assert [round(float(frame.pixels[32, 40].mean()), -1) for frame in frames] == [60, 120, 180]


def test_sixteen_bit_png_is_not_stretched(tmp_path):
    cv2.imwrite(str(tmp_path / "a.png"), picture(3000, dtype=np.uint16))
    pixels = read_frame(tmp_path / "a.png").pixels
    assert pixels.dtype == np.uint16
    assert pixels[31, 5] == 3000


@pytest.mark.parametrize("name", ["a.avi", "a.mp4", "a.tif", "a.png"])
def test_what_is_none_is_refused(tmp_path, name):
    path = tmp_path / name
    with pytest.raises(UnreadableFile):
        list(iterate_frames(path))
    path.write_bytes(b"nothing of the kind" * 40)
    with pytest.raises(UnreadableFile):
        list(iterate_frames(path))


def test_kinds_and_empty_folders(tmp_path):
    assert frame_kind(tmp_path) == "frames"
    assert frame_kind(tmp_path / "a.mp4") == "video"
    assert frame_kind(tmp_path / "a.csv") == ""
    with pytest.raises(UnreadableFile, match="no picture"):
        frame_files(tmp_path)
