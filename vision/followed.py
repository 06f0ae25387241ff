"""From coarse outlines to those that are followed closely: past strokes, bands beside a face and ruled lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.displaced import Displaced
from vision.edge_of_metal import seen_edge
from vision.outline import Outline, refine_outline, with_soft_rim
from vision.ruling import Ruling, bridged, with_chords
from vision.section import Flag
from vision.segmentation import ReducedPicture, Silhouette
from vision.side_band import band_of, beside_band, soft_beside, without_band
from vision.soft_stretch import led_along_edge
from vision.strokes import bridged as across_strokes
from vision.tone import ToneCurve

BESIDE_BAND_REACH = 1.2
"""In pixels of the picture in which bands are looked for: farther off lies the outer edge of a narrow one."""
BAND_LEFT_OUT = (
    "a band of another tone lies along one side of the section, as its wall seen from aside or its shadow: the edge of "
    "the face was followed; look at the outline, and put the camera square above the weld"
)
BAND_TAKEN_IN = (
    "a band of another tone lies along one side of the section, as its wall seen from aside or its shadow, and may "
    "have been taken for a part of the face; look at the outline, and put the camera square above the weld"
)


@dataclass(frozen=True, slots=True, eq=False)
class Faces:
    """Outlines to be followed, the band beside each (its displacement) that was left out, and what is told.

    ``factor`` leads from the picture in which bands were looked for to the full one; ``taken_in`` holds the bands that
    are too faint to be left out.
    """

    outlines: tuple[Silhouette, ...]
    bands: tuple[Displaced | None, ...] = ()
    flags: tuple[Flag, ...] = ()
    factor: float = 1.0
    taken_in: tuple[Displaced | None, ...] = ()


def without_side_bands(
    outlines: tuple[Silhouette, ...], pictures: Sequence[ReducedPicture], *, marked: bool
) -> list[Faces]:
    """Return what may be the ground faces in some outlines, likeliest first: without a wall or a shadow beside them.

    A narrow wall is seen in the finer picture, the soft edge of a shadow in the coarser one. Face and band as one are
    returned only where a person has ``marked`` the weld, for plates would be thicker than they are by the band, and
    where the band is too faint to be parted from the face: without marks, what lies beside it then counts as the rim of
    a shadow.
    """
    looks = [(picture, [band_of(outline, picture) for outline in outlines]) for picture in pictures]
    # One that is told from the face at a glance is told better than a faint one.
    picture, bands = max(looks, key=lambda look: sum(0 if band is None else 1 if band.faint else 2 for band in look[1]))
    if all(band is None for band in bands):
        return [Faces(outlines)]
    moved = tuple(None if band is None else band.displaced for band in bands)
    together = Faces(outlines, flags=(Flag("band_beside", BAND_TAKEN_IN),))
    if any(band is not None and band.faint for band in bands):
        return [together if marked else replace(together, taken_in=moved)]
    whole = [together] if marked else []
    eroded = [
        outline if band is None else without_band(outline, band.displaced, picture)
        for outline, band in zip(outlines, bands, strict=True)
    ]
    alone = tuple(outline for outline in eroded if outline is not None)
    if len(alone) < len(outlines):
        return whole
    return [Faces(alone, moved, (Flag("band_beside", BAND_LEFT_OUT),), picture.factor), *whole]


def follow_outlines(
    window: NDArray[np.uint8], reduced: ReducedPicture, ruling: Ruling | None, faces: Faces, *, curve: ToneCurve
) -> list[Outline]:
    """Follow coarse outlines closely, past strokes and the lines of a ruled ground."""
    reach_px = 2.2 * reduced.factor + 2.5
    outlines = []
    nothing = (None,) * len(faces.outlines)
    each = zip(faces.outlines, faces.bands or nothing, faces.taken_in or nothing, strict=True)
    for silhouette, band, taken_in in each:
        near_px = reach_px if band is None else BESIDE_BAND_REACH * faces.factor + 1.5
        outline = refine_outline(window, silhouette.points_px, near_px, curve=curve)
        if ruling is None and band is None and silhouette.crossed is None:
            outline = led_along_edge(window, outline, curve=curve)
        outline = bridged(outline, ruling)
        if silhouette.crossed is not None:
            crossed = silhouette.points_px[silhouette.crossed]
            outline = replace(outline, points_px=across_strokes(outline.points_px, crossed, near_px))
        # Between the two edges of a band an edge is seen with less of its contrast: it is no softer for that.
        known = with_soft_rim(outline) if band is None else replace(beside_band(outline, band), blunt=None)
        outlines.append(known if taken_in is None else soft_beside(known, taken_in))
    return outlines


def across_lost(outline: Outline) -> Outline:
    """Return an outline with chords where a shadow as dark as the metal leaves no edge."""
    return with_chords(outline, ~seen_edge(outline))
