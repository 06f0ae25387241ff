"""The whole way for one file: picture or profile in, measured welds and their document entry out."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calibration.model import Calibration
from core.errors import NothingMeasurable, ToelineError, UsageError
from core.geometry import Points
from core.quantity import Measured, Quantity
from inspection import document
from inspection.document import Entry
from inspection.given_points import checked_marks, refuse_outside
from inspection.inside_entry import inside_entries, with_inside
from inspection.settings import Settings, settings_entry, shared_calibration
from vision.picture import Picture, read_colour, read_picture
from vision.profile_file import SUFFIXES, read_profile
from vision.section import Flag, Section

if TYPE_CHECKING:
    from vision.found import FoundWeld, FoundWelds
    from vision.stripe import Stripe


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """What became of one file.

    Attributes
    ----------
    entry
        Its entry in the result document.
    found, measured
        The welds, left to right, and the values of each; empty when ``error`` tells why.
    calibration
        What mapped the picture, None for a profile.
    error
        Why nothing was measured.
    line
        The laser line, None for a photograph or a profile.
    """

    entry: Entry
    found: FoundWelds | None = None
    measured: tuple[Mapping[str, Measured], ...] = ()
    calibration: Calibration | None = None
    error: ToelineError | None = None
    line: Stripe | None = None


def measure_file(path: str | Path, settings: Settings) -> Entry:
    """Measure one picture or profile and return its entry of the result document.

    Raises
    ------
    UsageError
        When the settings cannot serve; whatever is wrong with the file is in the entry.
    """
    return inspect_file(path, settings, shared_calibration(settings)).entry


def inspect_file(path: str | Path, settings: Settings, calibration: Calibration | None) -> Inspection:
    """Measure one picture or profile with a calibration already read."""
    kind = source_kind(path, settings)
    if settings.source == "auto" and kind == "macro" and calibration is not None and calibration.kind == "laser":
        kind = "laser"
    source: Entry = {"path": document.as_name(path), "sha256": None, "kind": kind, "width_px": None, "height_px": None}
    try:
        if kind == "profile":
            return _inspect_profile(path, settings, source)
        if kind == "laser":
            return _inspect_laser(path, settings, calibration, source)
        return _inspect_picture(path, settings, calibration, source)
    except UsageError:
        raise
    except ToelineError as error:
        return Inspection(_entry(source, None, [], settings, error), error=error)


def source_kind(path: str | Path, settings: Settings) -> str:
    """Return "profile", "macro" or "laser", as chosen or by the suffix of the file.

    A picture with the calibration of a rig is a laser frame, too; `inspect_file` sees to that.
    """
    if settings.source != "auto":
        return settings.source
    return "profile" if Path(path).suffix.lower() in SUFFIXES else "macro"


def needs_scale(settings: Settings) -> UsageError:
    """Return the error of a picture without any scale."""
    return UsageError(
        'a picture needs a scale: give --calibration CAL.json (made by "toeline calibrate"), '
        '--scale "0.02 mm" for the size of one pixel, or --scale-from-metadata.'
    )


def _inspect_profile(path: str | Path, settings: Settings, source: Entry) -> Inspection:
    from inspection.gap_doubt import with_gaps
    from vision.profile_side import find_welds_in_file

    if settings.marks is not None or settings.region is not None:
        raise UsageError("--marks and --region are in pixels of a picture: leave them out for a profile file.")
    file = read_profile(path, file_units=settings.file_units)
    source["sha256"] = file.sha256
    found = find_welds_in_file(file, joint=settings.joint, outside_diameter_mm=settings.outside_diameter_mm)
    found = with_gaps(found, file.profile)
    return _measured(found, source, None, settings)


def _inspect_laser(path: str | Path, settings: Settings, calibration: Calibration | None, source: Entry) -> Inspection:
    from inspection.laser_frame import measure_frame
    from vision.frames import read_frame

    if calibration is None:
        raise needs_scale(settings)
    if settings.marks is not None:
        raise UsageError("--marks are for photographs of sections: leave them out for a laser frame.")
    frame = read_frame(Path(path))
    assert frame.pixels is not None
    height, width = frame.pixels.shape[:2]
    source |= {"sha256": frame.sha256, "width_px": width, "height_px": height}
    measured = measure_frame(
        frame.pixels,
        calibration,
        joint=settings.joint,
        region=settings.region,
        outside_diameter_mm=settings.outside_diameter_mm,
    )
    return replace(_measured(measured.found, source, calibration, settings), line=measured.stripe)


def _inspect_picture(
    path: str | Path, settings: Settings, calibration: Calibration | None, source: Entry
) -> Inspection:
    if calibration is None and not settings.scale_from_metadata:
        raise needs_scale(settings)
    if settings.outside_diameter_mm is not None:
        raise UsageError("--outside-diameter is for profiles and laser frames: leave it out for a section's picture.")
    if calibration is not None and calibration.kind == "laser":
        raise UsageError("a photograph of a section is not measured with the calibration of a laser rig: calibrate it.")
    picture = read_picture(path)
    source |= {"sha256": picture.sha256, "width_px": picture.width_px, "height_px": picture.height_px}
    if settings.marks is not None:
        refuse_outside(settings.marks, picture.width_px, picture.height_px)
    if calibration is None:
        from calibration.resolution import calibrate_resolution

        calibration = calibrate_resolution(Path(path))
    calibration.check_size(picture.width_px, picture.height_px)
    if settings.source == "auto" and settings.marks is None:
        from vision.line_frame import is_laser_line

        # Rims of a line look like plates with a fillet between them.
        if is_laser_line(picture.gray8):
            raise NothingMeasurable(LASER_LINE)
    found = _found(path, picture, calibration, settings)
    if settings.marks is not None:
        found = checked_marks(found)
    curve = picture.curve if settings.tone_curve == "auto" else settings.tone_curve
    found = with_inside(
        picture.gray8, found, calibration, settings.inside, settings.marks, settings.pore_size_mm, curve
    )
    return _measured(found, source, calibration, settings)


LASER_LINE = (
    "the picture shows a narrow bright line on a dark ground, as a laser line is, and no section; give --source laser "
    "with the calibration of its rig, or --source macro when it is the photograph of a section all the same"
)

TELL_COLOUR = ("low_contrast", "weak_outline", "soft_outline")
"""Doubts that brightness alone may have made: the colours of the picture are asked, too."""

CLEARER = 0.6
"""Colour is taken where the ground changes by so much less in it, against its step to the metal."""

TOLD_BY_COLOUR = (
    "the section was told from its ground by colour, which pictures keep less finely than brightness: plain paper of "
    "another tone makes its edges sharper"
)

COLOUR_COARSENESS = 2.0
"""JPEG and HEIC keep colours at half the size (4:2:0), and sensors see each at half of the places."""


def _found(path: str | Path, picture: Picture, calibration: Calibration, settings: Settings) -> FoundWelds:
    """Find the welds of a picture, with what spatter that was left out leaves open."""
    from inspection.gap_doubt import with_gaps

    found = _found_in_light(path, picture, calibration, settings)
    return found if found.seen is None else with_gaps(found, found.seen)


def _found_in_light(path: str | Path, picture: Picture, calibration: Calibration, settings: Settings) -> FoundWelds:
    """Find the welds of a picture in its brightness; where that does not tell them well, in its colours.

    Raises
    ------
    NothingMeasurable
        When neither shows a weld.
    """
    from vision.colour_plane import colour_plane
    from vision.find import find_welds
    from vision.found import all_flagged
    from vision.ground import PLAIN, plainer
    from vision.mount import alone_in, mount_of

    curve = picture.curve if settings.tone_curve == "auto" else settings.tone_curve
    search = partial(
        find_welds, calibration=calibration, joint=settings.joint, region=settings.region, marks=settings.marks
    )
    found, failure = None, None
    try:
        found = search(picture.gray8, curve=curve)
    except NothingMeasurable as error:
        failure = error
    doubted = found is None or bool(_codes(found) & set(TELL_COLOUR))
    if found is not None and found.ground_roughness < PLAIN and not doubted:
        return found
    rgb = read_colour(path)
    plane = colour_plane(rgb, curve)
    coloured = None
    in_colour = partial(search, curve="linear" if curve == "srgb" else curve, coarseness=COLOUR_COARSENESS)
    # A soft shadow is one in every colour: the long search pays where the ground is plainer in colour.
    if plane is not None and (found is None or doubted or plainer(found.outline_px, picture.gray8, plane) < CLEARER):
        with suppress(NothingMeasurable):
            coloured = in_colour(plane)
    if found is None and coloured is None:
        planes = [picture.gray8] if plane is None else [picture.gray8, plane]
        mount = mount_of(planes)
        within = None if mount is None else colour_plane(rgb, curve, mount)
        if mount is not None and within is not None:
            with suppress(NothingMeasurable):
                coloured = in_colour(alone_in(within, mount))
    if coloured is not None and (found is None or coloured.ground_roughness < CLEARER * found.ground_roughness):
        return all_flagged(coloured, Flag("told_by_colour", TOLD_BY_COLOUR))
    if found is None:
        assert failure is not None
        raise failure
    return found


def _codes(found: FoundWelds) -> set[str]:
    return {flag.code for weld in found.welds for flag in weld.flags}


def _measured(found: FoundWelds, source: Entry, calibration: Calibration | None, settings: Settings) -> Inspection:
    from measurement import measure

    measured = tuple(measure(weld.section) for weld in found.welds)
    welds = [
        weld_entry(str(number), weld, values, calibration, settings)
        for number, (weld, values) in enumerate(zip(found.welds, measured, strict=True), start=1)
    ]
    about = None if calibration is None else document.calibration_entry(calibration, _near(found, source))
    entry = _entry(source, about, welds, settings, None)
    return Inspection(entry, found, measured, calibration)


def _near(found: FoundWelds, source: Entry) -> Points:
    """Return the points of all welds in the picture, its centre when there are none, (N, 2) px."""
    points = [list(point) for weld in found.welds for point in weld.points_px.values()]
    centre = [((source["width_px"] or 1) - 1) / 2, ((source["height_px"] or 1) - 1) / 2]
    return np.array(points or [centre], float).reshape(-1, 2)


def weld_entry(
    number: str, weld: FoundWeld, values: Mapping[str, Measured], calibration: Calibration | None, settings: Settings
) -> Entry:
    """Return one weld as the result document has it, with nothing judged and nothing confirmed."""
    from measurement import LABELS, SIGNED

    shared = () if calibration is None else tuple(Flag(code, message) for code, message in calibration.flags)
    more_flags = (*shared, *_thickness_doubt(values, settings), *_hump_doubt(values))
    return {
        "id": number,
        "joint": weld.section.joint,
        "points_px": document.points_entry(weld.points_px),
        "points_mm": document.points_entry(section_points(weld.section)),
        "measurements": {
            name: document.measurement_entry(
                value, LABELS[name].label if name in LABELS else None, signed=name in SIGNED
            )
            for name, value in values.items()
        },
        "flags": document.flag_entries((*weld.section.flags, *weld.flags, *more_flags)),
        **inside_entries(weld.section.inside),
        "outcomes": [],
        "review": {"state": "unconfirmed"},
    }


def section_points(section: Section) -> dict[str, Points]:
    """Return the named points of a section in mm."""
    points: dict[str, Points] = {}
    if section.root is not None:
        points["root"] = section.root
    if section.face is not None:
        points |= section.face.told_toes
    if section.root_side is not None:
        points["root_toe_left"], points["root_toe_right"] = section.root_side.toe_left, section.root_side.toe_right
    for side, edge in (("left", section.edge_left), ("right", section.edge_right)):
        if edge is not None:
            points[f"outer_corner_{side}"] = edge.outer_corner
            points[f"root_edge_{side}"] = edge.land_bottom
    return points


def _hump_doubt(values: Mapping[str, Measured]) -> list[Flag]:
    """Return a flag for an undercut in which something stands."""
    from measurement.undercut import HUMP

    sides = [side for side in ("left", "right") if getattr(values.get(f"undercut_{side}"), "note", None) == HUMP]
    return [Flag("hump_in_undercut", f"on the {side} {HUMP}") for side in sides]


def _thickness_doubt(values: Mapping[str, Measured], settings: Settings) -> list[Flag]:
    """Compare the plates with their nominal thickness: a wrong scale shows there first.

    A tenth of the thickness covers the tolerances of rolled plate and tube.
    """
    nominal = settings.thickness_mm
    flags = []
    for side in ("left", "right") if nominal is not None else ():
        value = values.get(f"thickness_{side}")
        if not isinstance(value, Quantity) or nominal is None:
            continue
        allowed = 0.1 * nominal + (value.expanded_uncertainty or 0.0)
        if abs(value.value - nominal) > allowed:
            text = f"the {side} plate measures {value.value:.2f} mm where {nominal:g} mm was given: check the scale"
            flags.append(Flag("thickness_differs", text))
    return flags


def _entry(
    source: Entry, calibration: Entry | None, welds: list[Entry], settings: Settings, error: ToelineError | None
) -> Entry:
    return {
        "source": source,
        "calibration": calibration,
        "settings": settings_entry(settings),
        "welds": welds,
        "error": None if error is None else document.error_entry(error),
    }
