"""Draw the line drawings of docs/definitions.md: ``python docs/make_drawings.py``."""

from __future__ import annotations

import math
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from line_drawing import ACCENT, FUSED, METAL, WELD, ZONE, Point, Sheet, arc, polar  # noqa: E402


def fillet() -> Sheet:
    """A convex fillet with its lengths; a hollow one with the triangle that fits under it."""
    sheet = Sheet(1180, 470, title="A fillet weld: legs, throat, convexity, face width; size and design throat")
    for origin, bulge, left, right in (((190.0, 330.0), 1.0, 7.0, 9.0), ((790.0, 330.0), -1.1, 8.0, 8.0)):
        sheet.view(origin, 27.0)
        toe_left, toe_right = (0.0, left), (right, 0.0)
        face = arc(toe_left, toe_right, bulge)
        sheet.fill([(-3, -3), (12.2, -3), (12.2, 0), (0, 0), (0, 11), (-3, 11)], METAL)
        sheet.fill([(0.0, 0.0), *face], WELD)
        sheet.plate_line((0, -1.2), (0, 10.6))
        sheet.plate_line((-1.2, 0), (11.8, 0))
        for point in ((0.0, 0.0), toe_left, toe_right):
            sheet.dot(point)
        if bulge > 0:
            sheet.chord(toe_left, toe_right)
            sheet.dimension((0, 0), toe_left, (-4.2, 0), "leg_left")
            sheet.dimension((0, 0), toe_right, (0, -4.0), "leg_right")
            nearest = min(face, key=lambda point: math.hypot(*point))
            sheet.dimension((0, 0), nearest, (0, 0), "throat", extend=False)
            middle = face[len(face) // 2]
            foot = (right / 2, left / 2)
            out = ((middle[0] - foot[0]) / bulge, (middle[1] - foot[1]) / bulge)
            along = (-out[1], out[0])
            shift = (-1.7 * along[0], -1.7 * along[1])
            sheet.dimension(toe_left, toe_right, (3.0 * out[0], 3.0 * out[1]), "face_width")
            sheet.dimension(foot, middle, shift, "")
            half = ((middle[0] + foot[0]) / 2 + shift[0], (middle[1] + foot[1]) / 2 + shift[1])
            sheet.leader(half, (9.0, 4.2), "convexity")
            sheet.text((-0.5, left + 0.6), "toe", anchor="end")
            sheet.text((right + 0.7, -0.8), "toe", anchor="start")
            sheet.text((-0.5, -0.9), "R", anchor="end", bold=True)
        else:
            # both plates are touched at the same distance: the largest triangle touches the middle of the face
            middle = face[len(face) // 2]
            size = middle[0] + middle[1]
            sheet.line([(size, 0), (0, size)], width=1.6, colour=ACCENT)
            sheet.chord(toe_left, toe_right)
            sheet.dimension((0, 0), (size, 0), (0, -4.0), "size")
            sheet.dimension((0, 0), (0, size), (-4.2, 0), "size")
            sheet.dimension((0, 0), (size / 2, size / 2), (0, 0), "design_throat", extend=False)
            chord_middle = (4.0, 4.0)
            sheet.dimension(middle, chord_middle, (1.3, -1.3), "")
            half = ((middle[0] + 4.0) / 2 + 1.3, (middle[1] + 4.0) / 2 - 1.3)
            sheet.leader(half, (7.6, 4.2), "concavity")
            sheet.text((-0.5, -0.9), "R", anchor="end", bold=True)
    return sheet


def skewed() -> Sheet:
    """A skewed tee: a leg along its plate, the perpendicular leg, the joint angle."""
    sheet = Sheet(760, 430, title="A skewed tee: leg and perpendicular leg are different lengths")
    sheet.view((250.0, 300.0), 27.0)
    lean = 65.0
    toe_left, toe_right = polar(lean, 7.5), (8.0, 0.0)
    far, behind = polar(lean, 10.5), polar(lean + 90, 3.0)
    foot_of_plate = (behind[0] - behind[1] / math.tan(math.radians(lean)), 0.0)
    sheet.fill([(-7, -2.6), (13, -2.6), (13, 0), (-7, 0)], METAL)
    sheet.fill([(0, 0), far, (far[0] + behind[0], far[1] + behind[1]), foot_of_plate], METAL)
    sheet.fill([(0, 0), *arc(toe_left, toe_right, 0.7)], WELD)
    sheet.plate_line(polar(lean, -1.5), polar(lean, 11.3))
    sheet.plate_line((-1.6, 0), (12.6, 0))
    for point in ((0.0, 0.0), toe_left, toe_right):
        sheet.dot(point)
    out = polar(lean + 90, 1.0)
    sheet.dimension((0, 0), toe_left, (5.2 * out[0], 5.2 * out[1]), "leg_left")
    sheet.dimension((0, 0), toe_right, (0, -3.7), "leg_right")
    foot = (toe_left[0], 0.0)
    sheet.line([toe_left, (toe_left[0] + 8.4, toe_left[1])])
    sheet.dimension(foot, toe_left, (7.8, 0), "perpendicular_leg_left", extend=False)
    sheet.angle((0, 0), 0, lean, 2.6, "joint_angle")
    sheet.text((-0.4, -0.9), "R", anchor="end", bold=True)
    return sheet


def toes() -> Sheet:
    """Undercut, toe angle and radius, overlap: one toe each, enlarged."""
    sheet = Sheet(1180, 340, title="What happens at a toe: undercut, toe angle and toe radius, overlap")
    sheet.view((110.0, 190.0), 60.0)
    groove = arc((1.3, 0), (3.3, 0), -0.75)
    face = arc((-1.2, 1.9), (1.3, 0), 0.25)
    sheet.fill([(-1.2, -2), (4.5, -2), (4.5, 0), *groove[::-1], *face[::-1]], METAL)
    sheet.plate_line((-0.9, 0), (4.4, 0))
    sheet.dot((1.3, 0))
    sheet.dimension((1.3, 0), (3.3, 0), (0, 0.75), "undercut_width")
    sheet.dimension((2.3, 0), (2.3, -0.75), (1.6, 0), "", extend=False)
    sheet.line([(2.3, -0.75), (4.2, -0.75)])
    sheet.text((3.7, -1.15), "undercut")
    sheet.text((0.95, -0.28), "toe", anchor="end")

    sheet.view((490.0, 190.0), 60.0)
    slope = 40.0
    radius = 1.5
    reach = radius * math.tan(math.radians(slope / 2))
    start = polar(180 - slope, reach, (1.1, 0))
    blend = arc(start, (1.1 + reach, 0), -radius * (1 - math.cos(math.radians(slope / 2))))
    away = polar(180 - slope, 2.3 / math.cos(math.radians(slope)), (1.1, 0))
    sheet.fill([(-1.2, -2), (4.2, -2), (4.2, 0), *blend[::-1], away], METAL)
    sheet.plate_line((-0.9, 0), (4.1, 0))
    sheet.line([(1.1, 0), polar(180 - slope, 3.6, (1.1, 0))], dashes="7 5")
    sheet.dot((1.1, 0))
    sheet.angle((1.1, 0), 0, 180 - slope, 1.5, "toe_angle", (1.6, 1.75))
    sheet.leader(blend[len(blend) // 2], (1.6, -1.1), "toe_radius")

    sheet.view((880.0, 190.0), 60.0)
    nose = _smooth([(-1.2, 1.7), (0.3, 1.6), (1.2, 1.2), (1.75, 0.6), (1.6, 0.22), (1.2, 0.05), (0.9, 0)])
    sheet.fill([(-1.2, -2), (4.2, -2), (4.2, 0), *nose[::-1]], METAL)
    sheet.plate_line((-0.9, 0), (4.0, 0))
    sheet.dot((0.9, 0))
    sheet.line([(1.76, 0.6), (1.76, -1.2)])
    sheet.dimension((0.9, 0), (1.76, 0), (0, -0.9), "overlap", place="end")
    sheet.text((0.75, -0.28), "point of fusion", anchor="end")
    return sheet


def butt() -> Sheet:
    """A butt weld with cap and root, misaligned; angular misalignment; underfill."""
    sheet = Sheet(1220, 500, title="A butt weld: cap, root, reinforcement, misalignment, thickness")
    sheet.view((400.0, 220.0), 30.0)
    up, thick = 0.8, 4.6
    left, right = (-4.4, 0.0), (4.0, up)
    root_left, root_right = (-1.7, -thick), (1.6, up - thick)
    cap = arc(left, right, 1.5)
    root = arc(root_left, root_right, -0.9)
    sheet.fill([(-11, 0), left, root_left, (-11, -thick)], METAL)
    sheet.fill([(11, up), right, root_right, (11, up - thick)], METAL)
    sheet.fill([*cap, *root[::-1]], WELD)
    sheet.plate_line((-10.6, 0), (8.4, 0))
    sheet.plate_line((10.6, up), (-2.4, up))
    sheet.chord(left, right)
    sheet.chord(root_left, root_right)
    for point in (left, right, root_left, root_right):
        sheet.dot(point)
    sheet.dimension(left, (right[0], right[1]), (-0.32, 3.4), "cap_width")
    top, low = cap[len(cap) // 2], root[len(root) // 2]
    sheet.dimension(_between(left, right), top, (0, 0), "", extend=False)
    sheet.leader(_between(_between(left, right), top), (6.4, 3.6), "reinforcement")
    sheet.dimension(root_left, root_right, (0.3, -2.4), "root_width")
    sheet.dimension(_between(root_left, root_right), low, (0, 0), "", extend=False)
    sheet.leader(_between(_between(root_left, root_right), low), (4.4, -6.2), "root_reinforcement")
    sheet.dimension((-8.6, 0), (-8.6, -thick), (0, 0), "thickness_left", extend=False)
    sheet.dimension((9.4, up), (9.4, up - thick), (0, 0), "thickness_right", extend=False)
    sheet.dimension((7.0, 0), (7.0, up), (0, 0), "", extend=False)
    sheet.leader((7.0, 0.4), (8.6, 2.4), "misalignment")

    sheet.view((980.0, 140.0), 20.0)
    bend = 8.0
    far, deep = polar(bend, 7.5), polar(bend - 90, 2.4)
    sheet.fill([(-7.5, 0), (0, 0), (deep[0] * 0.5, -2.4), (-7.5, -2.4)], METAL)
    sheet.fill([(0, 0), far, (far[0] + deep[0], far[1] + deep[1]), (deep[0] * 0.5, -2.4)], METAL)
    sheet.fill([*arc((-2.2, 0), polar(bend, 2.2), 0.9), (0.6, -2.4), (-0.6, -2.4)], WELD)
    sheet.plate_line((-7.3, 0), (8.4, 0))
    sheet.angle((0, 0), 0, bend, 6.6, "")
    sheet.leader(polar(bend / 2, 6.6), (3.0, 3.2), "angular_misalignment")

    sheet.view((980.0, 400.0), 20.0)
    hollow = arc((-3.2, 0), (3.2, 0), -0.9)
    sheet.fill([(-7.5, 0), (-3.2, 0), (-1, -3.6), (-7.5, -3.6)], METAL)
    sheet.fill([(7.5, 0), (3.2, 0), (1, -3.6), (7.5, -3.6)], METAL)
    sheet.fill([*hollow, (1, -3.6), (-1, -3.6)], WELD)
    sheet.chord((-3.2, 0), (3.2, 0))
    for at in ((-3.2, 0.0), (3.2, 0.0)):
        sheet.dot(at)
    sheet.dimension((0, 0), (0, -0.9), (0, 0), "", extend=False)
    sheet.leader((0, -0.4), (2.4, 1.6), "underfill")
    return sheet


def groove() -> Sheet:
    """A joint prepared for welding: angles, lands, gap, depth, misalignment."""
    sheet = Sheet(1060, 480, title="A joint prepared for welding: bevel angles, root gap, root faces")
    sheet.view((530.0, 180.0), 32.0)
    up, thick = 0.7, 6.0
    gap, land_left, land_right = 1.8, 1.3, 1.6
    bevel_left, bevel_right = 30.0, 35.0
    a, b = (-gap / 2, -thick), (gap / 2, up - thick)
    a2, b2 = (a[0], a[1] + land_left), (b[0], b[1] + land_right)
    a3 = (a2[0] - (0 - a2[1]) * math.tan(math.radians(bevel_left)), 0.0)
    b3 = (b2[0] + (up - b2[1]) * math.tan(math.radians(bevel_right)), up)
    sheet.fill([(-12, 0), a3, a2, a, (-12, -thick)], METAL)
    sheet.fill([(12, up), b3, b2, b, (12, up - thick)], METAL)
    sheet.plate_line((-11.7, 0), (11.0, 0))
    sheet.plate_line((-11.7, -thick), (11.0, -thick))
    sheet.line([a2, (a2[0], 3.2)], dashes="7 5")
    sheet.line([b2, (b2[0], 3.2)], dashes="7 5")
    sheet.line([a2, polar(90 + bevel_left, 8.6, a2)], dashes="3 3")
    sheet.line([b2, polar(90 - bevel_right, 8.6, b2)], dashes="3 3")
    sheet.angle(a2, 90, 90 + bevel_left, 6.9, "")
    sheet.text(polar(90 + bevel_left + 6, 7.3, a2), "bevel_angle_left", anchor="end")
    sheet.angle(b2, 90 - bevel_right, 90, 6.9, "")
    sheet.text(polar(90 - bevel_right - 6, 7.6, b2), "bevel_angle_right", anchor="start")
    sheet.dimension(a, (b[0], a[1]), (0, -1.3), "root_gap", place="end")
    sheet.dimension(a, a2, (-1.6, 0), "")
    sheet.leader((a[0] - 1.6, a[1] + 0.65), (-4.0, -7.2), "root_face_left")
    sheet.dimension(b, b2, (2.0, 0), "")
    sheet.leader((b[0] + 2.0, b[1] + 0.8), (4.8, -3.4), "root_face_right")
    sheet.dimension((-5.0, 0), (-5.0, a2[1]), (0, 0), "", extend=False)
    sheet.line([a2, (-5.3, a2[1])])
    sheet.leader((-5.0, -2.6), (-10.0, 1.2), "preparation_depth_left")
    sheet.dimension((-10.2, 0), (-10.2, -thick), (0, 0), "thickness_left", extend=False)
    sheet.dimension((9.6, 0), (9.6, up), (0, 0), "", extend=False)
    sheet.leader((9.6, 0.35), (10.4, 2.4), "misalignment")
    sheet.dimension((9.6, -thick), (9.6, up - thick), (0, 0), "", extend=False)
    sheet.leader((9.6, -thick + 0.35), (10.2, -7.6), "root_misalignment")
    for point in (a, b, a2, b2, a3, b3):
        sheet.dot(point)
    return sheet


def inside() -> Sheet:
    """The inside of an etched fillet: fusion line, penetration, heat-affected zone."""
    sheet = Sheet(800, 540, title="Inside an etched fillet weld: fusion line, penetration, heat-affected zone")
    sheet.view((330.0, 350.0), 34.0)
    toe_left, toe_right = (0.0, 7.0), (7.6, 0.0)
    face = arc(toe_left, toe_right, 0.7)
    deepest = (-1.5, -1.5)
    line = [toe_left, (-0.75, 5.2), (-1.15, 3.2), (-1.35, 1.2), (-1.5, -0.4), deepest, (-0.3, -1.55), (1.6, -1.4),
            (3.8, -1.2), (5.8, -0.75), toe_right]  # fmt: skip
    smooth = _smooth(line)
    zone = _smooth([(0, 8.3), (-1.7, 6.2), (-2.4, 3.6), (-2.7, 1.0), (-2.8, -1.0), (-2.5, -2.5), (-0.8, -2.8),
                    (1.6, -2.75), (4.2, -2.45), (6.6, -1.75), (8.9, 0)])  # fmt: skip
    sheet.fill([(-4.2, -4.6), (11, -4.6), (11, 0), (0, 0), (0, 9.4), (-4.2, 9.4)], METAL)
    sheet.fill([*zone, (0, 0)], ZONE, outline=False)
    sheet.fill([*face, *smooth[::-1]], WELD)
    sheet.fill([(0, 0), *smooth], FUSED, outline=False)
    sheet.fill([(-4.2, 0.06), (-1.45, 0.06), (-1.45, -0.06), (-4.2, -0.06)], "#10202c", outline=False)
    sheet.line(smooth, width=2.4, colour=ACCENT)
    sheet.plate_line((0, -3.6), (0, 9.2))
    sheet.plate_line((-3.8, 0), (10.6, 0))
    for point in (toe_left, toe_right, (0.0, 0.0)):
        sheet.dot(point)
    sheet.dimension((0, 0), deepest, (0, 0), "", extend=False)
    sheet.leader((-0.75, -0.75), (-5.0, -2.6), "root_penetration")
    nearest = min(face, key=lambda p: math.hypot(p[0] - deepest[0], p[1] - deepest[1]))
    sheet.dimension(deepest, nearest, (0.9, -0.9), "", extend=True)
    sheet.leader((nearest[0] + 0.2, nearest[1] - 1.6), (6.4, 4.4), "throat_with_penetration")
    sheet.dimension((0, 3.2), (-1.17, 3.2), (0, 0), "", extend=False)
    sheet.leader((-0.6, 3.2), (-5.0, 4.6), "penetration_left")
    sheet.dimension((4.6, 0), (4.6, -1.07), (0, 0), "", extend=False)
    sheet.leader((4.6, -0.5), (8.6, 1.6), "penetration_right")
    sheet.dimension((1.9, -1.4), (1.9, -2.74), (0, 0), "", extend=False)
    sheet.leader((1.9, -2.1), (4.6, -3.5), "haz_width_right")
    sheet.dimension((-3.5, 0.06), (-3.5, -0.06), (0, 0), "", extend=False)
    sheet.leader((-3.5, 0.0), (-5.0, 1.6), "root_gap")
    sheet.leader((-1.0, 1.9), (-5.0, 3.1), "fused_area")
    sheet.leader(smooth[8], (-5.0, 6.4), "fusion line")
    sheet.text((-0.15, 0.55), "R", anchor="end", bold=True)
    return sheet


def _between(first: Point, last: Point) -> Point:
    return (first[0] + last[0]) / 2, (first[1] + last[1]) / 2


def _smooth(points: list[Point], pieces: int = 12) -> list[Point]:
    """Return a smooth line through points (Catmull and Rom's cubic through four neighbours)."""
    ends = [points[0], *points, points[-1]]
    out = []
    for i in range(1, len(ends) - 2):
        p0, p1, p2, p3 = ends[i - 1 : i + 3]
        for k in range(pieces):
            t = k / pieces
            out.append((_cubic(p0[0], p1[0], p2[0], p3[0], t), _cubic(p0[1], p1[1], p2[1], p3[1], t)))
    return [*out, points[-1]]


def _cubic(a: float, b: float, c: float, d: float, t: float) -> float:
    return 0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)


DRAWINGS = {"fillet": fillet, "skewed": skewed, "toes": toes, "butt": butt, "groove": groove, "inside": inside}


def main() -> None:
    """Write every drawing into docs/pictures."""
    folder = HERE / "pictures"
    folder.mkdir(exist_ok=True)
    for name, draw in DRAWINGS.items():
        (folder / f"{name}.svg").write_text(draw().svg(), encoding="utf-8")


if __name__ == "__main__":
    main()
