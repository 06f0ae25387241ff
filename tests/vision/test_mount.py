"""A section in a coloured mount of its own brightness: told from the mount, where the ground is a third tone."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from inspection.picture import inspect_file
from inspection.settings import Settings, shared_calibration
from vision.colour_plane import colour_plane
from vision.mount import alone_in, mount_of

HEIGHT, WIDTH, MM_PER_PX = 560, 700, 0.06
CENTRE, RADIUS = np.array([350.0, 285.0]), 255
RESIN = np.array([38.0, 72.0, 140.0])
LEGS = (3.5, 4.5)
TEE_MM = np.array([
    (-9.0, 0.0), (-2.5, 0.0), (-2.5, 10.0), (2.5, 10.0), (2.5, LEGS[1]), (2.5 + LEGS[0], 0.0), (10.0, 0.0),
    (10.0, -5.0), (-9.0, -5.0),
])  # fmt: skip
"""A fillet on the right of a plate of 5 mm, with a flat face."""


def covered(*, mount: bool) -> np.ndarray:
    """Return the share of each pixel in the mount or in the section, (H, W)."""
    large = np.zeros((4 * HEIGHT, 4 * WIDTH), np.uint8)
    if mount:
        cv2.circle(large, (4 * int(CENTRE[0]), 4 * int(CENTRE[1])), 4 * RADIUS, 255, -1)
    else:
        corners = CENTRE + np.column_stack([TEE_MM[:, 0], 2.0 - TEE_MM[:, 1]]) / MM_PER_PX
        cv2.fillPoly(large, [np.round(4 * corners).astype(np.int32)], 255)
    return cv2.resize(large, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA) / 255.0


def mounted(ground: float = 225.0, seed: int = 1) -> np.ndarray:
    """Return grey metal in blue resin of its own brightness on paper, (H, W, 3) RGB."""
    rng = np.random.default_rng(seed)
    grey = float(RESIN @ [0.299, 0.587, 0.114])
    resin, metal = covered(mount=True)[..., None], covered(mount=False)[..., None]
    rgb = np.full((HEIGHT, WIDTH, 3), ground) * (1 - resin) + RESIN * resin
    rgb = cv2.GaussianBlur(rgb * (1 - metal) + grey * metal, (0, 0), 0.8) + rng.normal(0, 1.5, rgb.shape)
    return np.asarray(np.clip(rgb, 0, 255), np.uint8)


def brightness(rgb: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)


def test_mount_is_seen_without_its_rim() -> None:
    mount = mount_of([brightness(mounted())])
    assert mount is not None
    y, x = np.indices(mount.shape)
    from_centre = np.hypot(x - CENTRE[0], y - CENTRE[1])
    assert not mount[from_centre > RADIUS].any()
    assert mount[from_centre < 0.93 * RADIUS].all()


def test_section_is_no_mount() -> None:
    """A tee is not convex, and ground that the border cuts off is no piece."""
    metal = covered(mount=False)
    assert mount_of([np.asarray(225 - 150 * metal, np.uint8)]) is None
    half = np.where(np.arange(WIDTH) < WIDTH // 2, 60, 200).astype(np.uint8)
    assert mount_of([np.tile(half, (HEIGHT, 1))]) is None


def test_colours_within_tell_metal_from_resin() -> None:
    rgb = mounted()
    mount = mount_of([brightness(rgb)])
    assert mount is not None
    plane = colour_plane(rgb, "linear", mount)
    assert plane is not None
    plane = alone_in(plane, mount)
    metal = covered(mount=False)
    inside, outside = plane[metal == 1].astype(float), plane[cv2.GaussianBlur(metal, (0, 0), 3) < 0.01].astype(float)
    assert abs(inside.mean() - outside.mean()) > 8 * max(inside.std(), outside.std())


@pytest.mark.parametrize("turned", [0, 2])
def test_section_in_coloured_mount_is_measured(tmp_path: Path, turned: int) -> None:
    path = tmp_path / "mounted.png"
    Image.fromarray(np.rot90(mounted(), turned)).save(path)
    settings = Settings(scale_mm_per_px=MM_PER_PX, inside="off")
    entry = inspect_file(path, settings, shared_calibration(settings)).entry
    assert [weld["joint"] for weld in entry["welds"]] == ["tee"]
    said = entry["welds"][0]["measurements"]
    # Beside the upright plate lies the left leg: up is between the plates.
    for side, leg in (("left", LEGS[1]), ("right", LEGS[0])):
        value = said[f"leg_{side}"]
        assert value["value"] == pytest.approx(leg, abs=max(value["expanded_uncertainty"], 0.03))
