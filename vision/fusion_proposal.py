"""The path that is most likely the fusion line on a frame, and whether the picture supports it.

No grey level is fixed: weld metal may be darker or lighter than what surrounds it, or differ by its grain
alone. What is known from the outside (toes, plate surfaces, root) says where the line begins, ends and may lie.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points
from core.medians import median, quantile
from vision.fusion_candidate import TEXTURE, TONE, Candidate
from vision.fusion_frame import Frame
from vision.fusion_path import Strip, best_paths, contrast, strip, support
from vision.fusion_rival import INNER_GAP_MM, gradual, reaches_weld_metal, rivals
from vision.fusion_sheet import Sheet, window_px
from vision.fusion_stain import Guard, Stains, log_tone, past_stains

SAME_TONE = 0.7
LEAVING = 2.0
BLIND_MM = 1.0
OWN_EDGE_MM = 0.3
SPIKE_MM = 0.9
CLICK_STD_PX = 8.0
"""How well a person marks a fusion line, px."""
KNOWN_BY_CLICK_MM = 1.0
"""Within this of a person's point a stain does not hide the line: the person says where it lies."""
FREE_OF_CLICK, NEAR_CLICK = 1.5, 3.0
"""Within so many of these a click pulls nothing, and a path that was found without clicks agrees with one."""


def propose(
    frame: Frame, sheet: Sheet, calibration: Calibration, clicks_mm: Points | None = None, click_std_mm: float = 0.0
) -> Candidate | None:
    """Return the path that is most likely the fusion line, whether or not the test supports it.

    Tone first; where tone shows no boundary, the strength of texture.

    Parameters
    ----------
    clicks_mm
        (N, 2) points that a person put on the line, each within about ``click_std_mm``; the path passes them by
        and is free between them. Where the path found without them agrees with all of them it stands: they say
        which boundary is meant, the picture says where it lies.
    """
    if clicks_mm is not None and len(clicks_mm) > 0:
        free = propose(frame, sheet, calibration)
        # Under a stain a person sees more than the picture tells.
        clear = free if free is not None and free.holds and not free.stained.any() else None
        if clear is not None and _passes(clear.points_mm, clicks_mm, NEAR_CLICK * click_std_mm):
            return clear
    places = sheet.at(window_px(calibration, frame.points))
    metal, hollow = places.metal, places.hollow
    if hollow.any() and not (clicks_mm is not None and _behind(frame, hollow, clicks_mm, click_std_mm)):
        frame = _before(frame, hollow)
    metal[frame.given] = 0.0
    pull = np.zeros(frame.allowed.shape, np.float32)
    if frame.stays_in_metal:
        pull += LEAVING * (1 - places.solid)
    marked = clicks_mm is not None and len(clicks_mm) > 0
    if clicks_mm is not None and marked:
        pull += _pull(frame, clicks_mm, click_std_mm)
    best: Candidate | None = None
    for channel in (TONE, TEXTURE):
        core = sheet.core_level if channel == TONE else None
        values = places.tone if channel == TONE else places.texture
        found = _best(frame, values, metal, channel, pull, core, places.gap, marked=marked)
        if found is not None and (found.holds or best is None):
            best = found
        if best is not None and (best.holds or best.shows):
            break
    if best is None or clicks_mm is None or not marked:
        return best
    away = np.hypot(*np.moveaxis(best.points_mm[:, None] - clicks_mm[None], 2, 0)).min(axis=1)
    return replace(best, known=best.stained & (away < KNOWN_BY_CLICK_MM))


def _passes(path_mm: Points, clicks_mm: Points, reach_mm: float) -> bool:
    """Tell whether a path passes every click within a reach."""
    return all(float(np.min(np.hypot(*(path_mm - click).T))) < reach_mm for click in clicks_mm)


def _behind(frame: Frame, hollow: NDArray[np.bool_], clicks_mm: Points, std_mm: float) -> bool:
    """Tell whether a person marked the line behind a hollow: then that is a pore in the weld metal."""
    for click in clicks_mm:
        distance = np.hypot(*np.moveaxis(frame.points - click, 2, 0))
        row, station = np.unravel_index(int(np.argmin(distance)), distance.shape)
        inside = np.flatnonzero(hollow[row])
        if len(inside) and (station - inside[-1]) * frame.step_mm > std_mm:
            return True
    return False


def _before(frame: Frame, hollow: NDArray[np.bool_]) -> Frame:
    """Return a frame whose line ends before a hollow: what lies behind it is not fused."""
    reached = np.cumsum(hollow, axis=1) > 0
    return replace(frame, allowed=frame.allowed & ~reached)


def _pull(frame: Frame, clicks_mm: Points, std_mm: float) -> NDArray[np.float32]:
    """Return what a path loses by passing a person's points at a distance, (I, J)."""
    rows, stations = frame.points.shape[:2]
    loss = np.zeros((rows, stations), np.float32)
    for click in clicks_mm:
        distance = np.hypot(*np.moveaxis(frame.points - click, 2, 0))
        row, _ = np.unravel_index(int(np.argmin(distance)), distance.shape)
        near = slice(max(0, row - 1), row + 2)
        beyond = np.maximum(distance[near] / std_mm - FREE_OF_CLICK, 0.0)
        loss[near] += np.minimum(2.0 * beyond**2, 60.0).astype(np.float32)
    return loss


def _best(
    frame: Frame,
    values: NDArray[np.float32],
    metal: NDArray[np.float32],
    channel: int,
    pull: NDArray[np.float32],
    core: float | None,
    gap: NDArray[np.bool_],
    *,
    marked: bool,
) -> Candidate | None:
    shown = strip(values, metal, frame.step_mm)
    found = contrast(shown)
    # Where a gap between plates runs along a row there is no contrast to follow: the path runs straight on.
    blind = np.count_nonzero(gap, axis=1) * frame.step_mm > BLIND_MM
    found[blind] = 0.0
    usable = np.abs(found[frame.allowed & (found != 0)])
    if len(usable) == 0:
        return None
    usable = usable[:: max(1, len(usable) // 4000)]
    noise = max(1.4826 * median(usable), quantile(usable, 0.99) / 8.0) + 1e-3
    # Texture has no stains.
    logs = None if core is None else log_tone(values, core)

    def guarded(scores: NDArray[np.float32]) -> NDArray[np.float32]:
        stack = scores.copy()
        stack[:, ~frame.allowed] = -8.0
        # A hollow hides both sides of the line from the contrast: its near side is the line.
        barred = frame.allowed[:, :-1] & ~frame.allowed[:, 1:]
        stack[:, :, :-1][:, barred] += 4.0 * (np.abs(stack).max() > 0)
        stack -= pull
        _tie_ends(stack, frame)
        return stack

    scores = np.stack([found, -found]) / noise
    stains = None if logs is None else Stains(strip(logs, metal, frame.step_mm), gap, guarded)
    followed = _followed(frame, scores, channel, shown, core, guarded, stains)
    strongest = next(followed)
    if strongest.stands_clear and reaches_weld_metal(strongest, shown, core):
        return strongest
    candidates = [strongest, *followed]
    strongest = max(candidates, key=lambda c: (c.stands_clear, c.total))
    if not strongest.stands_clear or marked or reaches_weld_metal(strongest, shown, core):
        return strongest
    # The zone beside the weld metal may stand out more than the weld metal itself: look within, with all that
    # lies at the strongest path and beyond it left out.
    ends = np.minimum(np.arange(len(strongest.stations)), np.arange(len(strongest.stations))[::-1])
    clear = np.clip(ends / (0.12 * len(ends)), 0, 1) / frame.step_mm
    farthest = math.ceil(max(float(strongest.stations.max()), frame.first or 0.0, frame.last or 0.0)) + 3
    near = slice(0, min(farthest, frame.points.shape[1]))
    station = np.arange(near.stop)[None]
    remaining = metal[:, near] * (station <= (strongest.stations - OWN_EDGE_MM * clear)[:, None])
    whole, shown = shown, strip(values[:, near], remaining, frame.step_mm)
    found = contrast(shown)
    found[blind] = 0.0
    beyond = station > (strongest.stations - INNER_GAP_MM * clear)[:, None]

    def within_it(scores: NDArray[np.float32]) -> NDArray[np.float32]:
        stack = scores - pull[:, near]
        stack[:, ~frame.allowed[:, near] | beyond] = -8.0
        _tie_ends(stack, frame)
        return stack

    scores = np.stack([found, -found]) / noise
    paths = [*candidates, *_followed(frame, scores, channel, shown, core, within_it, None)]
    within = [c for c in paths if median(strongest.stations - c.stations) > 0.7 * INNER_GAP_MM / frame.step_mm]
    inner = [c for c in within if rivals(c, strongest, whole, core)]
    if inner:
        return max(inner, key=lambda c: (c.holds, c.total))
    if core is not None and not strongest.is_weld_metal and gradual(within, strongest.support.inside - core):
        return replace(strongest, is_weld_metal=True)
    held = [c for c in candidates if c.holds]
    return max(held, key=lambda c: c.total) if held else strongest


def _tie_ends(stack: NDArray[np.float32], frame: Frame) -> None:
    for row, end in ((0, frame.first), (-1, frame.last)):
        if end is not None:
            stack[:, row, np.abs(np.arange(stack.shape[2]) - end) > 2.0] = -1e3
    if frame.forced is not None:
        off = np.abs(np.arange(stack.shape[2]) - frame.forced[frame.given, None])
        stack[:, frame.given] = np.where(off > 0.6, -30.0 * np.minimum(off, 10.0), 0.0)


def _followed(
    frame: Frame,
    scores: NDArray[np.float32],
    channel: int,
    shown: Strip,
    core: float | None,
    guarded: Guard,
    stains: Stains | None,
) -> Iterator[Candidate]:
    """Yield the best path of each sheet of scores, the likeliest first."""
    rows, none = np.arange(scores.shape[1]), np.zeros(scores.shape[1], bool)
    paths, hidden = best_paths(guarded(scores)), np.zeros(scores.shape[:2], bool)
    if stains is not None:
        paths, hidden = past_stains(paths, scores, frame.points, stains)
    for number in np.argsort(paths.totals)[::-1]:
        path, stained = paths.path(int(number)), hidden[number]
        length = float(np.hypot(*np.diff(frame.points[rows, path], axis=0).T).sum())
        tested = support(shown, path, length)
        stations = _without_spikes(path.astype(float), length)
        same = core is None or abs(tested.inside - core) <= SAME_TONE * abs(tested.step)
        yield Candidate(frame, stations, channel, tested, float(paths.totals[number]), same, stained, none)


def _without_spikes(stations: NDArray[np.float64], length_mm: float) -> NDArray[np.float64]:
    """Return a path without what is narrower than SPIKE_MM: a gap between plates draws it in there."""
    half = int(0.5 * SPIKE_MM * len(stations) / max(length_mm, 1e-9))
    if half < 1 or len(stations) < 4 * half + 2:
        return stations
    # Odd reflection keeps the ends.
    padded = np.concatenate(
        [2 * stations[0] - stations[half:0:-1], stations, 2 * stations[-1] - stations[-2 : -half - 2 : -1]]
    )
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    return np.asarray(np.partition(windows, half, axis=1)[:, half])
