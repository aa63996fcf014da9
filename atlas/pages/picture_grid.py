"""The grid on a map: crosses where its lines meet, ticks and coordinates along the frame."""

from __future__ import annotations

import math

from markupsafe import Markup

from atlas.pages.picture_frame import BAR_LENGTHS_M, Frame, n
from atlas.pages.picture_room import OFF, Room
from atlas.words import number

COORDINATE_MM, FIGURE_MM = 2.0, 1.2  # a coordinate's letters: how high, how wide
UNDER_TICK_MM, BESIDE_TICK_MM = (0.6, 3.6), (1.9, 0.7)  # where it stands, across and down from its line's end


def grid_marks(frame: Frame, room: Room) -> Markup:
    """Ticks with full coordinates along the edges, a small cross where grid lines meet. A coordinate without room
    at its line's north or west end stands at the other."""
    step = next(b for b in BAR_LENGTHS_M if b >= 28 * frame.mm)
    xs = _multiples(frame.box.west, frame.box.east, step)
    ys = _multiples(frame.box.south, frame.box.north, step)
    arm, tick = n(0.9 * frame.mm, 2), n(1.6 * frame.mm, 2)
    across = n(1.8 * frame.mm, 2)
    cross = "".join(f"M{frame.at(x, y)}m-{arm} 0h{across}m-{arm}-{arm}v{across}" for x in xs for y in ys)
    ticks = "".join(f"M{n(frame.x(x))} 0v{tick}M{n(frame.x(x))} {n(frame.height)}v-{tick}" for x in xs)
    ticks += "".join(f"M0 {n(frame.y(y))}h{tick}M{n(frame.width)} {n(frame.y(y))}h-{tick}" for y in ys)
    words = [_easting(x, frame, room) for x in xs[:: max(1, len(xs) // 4)]]
    words += [_northing(y, frame, room) for y in ys[:: max(1, len(ys) // 4)]]
    return Markup(
        f'<g class="grid"><path class="grid-line" d="{cross}{ticks}"/>'
        f'<rect class="frame-edge" width="{n(frame.width)}" height="{n(frame.height)}"/>{"".join(words)}</g>'
    )


def _easting(east: float, frame: Frame, room: Room) -> str:
    right, foot = UNDER_TICK_MM
    places = ((right, foot), (right, frame.height / frame.mm - foot + COORDINATE_MM - 0.6))
    return _tick_word(frame.x(east), 0.0, number(east), "east", places, frame, room)


def _northing(north: float, frame: Frame, room: Room) -> str:
    right, foot = BESIDE_TICK_MM
    text = number(north)
    places = ((right, foot), (frame.width / frame.mm - right - len(text) * FIGURE_MM, foot))
    return _tick_word(0.0, frame.y(north), text, "north", places, frame, room)


def _tick_word(
    x: float, y: float, text: str, along: str, places: tuple[tuple[float, float], ...], frame: Frame, room: Room
) -> str:
    for right, foot in places:
        if room.fits(room.word(x, y, text, FIGURE_MM, COORDINATE_MM, right=right, foot=foot)):
            off = ""
            break
    else:
        (right, foot), off = places[0], OFF
    return (
        f'<g transform="translate({n(x)} {n(y)}) scale({n(frame.mm, 4)})"><g class="mark">'
        f'<text class="coordinate {along}{off}" x="{n(right)}" y="{n(foot)}">{text}</text></g></g>'
    )


def _multiples(low: float, high: float, step: int) -> list[float]:
    first = math.ceil(low / step + 1e-9)
    return [float(k * step) for k in range(first, math.floor(high / step - 1e-9) + 1)]
