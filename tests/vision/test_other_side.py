"""A root that passes for the face of a butt weld, because its cap side is partly hidden, is told."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import from_pixel_size
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds
from vision.found import FoundWeld

MM_PER_PX = 0.08


def arc(left: float, right: float, base: float, rise: float) -> NDArray[np.float64]:
    x = np.linspace(left, right, 80)
    middle, half = 0.5 * (left + right), 0.5 * (right - left)
    return np.column_stack([x, base + rise * (1.0 - ((x - middle) / half) ** 2)])


def weld_of(hidden: list[tuple[float, float]], *, root: tuple[float, float] = (7.0, 1.2)) -> FoundWeld:
    """Return the butt weld of 12 mm plates, cap 18 mm wide, root 7 mm, with parts of the upper side hidden.

    ``hidden`` are the middles in x, and half the widths, of spots of the ground's tone, in mm; ``root`` is the width
    and the height of the root.
    """
    half, rise = root[0] / 2, root[1]
    outline = np.vstack([[(-42, -6), (-42, 6)], arc(-9, 9, 6, 3.2), [(42, 6), (42, -6)], arc(half, -half, -6, -rise)])
    fine = np.full((2400, 4800), 60, np.uint8)
    cv2.fillPoly(fine, [np.rint((outline * [1, -1] / MM_PER_PX + [600, 300]) * 4).astype(np.int32)], 180)
    for x, half in hidden:
        centre = np.rint((np.array([x, -6.0]) / MM_PER_PX + [600, 300]) * 4).astype(int)
        cv2.ellipse(fine, centre.tolist(), [round(4 * half / MM_PER_PX), round(6 / MM_PER_PX)], 0, 0, 360, 60, -1)
    gray = cv2.GaussianBlur(cv2.resize(fine, (1200, 600), interpolation=cv2.INTER_AREA), (0, 0), 0.9)
    gray = np.clip(gray + np.random.default_rng(3).normal(0, 1.5, gray.shape), 0, 255).astype(np.uint8)
    (weld,) = find_welds(gray, from_pixel_size(MM_PER_PX)).welds
    return weld


def told(weld: FoundWeld) -> bool:
    return any(flag.code == "other_side_higher" for flag in weld.flags)


def test_a_root_that_passes_for_the_face_is_told() -> None:
    weld = weld_of([(x, 1.6) for x in (-36, -29, -22, -15, 15)])
    assert max(y for _, y in weld.points_px.values()) > 360
    assert told(weld)


def test_a_clear_face_is_not_told_of() -> None:
    weld = weld_of([])
    assert min(y for _, y in weld.points_px.values()) < 240
    assert not told(weld)


def assumed(weld: FoundWeld) -> str:
    return "; ".join(flag.message for flag in weld.flags if flag.code == "face_side_assumed")


def test_a_face_that_nothing_tells_from_the_root_is_told() -> None:
    flush, alike, plain = (weld_of([], root=root) for root in ((7.0, 0.0), (17.0, 2.0), (7.0, 1.2)))
    assert "recognised on this side alone" in assumed(flush)
    assert "both sides show beads of about one width" in assumed(alike)
    assert assumed(plain) == ""
    assert assumed(weld_of([(x, 1.6) for x in (-36, -29, -22, -15, 15)])) == ""  # told as a higher other side


def test_the_reason_for_a_flush_root_does_not_ask_for_the_side_that_is_seen() -> None:
    values = measure(weld_of([], root=(7.0, 0.0)).section)
    for name in ("root_width", "root_reinforcement", "root_concavity", "root_misalignment"):
        assert isinstance(values[name], NotMeasurable)
        assert "no weld was recognised on the other side of the plates" in values[name].reason
    assert isinstance(values["thickness_left"], Quantity)
