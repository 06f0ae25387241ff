"""Line drawings as SVG in the manner of the drawing office: metal, thin dimension lines, names in full.

Lengths are in mm of the part, x right and y up; ``Sheet`` turns them into the pixels of the page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

Point = tuple[float, float]

INK, ACCENT, METAL, WELD, FUSED, ZONE = "#10202c", "#c83c00", "#e3e8ec", "#c9d2d9", "#b4c0c9", "#d8d2c6"
FONT = "'DejaVu Sans', Verdana, 'Liberation Sans', Arial, sans-serif"
TEXT_PX = 15.0


class Sheet:
    """A sheet of paper that collects shapes; ``scale`` is px per mm, ``origin`` the page's place of (0, 0)."""

    def __init__(self, width: float, height: float, *, title: str) -> None:
        self.width, self.height, self.title = width, height, title
        self.scale, self.origin = 20.0, (0.0, 0.0)
        self.parts: list[str] = []

    def view(self, origin: Point, scale: float) -> None:
        """Let the next shapes be drawn about another place of the page."""
        self.origin, self.scale = origin, scale

    def px(self, point: Point) -> Point:
        """Return where a point of the part lies on the page."""
        return self.origin[0] + self.scale * point[0], self.origin[1] - self.scale * point[1]

    def fill(self, points: Sequence[Point], colour: str, *, outline: bool = True) -> None:
        """Fill a closed shape."""
        stroke = f' stroke="{INK}" stroke-width="1.8"' if outline else ""
        self.parts.append(f'<polygon points="{self._list(points)}" fill="{colour}"{stroke}/>')

    def line(self, points: Sequence[Point], *, width: float = 1.0, dashes: str = "", colour: str = INK) -> None:
        """Draw an open line."""
        pattern = f' stroke-dasharray="{dashes}"' if dashes else ""
        self.parts.append(
            f'<polyline points="{self._list(points)}" fill="none" stroke="{colour}" stroke-width="{width}"{pattern}/>'
        )

    def plate_line(self, first: Point, last: Point) -> None:
        """Draw a plate surface line or its extension: long dash, short dash."""
        self.line([first, last], dashes="14 4 3 4")

    def chord(self, first: Point, last: Point) -> None:
        """Draw the line from toe to toe."""
        self.line([first, last], dashes="7 5")

    def dot(self, at: Point) -> None:
        """Mark a point: a toe or a root."""
        x, y = self.px(at)
        self.parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.6" fill="{ACCENT}"/>')

    def text(self, at: Point, words: str, *, anchor: str = "middle", turn: float = 0.0, bold: bool = False) -> None:
        """Write words centred on a point of the part; ``turn`` is in degrees, anticlockwise."""
        x, y = self.px(at)
        self._write(x, y, words, anchor, -turn, bold)

    def dimension(
        self, first: Point, last: Point, offset: Point, words: str, *, place: str = "along", extend: bool = True
    ) -> None:
        """Draw a dimension line moved by ``offset`` (mm); ``place``: along, start, end: where the words stand."""
        (ox, oy), scale = offset, self.scale
        a, b = self.px((first[0] + ox, first[1] + oy)), self.px((last[0] + ox, last[1] + oy))
        reach = math.hypot(ox, oy) * scale
        if extend and reach > 1:
            ux, uy = ox * scale / reach, -oy * scale / reach
            for foot, end in ((self.px(first), a), (self.px(last), b)):
                self._stroke((foot[0] + 4 * ux, foot[1] + 4 * uy), (end[0] + 6 * ux, end[1] + 6 * uy))
        length = math.hypot(b[0] - a[0], b[1] - a[1])
        dx, dy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
        inside = length > 30
        tail = 0.0 if inside else 22.0
        self._stroke((a[0] - tail * dx, a[1] - tail * dy), (b[0] + tail * dx, b[1] + tail * dy))
        sign = 1.0 if inside else -1.0
        self._arrow(a, (-sign * dx, -sign * dy))
        self._arrow(b, (sign * dx, sign * dy))
        if place == "along":
            self._along(a, b, words)
        else:
            (x, y), way = (b, 1.0) if place == "end" else (a, -1.0)
            x, y = x + way * (tail + 6) * dx, y + way * (tail + 6) * dy
            anchor = "middle" if abs(dx) < 0.5 else ("start" if way * dx > 0 else "end")
            self._write(x, y + (way * dy * 10 if anchor == "middle" else 0), words, anchor, 0.0, False)

    def angle(
        self, centre: Point, start_deg: float, end_deg: float, radius_mm: float, words: str, at: Point | None = None
    ) -> None:
        """Draw an arc with arrowheads about a centre, from one direction anticlockwise to another."""
        steps = [math.radians(start_deg + (end_deg - start_deg) * i / 40) for i in range(41)]
        arc = [(centre[0] + radius_mm * math.cos(a), centre[1] + radius_mm * math.sin(a)) for a in steps]
        self.line(arc)
        for tip, a, sign in ((arc[0], steps[0], 1.0), (arc[-1], steps[-1], -1.0)):
            self._arrow(self.px(tip), (sign * math.sin(a), sign * math.cos(a)))
        middle = steps[20]
        reach = radius_mm + 14 / self.scale
        place = at or (centre[0] + reach * math.cos(middle), centre[1] + reach * math.sin(middle))
        side = math.cos(middle)
        self.text(place, words, anchor="start" if side > 0.35 else "end" if side < -0.35 else "middle")

    def leader(self, tip: Point, foot: Point, words: str) -> None:
        """Point at something: a line with an arrow at its tip, the words at its foot."""
        a, b = self.px(tip), self.px(foot)
        length = math.hypot(a[0] - b[0], a[1] - b[1])
        self._stroke(b, a)
        self._arrow(a, ((a[0] - b[0]) / length, (a[1] - b[1]) / length))
        right = b[0] >= a[0]
        self._write(b[0] + (5 if right else -5), b[1], words, "start" if right else "end", 0.0, False)

    def svg(self) -> str:
        """Return the sheet as a document."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {self.height:g}" '
            f'width="{self.width:g}" height="{self.height:g}" font-family="{FONT}" font-size="{TEXT_PX:g}" '
            f'role="img" stroke-linejoin="round">'
        )
        paper = f'<rect width="{self.width:g}" height="{self.height:g}" fill="#ffffff"/>'
        return "\n".join([head, f"<title>{escape(self.title)}</title>", paper, *self.parts, "</svg>"]) + "\n"

    def _along(self, a: Point, b: Point, words: str) -> None:
        turn = math.degrees(math.atan2(b[1] - a[1], b[0] - a[0]))
        turn += 180 if turn <= -110 else -180 if turn > 70 else 0  # never upside down, steep text runs upwards
        rad = math.radians(turn)
        x, y = (a[0] + b[0]) / 2 + 11 * math.sin(rad), (a[1] + b[1]) / 2 - 11 * math.cos(rad)
        self._write(x, y, words, "middle", turn, False)

    def _write(self, x: float, y: float, words: str, anchor: str, turn: float, bold: bool) -> None:
        spin = f' transform="rotate({turn:.1f} {x:.1f} {y:.1f})"' if turn else ""
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" dominant-baseline="central" fill="{INK}" '
            f'stroke="#ffffff" stroke-width="4" paint-order="stroke"{weight}{spin}>{escape(words)}</text>'
        )

    def _stroke(self, a: Point, b: Point) -> None:
        self.parts.append(
            f'<line x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}" stroke="{INK}" stroke-width="0.9"/>'
        )

    def _arrow(self, tip: Point, way: Point) -> None:
        """Draw a filled arrowhead; ``way`` is a unit vector on the page."""
        back = (tip[0] - 10 * way[0], tip[1] - 10 * way[1])
        side = (-2.7 * way[1], 2.7 * way[0])
        corners = [tip, (back[0] + side[0], back[1] + side[1]), (back[0] - side[0], back[1] - side[1])]
        self.parts.append(f'<polygon points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in corners)}" fill="{INK}"/>')

    def _list(self, points: Sequence[Point]) -> str:
        return " ".join("{:.1f},{:.1f}".format(*self.px(point)) for point in points)


def arc(first: Point, last: Point, sagitta: float, count: int = 60) -> list[Point]:
    """Return points from first to last on a circle whose middle lies ``sagitta`` to the left of the chord."""
    if sagitta == 0:
        return [first, last]
    dx, dy = last[0] - first[0], last[1] - first[1]
    width = math.hypot(dx, dy)
    half = 2 * math.atan2(2 * abs(sagitta), width)
    radius = width / (2 * math.sin(half))
    ux, uy = dx / width, dy / width
    points = []
    for i in range(count + 1):
        a = -half + 2 * half * i / count
        x, y = radius * math.sin(a) + width / 2, math.copysign(radius * (math.cos(a) - math.cos(half)), sagitta)
        points.append((first[0] + x * ux - y * uy, first[1] + x * uy + y * ux))
    return points


def polar(angle_deg: float, length: float, centre: Point = (0.0, 0.0)) -> Point:
    """Return the point at a distance from a centre in a direction."""
    a = math.radians(angle_deg)
    return centre[0] + length * math.cos(a), centre[1] + length * math.sin(a)
