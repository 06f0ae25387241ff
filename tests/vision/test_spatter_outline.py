"""Drops of metal beside and on the welds of photographed sections, drawn with known dimensions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Point

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing, PlateEnd
from core.geometry import Points
from core.quantity import NotMeasurable, Quantity
from inspection.gap_doubt import with_gaps
from measurement import measure
from vision.find import find_welds
from vision.found import FoundWelds
from vision.spatter import LEFT_OUT

TEE = tee(
    through_thickness_mm=9, standing_thickness_mm=7, right=FilletShape(6.2, 7.1, bulge_mm=0.4),
    through_left=PlateEnd(14), through_right=PlateEnd(18), standing=PlateEnd(14),
)  # fmt: skip
BUTT = butt(
    thickness_left_mm=10, thickness_right_mm=10,
    weld=ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9),
    end_left=PlateEnd(15), end_right=PlateEnd(15),
)  # fmt: skip


def with_drop(drawing: Drawing, at: Points, radius: float) -> Drawing:
    """Put a round drop on a drawing, a third of it sunk in."""
    return replace(drawing, metal=drawing.metal.union(Point(*at).buffer(radius)))


def beside(drawing: Drawing, toe: str, away_mm: float) -> Points:
    """Return a place on the plate a distance from a toe, seen from the middle of the weld."""
    points = {name: np.asarray(point, float) for name, point in drawing.welds[0].points_mm.items()}
    other = points["toe_right" if toe == "toe_left" else "toe_left"]
    way = points[toe] - points.get("root", other)
    return np.asarray(points[toe] + away_mm * way / np.hypot(*way))


def found(photo) -> FoundWelds:
    welds = find_welds(photo.gray, photo.calibration)
    return welds if welds.seen is None else with_gaps(welds, welds.seen)


def codes(welds: FoundWelds) -> set[str]:
    return {flag.code for flag in welds.welds[0].flags}


@pytest.mark.parametrize("drawing", [TEE, BUTT], ids=["tee", "butt"])
@pytest.mark.parametrize("toe", ["toe_left", "toe_right"])
@pytest.mark.parametrize("turn_deg", [0, 57])
def test_a_drop_beside_a_toe_is_no_part_of_the_weld(photograph, drawing: Drawing, toe: str, turn_deg: float) -> None:
    drawn = with_drop(drawing, beside(drawing, toe, 0.6), 0.5)
    welds = found(photograph(drawn, rotation_deg=turn_deg, seed=3))
    assert LEFT_OUT in codes(welds)
    values, plain = (
        measure(welds.welds[0].section),
        measure(found(photograph(drawing, rotation_deg=turn_deg, seed=3)).welds[0].section),
    )
    name = "cap_width" if drawing is BUTT else f"leg_{toe.removeprefix('toe_')}"
    value, expected = values[name], plain[name]
    assert isinstance(value, Quantity)
    assert isinstance(expected, Quantity)
    assert abs(value.value - expected.value) < max(value.expanded_uncertainty, 0.1)


def test_what_a_drop_covers_is_not_measured(photograph) -> None:
    """An undercut may lie below it."""
    drawn = with_drop(BUTT, beside(BUTT, "toe_left", 0.1), 0.6)
    welds = found(photograph(drawn, rotation_deg=0, seed=5))
    values = measure(welds.welds[0].section)
    assert isinstance(values["undercut_left"], NotMeasurable)
    assert isinstance(values["undercut_right"], Quantity)


def test_a_drop_on_the_face_is_no_convexity(photograph) -> None:
    toes = [np.asarray(TEE.welds[0].points_mm[name], float) for name in ("toe_left", "toe_right")]
    chord = toes[1] - toes[0]
    out = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    middle = np.mean(toes, axis=0)
    out = out if out @ (middle - np.asarray(TEE.welds[0].points_mm["root"], float)) > 0 else -out
    welds = found(photograph(with_drop(TEE, middle + 0.5 * out, 0.6), rotation_deg=20, seed=6))
    assert LEFT_OUT in codes(welds)
    value = measure(welds.welds[0].section)["convexity"]
    assert isinstance(value, Quantity)
    assert abs(value.value - 0.4) < max(value.expanded_uncertainty, 0.06)


def test_a_weld_without_drops_is_told_none(photograph) -> None:
    for drawing in (TEE, BUTT):
        assert not {code for code in codes(found(photograph(drawing, rotation_deg=33, seed=7))) if "spatter" in code}
