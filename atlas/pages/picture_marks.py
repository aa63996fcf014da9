"""What lies over the zones on the map: drops, markings with the distance to keep, ways in."""

from __future__ import annotations

import math

from markupsafe import Markup, escape
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.driving.entering import inward_deg
from atlas.driving.records import TaggedHazard
from atlas.farm.records import WayIn
from atlas.pages.picture_frame import Frame, n
from atlas.pages.picture_ground import lines
from atlas.pages.picture_room import Room

TOOTH_MM, TEETH_MM = 2.6, 2.2  # width and height of a tooth
TAG_MM = 4.2
WAY_MM = 4.6  # from a way in to the end of its arrow
NAME_MM, LETTER_MM = 2.7, 1.6  # height of a way's name, and what one of its letters takes
BELOW_MM, ABOVE_MM, APART_MM = 7.4, -5.6, 3.4  # foot of a name from its way, and from another name
BESIDE_MM = 5.6  # from a way to a name beside it
# where a tag may stand beside its marking, millimetres, tried in this order
TAG_PLACES = [(0.0, 0.0)] + [
    (far * math.sin(math.radians(turn)), -far * math.cos(math.radians(turn)))
    for far in (5.5, 9.0, 13.0)
    for turn in range(0, 360, 45)
]


def drops_group(drops: tuple[BaseGeometry, ...], unknown: tuple[BaseGeometry, ...], frame: Frame) -> Markup:
    """Saw-toothed lines, teeth on the right-hand side pointing down; broken where nobody knows what lies below."""
    out = []
    for shapes, kind in ((drops, ""), (unknown, " unknown")):
        parts = [p for shape in shapes for p in _parts(shape)]
        edge = "".join(lines(p, frame) for p in parts)
        saw = "".join(teeth(p, frame) for p in parts)
        if edge:
            out.append(f'<path class="teeth{kind}" d="{saw}"/><path class="drop-line{kind}" d="{edge}"/>')
    return Markup(f'<g class="drops">{"".join(out)}</g>')


def teeth(line: LineString, frame: Frame) -> str:
    """Path data of the teeth along a line, on its right-hand side as seen along it; at least one."""
    count = max(1, round(line.length / (TOOTH_MM * frame.mm)))
    out = []
    for k in range(count):
        a = line.interpolate(k / count, normalized=True)
        b = line.interpolate((k + 1) / count, normalized=True)
        length = math.hypot(b.x - a.x, b.y - a.y)
        if length == 0.0:
            continue
        right_x, right_y = (b.y - a.y) / length, -(b.x - a.x) / length
        tip_x = (a.x + b.x) / 2 + right_x * TEETH_MM * frame.mm
        tip_y = (a.y + b.y) / 2 + right_y * TEETH_MM * frame.mm
        out.append(f"M{frame.at(a.x, a.y)}L{frame.at(tip_x, tip_y)} {frame.at(b.x, b.y)}z")
    return "".join(out)


def _parts(shape: BaseGeometry) -> list[LineString]:
    if isinstance(shape, LineString):
        return [shape] if shape.length > 0 else []
    return [part for inner in getattr(shape, "geoms", ()) for part in _parts(inner)]


def hazards_group(hazards: tuple[TaggedHazard, ...], frame: Frame, room: Room) -> Markup:
    """Each marking, a thin line at the distance to keep, and its number in a square, which takes its room."""
    out = [Markup('<path class="keep-line" d="{}"/>').format(lines(h.keep_off, frame)) for h in hazards]
    out += [_marking(h.hazard.shape, frame) for h in hazards]
    taken: list[Point] = []
    tags = Markup("").join(_tag(h, frame, taken) for h in hazards)
    for place in taken:
        room.take(room.sign(place.x, place.y, TAG_MM / 2))
    return Markup('<g class="hazards">{}{}</g>').format(Markup("").join(out), tags)


def _marking(shape: BaseGeometry, frame: Frame) -> Markup:
    if isinstance(shape, Point):
        arm, across = n(frame.mm, 2), n(2.0 * frame.mm, 2)
        cross = f"m-{arm}-{arm}l{across} {across}m0-{across}l-{across} {across}"
        return Markup(f'<path class="marking" d="M{frame.at(shape.x, shape.y)}{cross}"/>')
    if isinstance(shape, LineString | Polygon):
        kind = "marking" if isinstance(shape, LineString) else "marking marked-area"
        return Markup(f'<path class="{kind}" d="{lines(shape, frame)}"/>')
    return Markup("").join(_marking(part, frame) for part in getattr(shape, "geoms", ()))


def _tag(tagged: TaggedHazard, frame: Frame, taken: list[Point]) -> Markup:
    """The number's square, moved aside with a thin lead where another tag stands already."""
    x, y = frame.x(tagged.at_x), frame.y(tagged.at_y)
    for shift_x, shift_y in TAG_PLACES:
        place = Point(x + shift_x * frame.mm, y + shift_y * frame.mm)
        if all(place.distance(t) >= (TAG_MM + 0.8) * frame.mm for t in taken) and _on_map(place, frame):
            break
    taken.append(place)
    lead = "" if (shift_x, shift_y) == (0.0, 0.0) else f"M0 0L{n(shift_x)} {n(shift_y)}"
    label = str(tagged.tag)
    half, wide = TAG_MM / 2, TAG_MM + 1.4 * max(0, len(label) - 2)
    return Markup(
        f'<g transform="translate({n(x)} {n(y)}) scale({n(frame.mm, 4)})"><g class="mark" data-tag="{label}">'
        f'<path class="tag-lead" d="{lead}"/>'
        f'<rect class="tag-box" x="{n(shift_x - wide / 2, 2)}" y="{n(shift_y - half, 2)}" width="{n(wide)}" '
        f'height="{n(TAG_MM)}"/>'
        f'<text class="tag-number" x="{n(shift_x, 2)}" y="{n(shift_y + 1.15, 2)}">{label}</text></g></g>'
    )


def _on_map(place: Point, frame: Frame) -> bool:
    edge = TAG_MM / 2 * frame.mm
    return edge <= place.x <= frame.width - edge and edge <= place.y <= frame.height - edge


def ways_in_group(ways: tuple[WayIn, ...], field: Polygon | MultiPolygon, frame: Frame, room: Room) -> Markup:
    """Two posts with an arrow between them that points into the field, and the way's name."""
    out = []
    for way in ways:
        room.take(room.sign(frame.x(way.shape.x), frame.y(way.shape.y), WAY_MM))
    for way in ways:
        turn = (inward_deg(field, way.shape) + 180.0) % 360.0 - 180.0
        right, foot, anchor = _name_place(way, turn, frame, room)
        out.append(
            Markup(
                '<g transform="translate({}) scale({})"><g class="mark way-in"><g transform="rotate({})">'
                '<path class="way-halo" d="M-2.6-1.4v3.6M2.6-1.4v3.6M0 4.6v-6"/>'
                '<path class="way-posts" d="M-2.6-1.4v3.6M2.6-1.4v3.6"/>'
                '<path class="way-arrow" d="M0 4.6v-6M0-2.8l-1.8 2.7h3.6z"/></g>'
                '<text class="way-name" x="{}" y="{}" text-anchor="{}">{}</text></g></g>'
            ).format(
                frame.at(way.shape.x, way.shape.y),
                n(frame.mm, 4),
                n(turn, 0),
                n(right),
                n(foot),
                anchor,
                escape(way.name),
            )
        )
    return Markup('<g class="ways">{}</g>').format(Markup("").join(out))


def _name_place(way: WayIn, turn: float, frame: Frame, room: Room) -> tuple[float, float, str]:
    """Where a way's name stands, millimetres across and down from it to where the name is anchored: behind the
    arrow, but inside the map; where something stands already, further off, on the arrow's other side or beside
    it. With no room anywhere it stands behind the arrow all the same."""
    x, y = frame.x(way.shape.x), frame.y(way.shape.y)
    wide, high = frame.width / frame.mm, frame.height / frame.mm
    across, down = x / frame.mm, y / frame.mm
    below = down < 11 or (abs(turn) < 90 and down < high - 11)
    first = "start" if across < 24 else "end" if across > wide - 24 else "middle"
    sides = [BELOW_MM, BELOW_MM + APART_MM], [ABOVE_MM, ABOVE_MM - APART_MM]
    feet = [foot for side in (sides if below else reversed(sides)) for foot in side]
    places = [(0.0, foot, anchor) for foot in feet for anchor in dict.fromkeys((first, "middle", "start", "end"))]
    for right, foot, anchor in (*places, (BESIDE_MM, 1.0, "start"), (-BESIDE_MM, 1.0, "end")):
        if room.fits(room.word(x, y, way.name, LETTER_MM, NAME_MM, right=right, foot=foot, anchor=anchor)):
            return right, foot, anchor
    right, foot, anchor = places[0]
    room.take(room.word(x, y, way.name, LETTER_MM, NAME_MM, right=right, foot=foot, anchor=anchor))
    return places[0]
