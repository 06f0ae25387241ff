"""What a user would write with OpenCV or scikit-image alone, against the same truth and the same clock.

Photographs: Otsu's threshold and the contour round it. Laser lines: the brightest pixel of each column, the centroid
of what is bright in it, and a ridge filter. The naive outlines are helped: of all their contours the one that fits the
truth best is taken, which a user could not know.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from benchmarks.render.geometry import rings_of
from benchmarks.render.laser import Light, Rig, stripe_picture
from benchmarks.render.laser_scene import random_drawing, shot, spoiled
from benchmarks.render.scenario import JOINTS, Rendering, random_scenario, render
from calibration.model import Calibration
from core.errors import ToelineError
from vision.find import find_welds
from vision.stripe import extract
from vision.stripe_share import steadied

Gray = NDArray[np.uint8]
Points = NDArray[np.float64]
Entry = dict[str, Any]
WITHIN = 3.0
"""A method whose error is within so many times ours is one whose time we must not exceed."""

BORDER_PX = 12.0
LOST_PX = 3.0
CAP_PX = 100.0
"""No error counts for more than this, so that a lost outline is one lost outline."""

REPEATS = 3


def otsu_contours(gray: Gray) -> list[Points]:
    """Return the contours of Otsu's threshold as OpenCV traces them: whole pixels of the brighter side."""
    _, mask = cv2.threshold(gray, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    return [np.asarray(contour[:, 0], float) for contour in contours if len(contour) > 400]


def level_contours(gray: Gray) -> list[Points]:
    """Return the contours at Otsu's level as scikit-image interpolates them."""
    from skimage import filters, measure

    contours = measure.find_contours(gray, float(filters.threshold_otsu(gray)))
    return [np.asarray(contour[:, ::-1], float) for contour in contours if len(contour) > 400]


def our_outlines(gray: Gray, calibration: Calibration) -> list[Points]:
    """Return the outlines as the program finds them; joint, plates, faces and toes are found in the same time."""
    return list(find_welds(gray, calibration).outline_px)


def outline_errors(found: Points, ring: Points, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return distances in px between an outline and the true one, away from the frame: from either to the other.

    Each true point counts, too, so that an outline that leaves a part out is not the better for it.
    """
    dense = _dense(ring)
    inner = _inner(dense, shape)
    true, normal = dense[inner], _normals(dense)[inner]
    near = found[_inner(found, shape)]
    if len(near) < 10 or len(true) < 10:
        return np.full(len(true), np.inf)
    away, at = cKDTree(true).query(near)
    across = np.abs(np.sum((near - true[at]) * normal[at], axis=1))
    back, _ = cKDTree(_dense(found)).query(true)
    return np.concatenate([np.where(away < LOST_PX, across, away), back[back > LOST_PX]])


def picture_errors(outlines: Sequence[Points], rings: Sequence[Points], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return the errors of all true outlines of a picture, each against the found outline that fits it best."""
    parts = []
    for ring in rings:
        each = [outline_errors(outline, ring, shape) for outline in outlines]
        best = min(each, key=lambda error: float(np.mean(np.minimum(error, CAP_PX) ** 2)), default=None)
        parts.append(np.array([np.inf]) if best is None else best)
    return np.minimum(np.concatenate(parts), CAP_PX)


def photograph_truth(rendering: Rendering) -> list[Points]:
    """Return the true outline of a drawn section in the picture, px."""
    return [rendering.scenario.camera.to_px(ring) for ring in rings_of(rendering.scenario.drawing.metal)]


def photographs(cases: int, seed: int, *, width_px: int) -> list[Entry]:
    """Compare outlines of drawn sections without surface wander, normal pictures of all joints."""
    methods: dict[str, Callable[[Gray, Calibration], list[Points]]] = {
        "toeline: outline, joint, toes": our_outlines,
        "OpenCV: Otsu, findContours": lambda gray, _: otsu_contours(gray),
        "scikit-image: Otsu, find_contours": lambda gray, _: level_contours(gray),
    }
    errors: dict[str, list[float]] = {name: [] for name in methods}
    near: dict[str, list[float]] = {name: [] for name in methods}
    tails: dict[str, list[float]] = {name: [] for name in methods}
    times: dict[str, list[float]] = {name: [] for name in methods}
    for case in range(cases):
        rng = np.random.default_rng([seed, case])
        scenario = random_scenario(rng, joint=JOINTS[case % len(JOINTS)], width_px=width_px,
                                   height_px=width_px * 3 // 4)  # fmt: skip
        rendering = render(replace(scenario, roughness_mm=0.0))
        gray = as_gray(rendering.picture)
        calibration = Calibration("scale", rendering.homography, {"scale": 0.0})
        truth = photograph_truth(rendering)
        for name, method in methods.items():
            took, outlines = timed(method, gray, calibration)
            off = picture_errors(outlines, truth, gray.shape)
            errors[name].append(float(np.sqrt(np.mean(off**2))))
            close = off[off <= LOST_PX]
            near[name].append(float(np.sqrt(np.mean(close**2))) if len(close) else CAP_PX)
            tails[name].append(float(np.quantile(off, 0.95)))
            times[name].append(took)
    return [
        {
            "name": name,
            "kind": "photograph",
            "ours": name.startswith("toeline"),
            "n": cases,
            "rms_px": statistics.median(errors[name]),
            "rms_near_px": statistics.median(near[name]),
            "p95_px": statistics.median(tails[name]),
            "found": float(np.mean(np.array(errors[name]) <= LOST_PX)),
            "time_ms": 1000 * statistics.median(times[name]),
        }
        for name in methods
    ]


def brightest(frame: Gray) -> Points:
    """Return the brightest pixel of each column."""
    return np.column_stack([np.arange(frame.shape[1]), np.argmax(frame, axis=0)]).astype(float)


def centroids(frame: Gray) -> Points:
    """Return the centroid of what each column has above half of the frame's brightest, counted from there."""
    weight = np.maximum(frame.astype(np.float32) - 0.5 * float(frame.max()), 0)
    total = weight.sum(axis=0)
    x = np.flatnonzero(total > 0)
    rows = np.arange(frame.shape[0], dtype=np.float32)
    return np.column_stack([x, (rows @ weight[:, x]) / total[x]]).astype(float)


def ridges(frame: Gray) -> Points:
    """Return the strongest ridge of each column by the Hessian, to a fraction of a pixel by a parabola."""
    from skimage.feature import hessian_matrix, hessian_matrix_eigvals

    hessian = hessian_matrix(frame.astype(np.float32), sigma=2.0, order="rc", use_gaussian_derivatives=False)
    strength = -hessian_matrix_eigvals(hessian)[1]
    y = np.clip(np.argmax(strength, axis=0), 1, frame.shape[0] - 2)
    x = np.arange(frame.shape[1])
    before, at, after = (strength[y + step, x] for step in (-1, 0, 1))
    bend = before - 2 * at + after
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (before - after) / np.where(bend == 0, 1, bend), 0.0)
    return np.column_stack([x, y + np.clip(shift, -0.5, 0.5)]).astype(float)


def our_line(frame: Gray) -> Points:
    """Return the line as the program finds it."""
    try:
        return steadied(extract(frame)).points_px
    except ToelineError:
        return np.empty((0, 2))


def stripes(cases: int, seed: int) -> list[Entry]:
    """Compare lines on welds under a rig, clean frames and spoiled ones."""
    methods: dict[str, Callable[[Gray], Points]] = {
        "toeline": our_line,
        "OpenCV: brightest pixel": brightest,
        "NumPy: thresholded centroid": centroids,
        "scikit-image: Hessian ridge": ridges,
    }
    rig = Rig(mm_per_px=0.045)
    entries = []
    for kind in ("clean", "spoiled"):
        errors: dict[str, list[NDArray[np.float64]]] = {name: [] for name in methods}
        times: dict[str, list[float]] = {name: [] for name in methods}
        seen = dict.fromkeys(methods, 0)
        columns = 0
        for case in range(cases):
            rng = np.random.default_rng((seed, case, 77))
            light = Light(amplitude=float(rng.uniform(120, 240)), sigma_px=float(rng.uniform(1.5, 3.0)),
                          noise=float(rng.uniform(1, 6)))  # fmt: skip
            taken = shot(rig, random_drawing(JOINTS[case % 4], rng, 60.0), light, rng, turn_deg=float(rng.normal(0, 3)))
            frame = taken.frame
            if kind == "spoiled":
                frame = stripe_picture(frame.shape, taken.pieces_px, spoiled(light, rng, taken.pieces_px, rig), rng)
            truth = line_truth(taken.pieces_px, frame.shape)
            columns += int(np.isfinite(truth).sum())
            for name, method in methods.items():
                took, points = timed(method, frame)
                off = line_errors(points, taken.pieces_px, truth)
                errors[name].append(off)
                times[name].append(took)
                close = np.abs(off) <= LOST_PX
                seen[name] += len(np.unique(columns_of(points, truth)[close]))
        for name in methods:
            every = np.clip(np.concatenate(errors[name]), -CAP_PX, CAP_PX)
            near = np.abs(every) <= LOST_PX
            entries.append(
                {
                    "name": name,
                    "kind": kind,
                    "ours": name == "toeline",
                    "n": cases,
                    "rms_px": float(np.sqrt(np.mean(every**2))) if len(every) else None,
                    "p95_px": float(np.quantile(np.abs(every), 0.95)) if len(every) else None,
                    "rms_near_px": float(np.sqrt(np.mean(every[near] ** 2))) if near.any() else CAP_PX,
                    "found": seen[name] / columns,
                    "astray": float(np.mean(~near)) if len(every) else None,
                    "time_ms": 1000 * statistics.median(times[name]),
                }
            )
    return entries


def line_truth(pieces_px: Sequence[Points], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return the true row of the line in each column, NaN where it is dark or outside the frame."""
    height, width = shape
    truth = np.full(width, np.nan)
    for piece in pieces_px:
        ordered = piece[np.argsort(piece[:, 0])]
        x = np.arange(np.ceil(ordered[0, 0]), np.floor(ordered[-1, 0]) + 1)
        x = x[(x >= 0) & (x < width)]
        truth[x.astype(int)] = np.interp(x, *ordered.T)
    with np.errstate(invalid="ignore"):
        truth[(truth < BORDER_PX) | (truth > height - 1 - BORDER_PX)] = np.nan
    return truth


def columns_of(points: Points, truth: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the columns of those points that lie in a column with a lit line."""
    column = np.rint(points[:, 0]).astype(np.int64)
    inside = (column >= 0) & (column < len(truth))
    return np.asarray(column[inside & np.isfinite(truth[np.clip(column, 0, len(truth) - 1)])])


def line_errors(points: Points, pieces_px: Sequence[Points], truth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far points lie off the true line, across it, px, in the columns that have one.

    Each point is held against the nearest place of the line: where the line is steep a column holds many of its rows.
    """
    column = np.clip(np.rint(points[:, 0]).astype(int), 0, len(truth) - 1)
    lit = points[np.isfinite(truth[column])]
    line = np.vstack([_dense(piece, 0.25, closed=False) for piece in pieces_px])
    normal = np.vstack([_across(_dense(piece, 0.25, closed=False)) for piece in pieces_px])
    away, at = cKDTree(line).query(lit)
    across = np.sum((lit - line[at]) * normal[at], axis=1)
    return np.where(away < 1.0, across, np.copysign(away, across))


def _across(line: Points) -> Points:
    way = np.gradient(line, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    return np.column_stack([-way[:, 1], way[:, 0]])


def verdict(ours: Entry, others: Sequence[Entry]) -> Entry:
    """Say against which ways we are ahead in accuracy, and whether we are as fast as the fastest comparable one."""
    comparable = [other for other in others if _error(other) <= WITHIN * _error(ours)]
    fastest = min(comparable, key=lambda other: float(other["time_ms"]), default=None)
    return {
        "ours": ours["name"],
        "kind": ours["kind"],
        "behind": [other["name"] for other in others if _error(other) < _error(ours)],
        "behind_where_found": [other["name"] for other in others if other["rms_near_px"] < ours["rms_near_px"]],
        "fastest_comparable": None if fastest is None else fastest["name"],
        "time_ratio": None if fastest is None else ours["time_ms"] / fastest["time_ms"],
    }


def _error(entry: Entry) -> float:
    return float("inf") if entry["rms_px"] is None else float(entry["rms_px"])


def as_gray(picture: NDArray[Any]) -> Gray:
    """Return a picture in grey, 8 bit."""
    if picture.ndim == 3:
        picture = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    return np.ascontiguousarray(picture if picture.dtype == np.uint8 else (picture >> 8).astype(np.uint8))


def timed(work: Callable[..., Any], *arguments: Any) -> tuple[float, Any]:
    """Return the shortest time of a few calls in seconds, and the result; nothing found counts as no result."""
    best, result = np.inf, []
    for _ in range(REPEATS):
        start = time.perf_counter()
        try:
            result = work(*arguments)
        except ToelineError:
            result = []
        best = min(best, time.perf_counter() - start)
    return float(best), result


def _dense(points: Points, step: float = 0.5, *, closed: bool = True) -> Points:
    chain = np.vstack([points, points[:1]]) if closed else points
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(chain, axis=0).T))])
    at = np.arange(0.0, along[-1], step)
    return np.column_stack([np.interp(at, along, chain[:, 0]), np.interp(at, along, chain[:, 1])])


def _normals(points: Points) -> Points:
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    return np.asarray(normal / np.maximum(np.hypot(*normal.T), 1e-12)[:, None])


def _inner(points: Points, shape: tuple[int, int]) -> NDArray[np.bool_]:
    limit = np.array([shape[1], shape[0]]) - 1 - BORDER_PX
    return np.asarray(np.all((points >= BORDER_PX) & (points <= limit), axis=1))
