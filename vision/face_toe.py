"""Where a face leaves its plate: the toe, and how sure it is.

The toe is taken where a model of the face meets the plate line, from face points that neither the blur of
the picture nor a rounded transition reaches: the radius of the transition is a value of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from core.fitting import LineFit
from core.geometry import Line, Points, arc_length, step_lengths
from vision.cap_toe import cap_toe
from vision.face_arc import arc_through, of_either, where_met
from vision.hidden_start import GENTLE_MM, GENTLE_SHARE, bulge_before, hidden_start, is_flat
from vision.overhang import seen_height, toe_below
from vision.plate_line import Detail, wander_of
from vision.toe_departure import UNSEEN_MM, departure

HIDDEN_BELOW_DEG = 25.0
"""A face that is seen to leave its plate more steeply has nothing hidden before it."""

HIDDEN_TOLD_MM = 0.15
"""A doubt larger than this is told."""

WIDEST_SHARE, AGREE = 0.8, 1.6
"""Largest share of a face that tells its toe; how many standard uncertainties a wider stretch may move it."""

WELL_TOLD_MM = 0.03
"""A toe of a line known no better than this (standard uncertainty) is sought with more of the face."""

FORMED_SHARE, FARTHEST_MM = 0.95, 1.0
"""Share of a cap, up to its other toe, whose form tells a toe; so far from where part of the face has it is none."""

LOBE_MM = 0.04
"""Face that overhangs its plate is clear of it by more than this, a rounded toe by less."""

OVERHANGS_DEG = 92.0
"""A face that leaves its plate more steeply hangs over it."""

LEAST_ROUNDED_DEG = 4.0
"""The transition of a face that leaves its plate more gently is not told from the bend of the face."""

WANDER_AT_TOE, LINE_WANDER_AT_TOE = 1.1, 1.15
"""Share of a surface's wander that moves a toe across its plate, in pictures and along lines: that of the face, and
some of the plate's (judged on rendered pictures and frames)."""

SCATTER_AT_TOE = 0.6
"""Share of the scatter of single points that moves a toe alike: the fit of the face averages some of it."""

ARC_TANGENTS, GENTLE_TANGENTS, GENTLE_ARC_DEG = 2.4, 1.25, 10.0
"""A rounded toe is left at the beginning of its arc, which is two tangents long; these are found a little too short.
Below the angle the bend of the face itself looks like an arc, and only so much of it is passed over."""

SHORTER_SHARE, LINE_SHORTER_SHARE = 0.8, 0.5
"""Share of the way that a shorter stretch of the face moves the toe that is doubt: in pictures, and along lines, whose
points' own scatter makes up much of that way. Judged on rendered pictures and frames, as is the next pair."""

UNSEEN_SHARE, LINE_UNSEEN_SHARE, FLAT_DEG = 0.7, 0.25, 2.0
"""Share of the threshold that a face more gentle than `GENTLE_ARC_DEG` may go unseen by near its toe, in pictures and
along lines (judged on caps in both); a face that leaves its plate more gently than the last hardly leaves it."""

BLUR_SHARE, LINE_BLUR_SHARE = 0.04, 0.02
"""Share of the blur that moves a toe."""

QUIET, LINE_CLEAR, BAND_CLEAR = 0.05, 4.2, 6.5
"""A laser line's corner is rounded over two standard deviations of its spread, which is so many times the blur that the
middle of a corner keeps of it. Where points scatter by less than the first share of that blur, the rounding moves a toe
more than they do (judged on drawn frames of lines up to 6 px thick). An overexposed line is a band with sharp sides:
where it turns, columns cut both of its legs over its whole width, before the place where it is seen to leave the plate
as well as behind, and the last number of times what its width does as a blur is left out."""

SHARED_NOISE = 2.0
"""Neighbouring points of an edge share half of their noise (judged on outlines of rendered pictures)."""

SINGULAR = 1e-12 * np.eye(3)
"""Keeps a parabola through points that do not tell it from being none at all."""

FEWEST, SPARSE_SPANS = 5, 1.6
"""Points of a face that tell its toe; where they lie farther apart than usual, over so many times the usual stretch."""

CREST_BLURS, INTO_GROOVE = 2.2, 1.5
"""Deviations of the edge spread over which the crest between an undercut and the face is rounded along the plate; a
face that leads so many times farther out leads into the groove."""

FILLED_NOTCH = 0.25
"""How much farther in a toe may lie below an overhang of which no nose is seen, over the height to which blur fills the
notch (the standard uncertainty; in drawn ones 0.2 to 0.5 of that height was missing)."""


@dataclass(frozen=True, slots=True, eq=False)
class Toe:
    """A toe as found: where, how sure along its plate, the first point of the face on the path, what is doubtful, how
    steeply the face leaves the plate.
    """

    point: Points
    std_along: float
    face_index: int
    flag: str | None
    slope_deg: float = 90.0


def clear_of(detail: Detail) -> float:
    """Return how far face that overhangs a plate is away from it, in mm."""
    return max(LOBE_MM, 6.0 * detail.noise_mm, detail.blur_mm)


def find_toe(
    path: Points, towards: Line, fit: LineFit, detail: Detail, face_sign: int, between: tuple[int, int]
) -> Toe | None:
    """Find the toe on a path that starts on the plate and climbs the face.

    ``towards`` is the plate line directed to the weld with air on its left; ``between`` are the indices at which the
    straight stretches of this plate and of the other one end.
    """
    offset = towards.offset(path)
    threshold = max(4.0 * fit.residual_std, 3.0 * detail.noise_mm, 0.25 * detail.step_mm, 0.006)
    face_stop = between[1]
    sign, leave = departure(path, offset, threshold, face_sign, between)
    if leave is None:
        return None
    undercut = bool(np.min(offset[max(0, leave - round(3.0 / detail.step_mm)) : leave + 1]) < -2.0 * threshold) and (
        sign > 0
    )
    return _model_toe(path, towards, fit, detail, leave, sign, undercut, threshold, face_stop)


def _model_toe(
    path: Points,
    towards: Line,
    fit: LineFit,
    detail: Detail,
    leave: int,
    sign: int,
    undercut: bool,
    threshold: float,
    face_stop: int,
) -> Toe | None:
    length = arc_length(path)
    face_length = float(length[-1] - length[leave])
    clear = 2.2 * detail.blur_mm + 1.0 * detail.step_mm
    rounds = max(detail.blur_mm, detail.band_mm)
    if detail.alone and detail.noise_mm < QUIET * rounds:
        clear = max(clear, LINE_CLEAR * detail.blur_mm, BAND_CLEAR * detail.band_mm)
    span = min(max(0.12 * face_length, 6 * detail.step_mm), max(0.9, 8 * detail.step_mm))
    rounding, passed = 0.0, 0.0
    # Speckle moves neighbouring points of a line alike, as the plate beside shows.
    alike = min(max(fit.correlation_points, 1.0), SHARED_NOISE) if detail.alone else max(SHARED_NOISE, detail.alike)
    for _ in range(3):
        start = int(np.searchsorted(length, length[leave] + max(clear, passed)))
        stop = int(np.searchsorted(length, length[min(start, len(path) - 1)] + span))
        window = path[start : min(stop, len(path)) + 1]
        if len(window) < FEWEST and len(path) - start >= FEWEST:
            # On a steep face points lie farther apart than elsewhere.
            wider = path[start : start + FEWEST]
            window = wider if float(step_lengths(wider).sum()) < SPARSE_SPANS * span else window
        if len(window) < FEWEST:
            return None
        met = _meet(window, towards, near=float(towards.along(path[leave])), alike=alike)
        if met is None:
            return None
        corner_along, slope_deg, std_along = met
        if undercut or slope_deg < LEAST_ROUNDED_DEG or slope_deg > 150.0:
            break
        found = _rounding(path, towards, leave, corner_along, slope_deg, sign, detail)
        if found <= 1.05 * rounding:
            break
        rounding = found
        passed = (GENTLE_TANGENTS if slope_deg < GENTLE_ARC_DEG else ARC_TANGENTS) * rounding
    enough = 0.0 if detail.noise_mm > detail.noisy_mm else WELL_TOLD_MM if detail.alone else math.inf
    if std_along > enough:
        if detail.alone and not (undercut or rounding):
            # What blur takes off a gentle corner is far below such scatter: points near the toe tell most of it.
            start = min(leave + 2, start)
        window, (corner_along, slope_deg, std_along) = _widened(
            path[start : face_stop + 1], window, towards, (corner_along, slope_deg, std_along), alike, enough
        )
    formed = None
    if detail.scattered and not detail.alone and sign > 0 and not (undercut or rounding):
        most = path[: leave + round(FORMED_SHARE * (face_stop + 1 - leave))]
        formed = cap_toe(most, towards, corner_along, detail.step_mm, max(detail.alike, fit.correlation_points, 1.0))
        if formed is not None and abs(formed[0] - corner_along) > FARTHEST_MM:
            formed = None
        corner_along, slope_deg, std_along = formed or (corner_along, slope_deg, std_along)
    below = None
    if sign > 0 and slope_deg > OVERHANGS_DEG:
        below = toe_below(path, towards, leave, detail, alike)
        corner_along, slope_deg, std_along = below or (corner_along, slope_deg, std_along)
        if below is None and not detail.noisy:
            std_along = math.hypot(std_along, FILLED_NOTCH * seen_height(detail))
    if undercut and not detail.noisy:
        corner_along, std_along = _this_side_of_groove(path, towards, leave, (corner_along, std_along), detail)
    along = corner_along
    point = towards.at(along)
    ahead = towards.along(path)
    candidates = np.flatnonzero(
        (np.arange(len(path)) >= max(0, leave - round(3.0 / detail.step_mm))) & (ahead >= along)
    )
    face_index = int(candidates[0]) if len(candidates) else leave
    if undercut or bool(np.max(towards.offset(path[leave : face_index + 1]), initial=0.0) > clear_of(detail)):
        face_index = leave  # also where a lobe runs out over the plate before the face is beyond its toe
    # A face is no smoother than the plate beside it.
    noise = wander_of(fit, detail)
    if not detail.noisy:  # else what the points' own scatter does is in the fit of the face
        noise = math.hypot(SCATTER_AT_TOE * detail.noise_mm, noise)
    slope = math.sin(math.radians(min(max(slope_deg, 2.0), 178.0)))
    at_toe = LINE_WANDER_AT_TOE if detail.alone else WANDER_AT_TOE
    std = math.hypot(std_along, at_toe * noise / max(slope, 0.03))
    # A face that is no parabola shows it when less of it is used.
    shorter = _meet(window[: max(5, round(0.6 * len(window)))], towards, near=corner_along, alike=alike)
    if shorter is not None and below is None and formed is None:
        std = math.hypot(
            std,
            (LINE_SHORTER_SHARE if detail.alone else SHORTER_SHARE) * min(abs(shorter[0] - corner_along), 0.3),
        )
    if detail.noisy:  # else the wander that moves the line is that of the surface here
        tangent = max(math.tan(math.radians(min(slope_deg, 80.0))), 0.05)
        std = math.hypot(std, fit.std_at(float(fit.line.along(point))) / tangent)
    std = math.hypot(std, (LINE_BLUR_SHARE if detail.alone else BLUR_SHARE) * detail.blur_mm)
    std = math.hypot(std, detail.limit_doubt_mm / max(slope, 0.03))
    # Where the face comes off the plate too gently, the place where it is seen to leave and the place
    # where its model meets the plate disagree; what cannot be explained by the threshold is doubt.
    expected = threshold / max(math.tan(math.radians(min(slope_deg, 85.0))), 0.02) + clear
    # A hollow that is much wider than deep, beyond which the face rises gently, may be the beginning of the face.
    groove = undercut and not (slope_deg < HIDDEN_BELOW_DEG and is_flat(path[: leave + 1], towards, sign))
    if not groove:
        std = math.hypot(std, _of_a_gentle_face(slope_deg, threshold, expected, alone=detail.alone))
    hidden = 0.0
    if slope_deg < HIDDEN_BELOW_DEG and not groove:
        stop = int(np.searchsorted(length, length[leave] + min(GENTLE_MM, GENTLE_SHARE * face_length)))
        hidden = hidden_start(path[leave : stop + 1], towards, threshold)
        hidden = max(hidden, bulge_before(path[: leave + 1], towards, sign, 3.0 * fit.residual_std))
        std = math.hypot(std, hidden)
    apart = abs(float(towards.along(path[leave])) - corner_along)
    beyond = max(0.0, apart - 1.5 * expected)
    # A face that leads far past what is seen of its plate bends, or the plate ends, in the gap before it.
    gap = beyond > UNSEEN_MM and float(step_lengths(path[leave : start + 1]).max()) > UNSEEN_MM
    std = math.hypot(std, beyond if gap else 0.5 * beyond)
    flag = None
    if slope_deg < 8.0:
        flag = f"the face leaves the plate at only {slope_deg:.0f} degrees"
    elif hidden > HIDDEN_TOLD_MM:
        flag = f"the face may lie along the plate for {2 * hidden:.1f} mm before it is seen to leave it"
    return Toe(point, std, face_index, flag, slope_deg)


def _of_a_gentle_face(slope_deg: float, threshold: float, expected: float, *, alone: bool) -> float:
    """Return what a gentle face leaves open of its toe (standard uncertainty, mm), beside what its points scatter.

    What of the face goes unseen within the threshold of its plate moves the toe the farther, the gentler it is. Where
    it hardly rises at all, it may begin anywhere up to where it is seen to have left the plate.
    """
    if slope_deg >= GENTLE_ARC_DEG:
        return 0.0
    unseen = (LINE_UNSEEN_SHARE if alone else UNSEEN_SHARE) * threshold / math.tan(math.radians(max(slope_deg, 1.0)))
    flat = min(max((LEAST_ROUNDED_DEG - slope_deg) / (LEAST_ROUNDED_DEG - FLAT_DEG), 0.0), 1.0)
    return math.hypot(unseen, 0.7 * flat * expected)


def _this_side_of_groove(
    path: Points, towards: Line, leave: int, met: tuple[float, float], detail: Detail
) -> tuple[float, float]:
    """Return the place of a toe beside an undercut and its standard uncertainty: on the weld's side of the groove.

    Blur rounds the crest between groove and face, so that it is seen to cross the plate line nearer to the weld. A
    gentle face that leads farther out, into the groove, is told too badly by its points; the crossing is seen.
    """
    along, std = met
    seen = float(towards.along(path[leave]))
    rounded = CREST_BLURS * detail.blur_mm + detail.step_mm
    if along >= seen - INTO_GROOVE * rounded:
        return along, std
    return seen - 0.5 * rounded, min(std, 0.5 * rounded)


def _widened(
    face: Points, window: Points, towards: Line, met: tuple[float, float, float], alike: float, enough: float
) -> tuple[Points, tuple[float, float, float]]:
    """Let the stretch of the face that tells the toe grow as long as the toe agrees with that of every shorter one.

    The rule of O. V. Lepski (Theory of Probability and its Applications 35, 1991, 454-466), as for the height of a cap.
    Over such stretches an arc and a parabola part.
    """
    accepted = [met]
    size = len(window)
    while accepted[-1][2] > enough and size < WIDEST_SHARE * len(face):
        size = math.ceil(1.5 * size)
        wider = face[: min(size, round(WIDEST_SHARE * len(face)))]
        found = _meet(wider, towards, near=accepted[-1][0], alike=alike)
        if found is None:
            break
        arc = arc_through(wider)
        round_one = None if arc is None else where_met(arc, towards, accepted[-1][0], alike)
        if arc is not None and round_one is not None:
            found = of_either(round_one, found, arc.likelier / alike)
        if any(abs(found[0] - small[0]) > AGREE * small[2] for small in accepted):
            break
        accepted.append(found)
        window = wider
    return window, accepted[-1]


def _meet(window: Points, towards: Line, near: float, alike: float) -> tuple[float, float, float] | None:
    """Intersect a parabola through face points with the plate line.

    ``alike`` is how many neighbouring points carry one independent piece of information.

    Returns the coordinate along the plate, the slope of the face there against the plate in degrees and the
    standard uncertainty of the coordinate.
    """
    chord = Line.through(window[0], window[-1])
    x, y = chord.along(window), chord.offset(window)
    scale = float(x.max() - x.min()) or 1.0
    design = np.empty((3, len(x)))
    design[0] = 1.0
    share = np.divide(x, scale, out=design[1])
    np.multiply(share, share, out=design[2])
    # numpy's own takes longer over the call than over so few numbers
    inverse = np.asarray(cv2.invert(design @ design.T + SINGULAR)[1], float)
    solution = inverse @ (design @ y)
    residual = y - solution @ design
    sigma2 = float(residual @ residual) / max(1, len(x) - 3)
    covariance = inverse * (sigma2 * alike)
    a, b, c = solution.tolist()
    # Points of the parabola: chord.at(x) + y(x) * normal; offset to the plate line is quadratic in x.
    base = float(towards.offset(chord.point))
    along_rate = float(chord.direction @ towards.normal)
    across_rate = float(chord.normal @ towards.normal)
    q0 = base + across_rate * a
    q1 = along_rate + across_rate * b / scale
    q2 = across_rate * c / scale**2
    if abs(q2) * scale < 1e-6 * abs(q1) + 1e-12:
        roots = [-q0 / q1] if abs(q1) > 1e-9 else []
    else:
        disc = q1 * q1 - 4 * q2 * q0
        if disc < 0:
            roots = [-q0 / q1] if abs(q1) > 1e-9 else []
        else:
            root = math.sqrt(disc)
            roots = [(-q1 + root) / (2 * q2), (-q1 - root) / (2 * q2)]
    roots = [root for root in roots if -2.5 * scale < root < 1.5 * scale]
    if not roots:
        # A parabola bent by grain may miss the plate where the straight face meets it.
        if abs(along_rate) < math.sin(math.radians(1.0)):
            return None
        a, b, c = float(y.mean()), 0.0, 0.0
        roots = [-(base + across_rate * a) / along_rate]
    start = float(towards.along(chord.point))
    # How far along the plate the way along the chord leads, and the way across it.
    ahead, aside = float(chord.direction @ towards.direction), float(chord.normal @ towards.direction)
    places = [start + ahead * r + aside * (a + b * r / scale + c * (r / scale) ** 2) for r in roots]
    along, x0 = min(zip(places, roots, strict=True), key=lambda place: abs(place[0] - near))
    tangent = chord.direction + (b / scale + 2 * c * x0 / scale**2) * chord.normal
    slope = math.degrees(math.atan2(abs(float(tangent @ towards.normal)), float(tangent @ towards.direction)))
    gradient = np.array([1.0, x0 / scale, (x0 / scale) ** 2])
    std = math.sqrt(max(float(gradient @ covariance @ gradient), 0.0)) / max(math.sin(math.radians(slope)), 0.03)
    return along, slope, std


def _rounding(
    path: Points, towards: Line, leave: int, corner_along: float, slope_deg: float, sign: int, detail: Detail
) -> float:
    """Return the tangent length of a rounded transition at the corner, 0 where blur explains what is seen.

    The outline's distance from the sharp corner along the bisector is r (1 / cos(φ / 2) - 1) for a
    fillet radius r and a change of direction φ; the tangent length is r tan(φ / 2).
    """
    half = math.radians(slope_deg) / 2
    corner = towards.at(corner_along)
    bisector = math.cos(half) * towards.normal * sign - math.sin(half) * towards.direction
    side = math.sin(half) * towards.normal * sign + math.cos(half) * towards.direction
    low, high = max(0, leave - round(2.5 / detail.step_mm)), min(len(path), leave + round(2.5 / detail.step_mm) + 2)
    local = path[low:high] - corner
    across, along = local @ bisector, local @ side
    width = max(1.5 * detail.step_mm, 0.6 * detail.blur_mm)
    near = np.abs(along) < width
    if np.count_nonzero(near) < 2:
        return 0.0
    gap = float((across[near] - np.abs(along[near]) * math.tan(half) * 0.5).mean())
    # A blurred corner of this turn keeps about 0.4 sigma tan(half) of distance (half level of a blurred wedge).
    gap -= 0.55 * detail.blur_mm * math.tan(half) + 0.3 * detail.step_mm * math.tan(half)
    if gap < 3.0 * detail.noise_mm / math.sqrt(float(np.count_nonzero(near))) + 0.004:
        return 0.0
    radius = gap / (1 / math.cos(half) - 1)
    tangent = radius * math.tan(half)
    return float(min(tangent, 2.0))
