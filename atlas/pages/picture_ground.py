"""What lies under the zones on the map: relief shading, contour lines with their heights, neighbours' outlines."""

from __future__ import annotations

import base64
import io
import math

import numpy as np
from markupsafe import Markup, escape
from PIL import Image
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from atlas.grid import Bounds
from atlas.pages.picture_frame import Frame, n
from atlas.pages.picture_kernel import polylines
from atlas.pages.picture_room import OFF, Room
from atlas.survey import Outline
from atlas.terrain.figures import Contours, TerrainSurvey
from atlas.words import short

SHADE_PIXELS = 420  # on the longer side; shading is a soft backdrop, not a measurement
SHADE_DEEPEST = 150  # signs must stay legible on it: the darkest shade becomes this grey
SIMPLER_M = 0.15  # contour lines are thinned by at most this much
LABEL_EVERY_MM = 60.0
HEIGHT_MM, FIGURE_MM = 2.0, 1.2  # a height's letters: how high, how wide
NEIGHBOUR_MM, ITALIC_MM = 2.6, 1.6  # a neighbour's name likewise


def lines(shape: BaseGeometry, frame: Frame) -> str:
    """Path data of any lines or outlines, in the frame's metres."""
    if shape.is_empty:
        return ""
    if isinstance(shape, Polygon):
        rings = [shape.exterior, *shape.interiors]
        return "".join(_line(ring.coords, frame) + "z" for ring in rings)
    if isinstance(shape, LineString):
        return _line(shape.coords, frame)
    return "".join(lines(part, frame) for part in getattr(shape, "geoms", ()))


def _line(coords: object, frame: Frame) -> str:
    """Relative steps from rounded place to rounded place, so that rounding does not add up."""
    points = np.asarray(coords)
    tenths = np.empty((len(points), 2), dtype=np.int64)
    tenths[:, 0] = np.rint((points[:, 0] - frame.box.west) * 10)
    tenths[:, 1] = np.rint((frame.box.north - points[:, 1]) * 10)
    return polylines(tenths, np.array([len(points)]), True).tobytes().decode("ascii")


def shading(terrain: TerrainSurvey, frame: Frame) -> Markup:
    """The relief as one grey picture behind everything, inside the page: one file fewer to go missing."""
    grid = terrain.grid
    window = grid.window(frame.box)
    part = grid.part(window)
    grey = terrain.shade[window.row : window.row + window.rows, window.col : window.col + window.cols]
    if grey.size == 0:
        return Markup("")
    light = (SHADE_DEEPEST + grey.astype(np.uint16) * (255 - SHADE_DEEPEST) // 255).astype(np.uint8)
    image = Image.fromarray(light)
    shrink = min(1.0, SHADE_PIXELS / max(image.size))
    if shrink < 1.0:
        size = (max(1, round(image.width * shrink)), max(1, round(image.height * shrink)))
        image = image.resize(size, Image.Resampling.BILINEAR)
    file = io.BytesIO()
    image.save(file, "JPEG", quality=58, optimize=True)
    data = base64.b64encode(file.getvalue()).decode("ascii")
    b = part.bounds
    return Markup(
        '<image class="shade" x="{}" y="{}" width="{}" height="{}" preserveAspectRatio="none" '
        'href="data:image/jpeg;base64,{}"/>'
    ).format(n(frame.x(b.west), 3), n(frame.y(b.north), 3), n(b.width, 3), n(b.height, 3), data)


def contours_group(found: Contours, frame: Frame, room: Room) -> Markup:
    """Contour lines, every index line bolder and labelled with its height where it runs long enough."""
    view = _view(frame.box)
    thin: list[str] = []
    bold: list[str] = []
    words: list[Markup] = []
    for contour in found.lines:
        shown = contour.line.simplify(SIMPLER_M).intersection(view)
        (bold if contour.index else thin).append(lines(shown, frame))
        if contour.index:
            words += _labels(shown, contour.height_m, frame, room)
    return Markup(
        f'<g class="contours"><path class="contour" d="{"".join(thin)}"/>'
        f'<path class="contour index" d="{"".join(bold)}"/>{"".join(words)}</g>'
    )


def _labels(shown: BaseGeometry, height_m: float, frame: Frame, room: Room) -> list[Markup]:
    parts = [p for p in getattr(shown, "geoms", [shown]) if isinstance(p, LineString)]
    longest = max(parts, key=lambda p: p.length, default=None)
    if longest is None or longest.length < 16 * frame.mm:
        return []
    count = max(1, int(longest.length / (LABEL_EVERY_MM * frame.mm)))
    return [_label(longest, (k + 0.5) / count, height_m, frame, room) for k in range(min(count, 3))]


def _label(line: LineString, share: float, height_m: float, frame: Frame, room: Room) -> Markup:
    """The height, written along the line and never upside down."""
    here = line.interpolate(share, normalized=True)
    ahead = line.interpolate(min(1.0, share + 0.02), normalized=True)
    turn = math.degrees(math.atan2(-(ahead.y - here.y), ahead.x - here.x))
    turn = turn - 180 if turn > 90 else turn + 180 if turn < -90 else turn
    word = f"{short(round(height_m, 1))} m"
    x, y = frame.x(here.x), frame.y(here.y)
    free = room.fits(room.word(x, y, word, FIGURE_MM, HEIGHT_MM, foot=0.8, anchor="middle", turn=turn))
    return Markup(
        '<g transform="translate({}) rotate({}) scale({})"><g class="mark">'
        '<text class="height{}" y=".8" text-anchor="middle">{}</text></g></g>'
    ).format(frame.at(here.x, here.y), n(turn, 0), n(frame.mm, 4), "" if free else OFF, word)


def neighbours_group(neighbours: tuple[Outline, ...], frame: Frame, room: Room) -> Markup:
    """Neighbouring fields as outlines with their names, and nothing else of them."""
    view = _view(frame.box)
    out = []
    for neighbour in neighbours:
        shown = neighbour.shape.intersection(view)
        if shown.is_empty:
            continue
        out.append(Markup('<path class="neighbour" d="{}"/>').format(lines(shown, frame)))
        out.append(_name(neighbour.name, shown, frame, room))
    return Markup('<g class="neighbours">{}</g>').format(Markup("").join(out))


def _name(name: str, shown: BaseGeometry, frame: Frame, room: Room) -> Markup:
    widest = max(getattr(shown, "geoms", [shown]), key=lambda p: p.area)
    place = widest.representative_point()
    b = Bounds(*widest.bounds)
    turn = -90 if b.height > 1.5 * b.width else 0  # a narrow strip beside the field: write upwards
    x, y = frame.x(place.x), frame.y(place.y)
    free = room.fits(room.word(x, y, name, ITALIC_MM, NEIGHBOUR_MM, foot=0.9, anchor="middle", turn=turn))
    return Markup(
        '<g transform="translate({}) rotate({}) scale({})"><g class="mark">'
        '<text class="neighbour-name{}" y=".9" text-anchor="middle">{}</text></g></g>'
    ).format(frame.at(place.x, place.y), turn, n(frame.mm, 4), "" if free else OFF, escape(name))


def field_clip(shape: Polygon | MultiPolygon, frame: Frame) -> Markup:
    """What lies outside the field is not judged: zones are cut at its outline."""
    return Markup(f'<clipPath id="field-clip"><path clip-rule="evenodd" d="{lines(shape, frame)}"/></clipPath>')


def frame_clip(frame: Frame) -> Markup:
    """Nothing hangs over the map's edge into the strip below it."""
    size = f'width="{n(frame.width)}" height="{n(frame.height)}"'
    return Markup(f'<clipPath id="frame-clip"><rect {size}/></clipPath>')


def _view(b: Bounds) -> Polygon:
    return box(b.west, b.south, b.east, b.north)
