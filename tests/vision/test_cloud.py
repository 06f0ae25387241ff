"""Clouds of known truth cut into sections: seam, air, what is left out, and what the sections measure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.cloud import DrawnCloud, Scan, scan, surface_of
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import Drawing, PlateEnd
from benchmarks.render.grooves import Edge, groove
from core.errors import NothingMeasurable, UsageError
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.cloud import CROSSED, Cloud, Sections, sections
from vision.cloud_directions import direction_of
from vision.cloud_profile import MISSING, profile_of_slab
from vision.find_profile import find_welds_in_profile

PLAIN = Scan(length_mm=24.0, per_mm2=16.0)
ENDS = {"through_left": PlateEnd(25), "through_right": PlateEnd(35), "standing": PlateEnd(35)}
LONG = {"end_left": PlateEnd(40), "end_right": PlateEnd(40)}


def drawing(kind: str) -> Drawing:
    if kind == "tee":
        weld = FilletShape(6.0, 7.0, 0.5)
        return tee(through_thickness_mm=10, standing_thickness_mm=8, angle_deg=78, right=weld, **ENDS)
    if kind == "lap":
        weld = FilletShape(6.0, 7.0, 0.4)
        return lap(
            lower_thickness_mm=10, upper_thickness_mm=11, weld=weld, lower_end=PlateEnd(40), upper_end=PlateEnd(40)
        )
    if kind == "butt":
        weld = ButtShape(6.0, 7.0, 1.8)
        return butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, offset_mm=0.6, peaking_deg=1.5, **LONG)
    edge = Edge("bevel", 30.0, 1.5)
    return groove(thickness_left_mm=10, thickness_right_mm=10, left=edge, right=edge, root_gap_mm=2, **LONG)


def cut(drawn: DrawnCloud, pitch_mm: float = 3.0, **how) -> Sections:
    return sections(Cloud(drawn.points_mm), pitch_mm, **how)


def values(cloud: Sections, name: str, joint: str) -> list[Quantity]:
    """Return a value of every section that gives it."""
    found = []
    for section in cloud:
        if section.profile is None:
            continue
        (weld,) = find_welds_in_profile(section.profile, joint=joint).welds
        value = measure(weld.section)[name]
        if isinstance(value, Quantity):
            found.append(value)
    return found


@pytest.fixture(scope="module", params=["tee", "lap", "butt", "groove"])
def plain(request) -> tuple[str, DrawnCloud, Sections]:
    drawn = scan(drawing(request.param), replace(PLAIN, behind_mm=9.0), 3)
    return request.param, drawn, cut(drawn)


def test_seam_and_air_are_found(plain) -> None:
    _, drawn, found = plain
    assert abs(found.info.seam @ drawn.seam) > np.cos(np.radians(1.0))
    assert found.info.air @ drawn.air > np.cos(np.radians(4.0))
    assert found.info.length_mm == pytest.approx(24.0, abs=0.4)
    assert found.info.noise_mm == pytest.approx(0.12, rel=0.1)
    assert found.info.flags == ()


TRUE_WITHIN = {
    "tee": {"throat": 0.04, "joint_angle": 0.15},
    "lap": {"throat": 0.12},
    "butt": {"reinforcement": 0.03, "angular_misalignment": 0.2},
    "groove": {"groove_angle": 0.8, "misalignment": 0.05},
}


def test_sections_measure_what_was_drawn(plain) -> None:
    kind, _, found = plain
    truth = drawing(kind).welds[0].values
    for name, within in TRUE_WITHIN[kind].items():
        measured = values(found, name, kind)
        assert len(measured) == len(found) == 8
        errors = np.array([value.value - truth[name] for value in measured])
        assert np.median(np.abs(errors)) < within, name
        assert sum(abs(e) <= v.expanded_uncertainty for e, v in zip(errors, measured, strict=True)) >= 7, name


def test_what_one_side_does_not_show_is_not_measurable(plain) -> None:
    kind, _, found = plain
    if kind not in ("butt", "groove"):
        pytest.skip("a fillet's values all lie on its own side")
    (weld,) = find_welds_in_profile(found.at(2).profile, joint=kind).welds
    measured = measure(weld.section)
    hidden = {"butt": ("root_width", "root_reinforcement"), "groove": ("root_misalignment",)}[kind]
    for name in (*hidden, "thickness_left", "thickness_right"):
        assert isinstance(measured[name], NotMeasurable), name


def test_left_and_right_are_seen_along_the_seam_with_the_air_above() -> None:
    drawn = scan(drawing("tee"), PLAIN, 4)
    # The drawing's x axis is to the right when it is looked at against the direction of its seam.
    same = cut(drawn, seam=-drawn.seam, air=drawn.air)
    other = cut(drawn, seam=drawn.seam, air=drawn.air)
    assert same.info.air @ drawn.air == pytest.approx(1.0)
    assert np.median([v.value for v in values(same, "leg_left", "tee")]) == pytest.approx(6.0, abs=0.12)
    assert np.median([v.value for v in values(other, "leg_left", "tee")]) == pytest.approx(7.0, abs=0.12)


def test_gently_curving_seam() -> None:
    drawn = scan(drawing("tee"), replace(PLAIN, length_mm=90.0, bend_radius_mm=500.0, per_mm2=10.0), 5)
    found = cut(drawn, 6.0)
    assert found.info.bend_mm == pytest.approx(90.0**2 / 8 / 500.0, rel=0.15)
    assert found.info.length_mm == pytest.approx(90.0, abs=0.6)
    angles = [value.value for value in values(found, "joint_angle", "tee")]
    assert np.abs(np.array(angles) - 78.0).max() < 0.3


def test_holes_points_in_the_air_and_a_surface_behind() -> None:
    how = replace(PLAIN, holes=12, floating=0.02, behind_mm=6.0, uneven=0.9)
    drawn = scan(drawing("butt"), how, 6)
    found = cut(drawn, 2.0, air=drawn.air)
    outline = drawn.outline_mm
    seen = 0
    for section in found:
        if section.profile is None:
            continue
        points = section.profile.points_mm
        heights = points[:, 1] - np.median(points[:20, 1])
        # Neither the air (0.5 mm and more above) nor the surface behind (6 mm below) is taken for the surface.
        assert heights.max() < 2.8
        assert heights.min() > -0.6
        seen += sum(gap.reason == MISSING and gap.length_mm > 1.0 for gap in section.profile.gaps)
    assert seen >= 3
    assert np.ptp(outline[:, 1]) < 3.2


def test_another_bead_across_the_seam_is_told_and_not_measured() -> None:
    drawn = scan(drawing("butt"), replace(PLAIN, length_mm=50.0, crossing_at_mm=20.0), 7)
    found = cut(drawn, 1.0, seam=drawn.seam, slab_mm=1.0)
    assert abs(found.info.seam @ drawn.seam) > np.cos(np.radians(1.0))
    crossed = [section.position_mm for section in found if section.reason == CROSSED]
    assert 17.0 <= min(crossed) <= 18.5
    assert 21.0 <= max(crossed) <= 23.0
    assert len(crossed) <= 7
    heights = [value.value for value in values(found, "reinforcement", "butt")]
    assert np.abs(np.array(heights) - drawing("butt").welds[0].values["reinforcement"]).max() < 0.15


def test_the_seam_is_not_the_bead_that_crosses_it() -> None:
    drawn = scan(drawing("butt"), replace(PLAIN, length_mm=50.0, crossing_at_mm=20.0), 7)
    assert abs(cut(drawn).info.seam @ drawn.seam) > np.cos(np.radians(1.5))


def test_sections_are_made_when_asked_for_and_always_alike() -> None:
    drawn = scan(drawing("tee"), PLAIN, 8)
    found = cut(drawn, 5.0)
    assert [section.position_mm for section in found] == [0.0, 5.0, 10.0, 15.0]
    again = cut(drawn, 5.0).at(2).profile
    assert np.array_equal(again.points_mm, found.at(2).profile.points_mm)
    thick = cut(drawn, 5.0, slab_mm=10.0)
    assert len(thick) == 3
    assert thick.at(0).profile.resolution_mm < 0.6 * found.at(0).profile.resolution_mm


def test_flat_plate_has_no_seam() -> None:
    rng = np.random.default_rng(1)
    plate = np.column_stack([rng.uniform(0, 60, (20_000, 2)), rng.normal(0, 0.12, 20_000)])
    with pytest.raises(NothingMeasurable, match="--along"):
        sections(Cloud(plate), 1.0)
    with pytest.raises(NothingMeasurable, match="--air"):
        sections(Cloud(plate), 1.0, seam=(1, 0, 0))


def test_what_cannot_be_cut_is_refused() -> None:
    drawn = scan(drawing("tee"), PLAIN, 9)
    with pytest.raises(NothingMeasurable, match="points"):
        sections(Cloud(drawn.points_mm[:100]), 1.0)
    for factor in (0.001, 1000.0):
        with pytest.raises(NothingMeasurable, match="--file-units"):
            sections(Cloud(factor * drawn.points_mm), 1.0)
    with pytest.raises(UsageError, match="along the seam"):
        cut(drawn, seam=drawn.seam, air=drawn.seam)
    with pytest.raises(UsageError, match="not all zero"):
        cut(drawn, seam=(0, 0, 0))
    with pytest.raises(UsageError, match="--pitch"):
        cut(drawn, 0.0)
    with_nan = drawn.points_mm.copy()
    with_nan[::50] = np.nan
    assert sections(Cloud(with_nan), 5.0).info.points == np.isfinite(with_nan).all(axis=1).sum()


@pytest.mark.parametrize(
    ("text", "direction"), [("x", (1, 0, 0)), ("-z", (0, 0, -1)), ("+Y", (0, 1, 0)), ("0,0.5,-1", (0, 0.5, -1))]
)
def test_directions_as_people_write_them(text: str, direction: tuple) -> None:
    assert direction_of(text, "--air") == direction


@pytest.mark.parametrize("text", ["up", "", "1,2", "0,0,0", "nan,0,1", "--x", "1,2,3,4"])
def test_no_directions(text: str) -> None:
    with pytest.raises(UsageError, match="--air"):
        direction_of(text, "--air")


def test_a_slab_of_few_points_gives_no_profile() -> None:
    rng = np.random.default_rng(2)
    assert profile_of_slab(rng.normal(size=(20, 2))) is None
    assert profile_of_slab(np.zeros((100, 2))) is None


def test_drawn_surface_is_what_the_scanner_sees() -> None:
    """The renderer itself: of a plate 10 mm thick nothing but its upper side."""
    outline = surface_of(drawing("butt"), np.array([0.0, 1.0]), reach_mm=20.0)
    assert outline[:, 1].min() > -1.0
    assert np.diff(outline[:, 0]).min() >= 0
