"""Clouds as scanners leave them: in rows, with few points on steep faces, over a bench, and with scatter along rows."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.cloud import surface_of, weld_air
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import Drawing, PlateEnd
from benchmarks.render.grooves import Edge, groove
from core.errors import NothingMeasurable
from core.geometry import rotate
from core.quantity import Quantity
from measurement import measure
from vision.cloud import PARTLY, Cloud, Sections, sections
from vision.cloud_air import air_of, look
from vision.cloud_seam import surface_normals
from vision.cloud_slab import slab_length
from vision.cloud_sweep import seam_direction
from vision.find_profile import find_welds_in_profile

FAR = {"end_left": PlateEnd(30), "end_right": PlateEnd(30)}
NOISE_MM = 0.05


def drawing(kind: str) -> Drawing:
    if kind == "tee":
        ends = {"through_left": PlateEnd(20), "through_right": PlateEnd(30), "standing": PlateEnd(30)}
        weld = FilletShape(6.0, 7.0, 0.5)
        return tee(through_thickness_mm=10, standing_thickness_mm=8, angle_deg=95, right=weld, **ends)
    if kind == "lap":
        ends = {"lower_end": PlateEnd(30), "upper_end": PlateEnd(30)}
        return lap(lower_thickness_mm=10, upper_thickness_mm=11, weld=FilletShape(6.0, 7.0, 0.4), **ends)
    if kind == "low cap":
        weld = ButtShape(5.0, 5.0, 1.2)
        return butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, offset_mm=0.3, **FAR)
    if kind == "high cap":
        weld = ButtShape(4.0, 4.0, 2.3)
        return butt(thickness_left_mm=10, thickness_right_mm=10, weld=weld, offset_mm=0.8, **FAR)
    edge = Edge("bevel", 30.0, 2.0)
    return groove(thickness_left_mm=10, thickness_right_mm=10, left=edge, right=edge, root_gap_mm=2.5, **FAR)


def in_rows(
    drawn: Drawing,
    seed: int,
    *,
    apart_mm: float = 0.5,
    length_mm: float = 30.0,
    alike_mm: float = 0.0,
    noise_mm: float = NOISE_MM,
    askew_deg: float = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return points (N, 3) in rows square to the seam, 0.1 mm apart as seen from the air, the seam and the air.

    ``alike_mm`` is over what length of a row the scatter is alike.
    """
    rng = np.random.default_rng(seed)
    air = weld_air(drawn)
    turn = np.pi / 2 - np.arctan2(air[1], air[0])
    outline = rotate(surface_of(drawn, air, reach_mm=25.0), turn)
    across = np.arange(outline[0, 0], outline[-1, 0], 0.1)
    rows = []
    for along in np.arange(0.0, length_mm, apart_mm):
        x = across + rng.uniform(0, 0.1)
        after = np.searchsorted(outline[:, 0], x).clip(1, len(outline) - 1)
        seen = np.hypot(*(outline[after] - outline[after - 1]).T) < 2.0
        size = max(1, round(alike_mm / 0.1))
        scatter = np.convolve(rng.normal(0, noise_mm, len(x)), np.ones(size) / np.sqrt(size), "same")
        height = np.interp(x, outline[:, 0], outline[:, 1]) + scatter
        rows.append(np.column_stack([np.full(len(x), along), x, height])[seen])
    points = np.vstack(rows)
    points[:, 0] += np.tan(np.radians(askew_deg)) * points[:, 1]
    points = points[(points[:, 0] >= 0) & (points[:, 0] <= length_mm)]
    factor = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    factor[:, 0] *= np.sign(np.linalg.det(factor))
    return points @ factor.T, factor[:, 0], factor[:, 2]


def medians(found: Sections, joint: str, names: tuple[str, ...], *, every: int = 1) -> tuple[int, dict[str, float]]:
    """Return how many of the sections asked for were measured, and the median of each value."""
    values: dict[str, list[float]] = {name: [] for name in names}
    measured = 0
    for section in map(found.at, range(0, len(found), every)):
        try:
            assert section.profile is not None
            welds = find_welds_in_profile(section.profile, joint=joint).welds  # type: ignore[arg-type]
        except (NothingMeasurable, AssertionError):
            continue
        measured += 1
        for name, value in measure(welds[0].section).items():
            if name in values and isinstance(value, Quantity):
                values[name].append(value.value)
    return measured, {name: float(np.median(list_)) for name, list_ in values.items() if list_}


CASES = {
    "tee": ("tee", {"throat": 0.05, "joint_angle": 0.2, "leg_left": 0.15, "leg_right": 0.15}),
    "lap": ("lap", {"throat": 0.1, "leg_left": 0.2, "leg_right": 0.2}),
    "groove": ("groove", {"groove_angle": 0.5, "misalignment": 0.05}),
}


@pytest.mark.parametrize("apart_mm", [0.5, 2.0])
@pytest.mark.parametrize("kind", CASES)
def test_rows_across_the_seam_are_measured(kind: str, apart_mm: float) -> None:
    joint, within = CASES[kind]
    points, seam, air = in_rows(drawing(kind), 3, apart_mm=apart_mm)
    found = sections(Cloud(points), 0.5)
    assert abs(found.info.seam @ seam) > np.cos(np.radians(0.5))
    assert found.info.air @ air > np.cos(np.radians(5.0))
    measured, values = medians(found, joint, tuple(within), every=5)
    assert measured >= 0.9 * len(found) / 5
    truth = drawing(kind).welds[0].values
    if abs(truth.get("leg_left", 0.0) - values.get("leg_left", 0.0)) > 0.5:  # the seam was walked the other way
        truth = truth | {"leg_left": truth["leg_right"], "leg_right": truth["leg_left"]}
    for name, limit in within.items():
        assert values[name] == pytest.approx(truth[name], abs=limit), name


def test_a_bevel_ends_where_its_root_face_begins_however_few_points_that_has() -> None:
    points, *_ = in_rows(drawing("groove"), 5)
    names = ("preparation_depth_left", "preparation_depth_right")
    _, values = medians(sections(Cloud(points), 0.5), "groove", names, every=5)
    for value in values.values():
        assert value == pytest.approx(8.0, abs=0.3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_high_cap_is_no_groove_seen_through_the_metal(seed: int) -> None:
    points, _, air = in_rows(drawing("high cap"), seed)
    found = sections(Cloud(points), 3.0)
    assert found.info.air @ air > np.cos(np.radians(5.0))
    _, values = medians(found, "auto", ("reinforcement",))
    assert values["reinforcement"] == pytest.approx(drawing("high cap").welds[0].values["reinforcement"], abs=0.05)


def test_rows_askew_to_the_seam_leave_no_half_sections_at_its_ends() -> None:
    points, *_ = in_rows(drawing("high cap"), 8, askew_deg=20.0, length_mm=40.0)
    found = sections(Cloud(points), 1.0)
    assert {section.reason for section in found} == {"", PARTLY}
    true = drawing("high cap").welds[0].values["reinforcement"]
    heights = []
    for section in found:
        if section.profile is not None:
            value = measure(find_welds_in_profile(section.profile).welds[0].section)["reinforcement"]
            if isinstance(value, Quantity):
                heights.append(value.value)
    assert len(heights) > 15
    assert np.abs(np.array(heights) - true).max() < 0.1


def test_scatter_alike_along_rows_does_not_turn_the_seam() -> None:
    points, seam, _ = in_rows(drawing("low cap"), 3, apart_mm=0.7, alike_mm=4.0, length_mm=50.0)
    surface = surface_normals(points, np.random.default_rng(1))
    assert abs(seam_direction(surface).along @ seam) > np.cos(np.radians(0.5))


def test_a_bench_below_and_beyond_the_plates_is_no_part_of_the_seam() -> None:
    points, seam, air = in_rows(drawing("tee"), 6)
    rng = np.random.default_rng(7)
    side = np.cross(air, seam)
    lowest = (points @ air).min()
    middle = points.mean(axis=0) - (points.mean(axis=0) @ air) * air
    place = np.column_stack([rng.uniform(-35, 35, 15_000), rng.uniform(-45, 45, 15_000)])
    bench = middle + place[:, :1] * seam + place[:, 1:] * side + (lowest - 20.0) * air
    found = sections(Cloud(np.vstack([points, bench])), 3.0)
    assert found.info.bend_mm < 0.2
    assert found.info.length_mm == pytest.approx(30.0, abs=8.0)  # pieces of 4 mm tell where it ends
    measured, values = medians(found, "tee", ("joint_angle",))
    assert measured >= len(found) - 2
    assert values["joint_angle"] == pytest.approx(95.0, abs=0.2)


def test_a_section_takes_as_much_of_the_seam_as_its_points_need() -> None:
    across = np.tile(np.arange(0, 20, 0.1), 80)
    for apart_mm, least, most in ((0.1, 0.5, 0.5), (2.0, 2.0, 4.0), (9.0, 4.0, 4.0)):
        along = np.repeat(np.arange(80) * apart_mm, 200)
        taken = slab_length(along, np.column_stack([across, np.zeros(len(across))]), 0.5)
        assert least <= taken <= most


def test_points_that_scatter_make_a_section_longer_and_scatter_alone_not_the_longest() -> None:
    rng = np.random.default_rng(3)
    along, across = np.sort(rng.uniform(0, 30, 15_000)), rng.uniform(0, 20, 15_000)
    taken = [slab_length(along, np.column_stack([across, 0 * across]), 0.5, noise) for noise in (0.02, 0.08, 0.15)]
    assert 0.5 < taken[0] < taken[1] < taken[2] == 3.0


def test_a_low_cap_between_undercuts_is_no_hollow_between_ridges() -> None:
    """Seen through the metal the grooves rise higher than the cap is deep."""
    across = np.linspace(-20, 20, 900)
    cap = np.where(np.abs(across) < 5.5, 0.45 * (1 - (across / 5.5) ** 2), 0.0)
    for side in (-6.2, 6.2):
        cap -= 0.7 * np.clip(1 - ((across - side) / 0.7) ** 2, 0, None)
    piece = np.column_stack([across, cap + np.random.default_rng(2).normal(0, 0.02, len(across))])
    found = air_of([piece] * 3, "butt")
    assert np.sin(found.angle_rad) > 0.99
    assert found.how == "the weld rises on this side"


def test_a_view_whose_joint_leaves_much_unexplained_counts_less() -> None:
    """A groove seen through the metal may pass for the corner of one plate and one bevel."""

    def seen(corners: list[tuple[float, float]]) -> np.ndarray:
        at = np.array(corners)
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(at, axis=0).T))])
        along = np.arange(0.0, length[-1], 0.05)
        points = np.column_stack([np.interp(along, length, at[:, i]) for i in (0, 1)])
        return points + np.random.default_rng(1).normal(0, 0.02, points.shape)

    tee_alone = [(-20.0, 20.0), (-4.0, 4.0), (4.0, 4.0), (20.0, 20.0)]
    whole = air_of([seen(tee_alone)] * 3, "auto")
    assert not whole.doubtful
    upright = look(seen(tee_alone), "auto")
    more = look(seen([*tee_alone, (28.0, 12.0), (48.0, 12.0)]), "auto")
    assert upright is not None
    assert more is not None
    assert (upright[2], more[2]) == ("tee", "tee")
    assert more[0] < 0.95 * upright[0]
