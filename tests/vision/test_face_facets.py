"""The facets of a hollow face beside a short plate: none of them is the plate, though its leg would be shorter."""

from __future__ import annotations

from benchmarks.render.fillets import FilletShape, lap
from benchmarks.render.geometry import PlateEnd
from core.quantity import Quantity
from measurement import measure
from vision.find import find_welds


def test_a_lap_with_little_of_both_plates_beside_a_hollow_face_is_measured(photograph) -> None:
    """It was refused: between the lower plate and a facet of the face there seemed to be a much better weld."""
    drawing = lap(
        lower_thickness_mm=7,
        upper_thickness_mm=10.7,
        weld=FilletShape(8.0, 9.6, bulge_mm=-0.64),
        overlap_mm=12,
        lower_end=PlateEnd(16.5),
        upper_end=PlateEnd(18),
    )
    photo = photograph(drawing, rotation_deg=8.0)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    values = measure(weld.section)
    for name in ("throat", "size", "leg_left", "leg_right"):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert abs(value.value - drawing.welds[0].values[name]) < 0.06, name
