"""The view from a way in as one SVG: ground, field, closed ground, edges, drops, tags, ridges and the skyline."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from markupsafe import Markup
from shapely.geometry import LineString

from atlas.driving.records import Drive
from atlas.driving.views import TagSeen, WayView
from atlas.grid import Floats, Mask
from atlas.languages import tr
from atlas.pages.picture_frame import n
from atlas.pages.picture_kernel import polylines
from atlas.pages.picture_marks import TAG_MM, TEETH_MM, TOOTH_MM
from atlas.pages.picture_rings import rings_path
from atlas.pages.signs import TileScale, tiles
from atlas.pages.view_zones import MM, zones_seen
from atlas.terrain.cast_kernel import BEYOND, GAP, GROUND
from atlas.terrain.figures import Gradient
from atlas.terrain.view import Lens, View
from atlas.terrain.view_lines import ridges, skylines
from atlas.words import N_

THINNED_PX = 0.35
POLE_MM = 5.5  # a tag stands this far above its place
BEARINGS = {
    0: N_("N"),
    45: N_("NE"),
    90: N_("E"),
    135: N_("SE"),
    180: N_("S"),
    225: N_("SW"),
    270: N_("W"),
    315: N_("NW"),
}
BEYOND_WORD = N_("not measured beyond")
WORD_MM = 4.0
HEAD_MM = 5.0  # above the picture, for the bearings


@dataclass(frozen=True)
class ViewArt:
    """What of a view's picture is the same in every language, drawn once."""

    seen: WayView
    ground: Markup
    zones: Markup
    over: Markup
    beyond_at: float | None  # where along the picture there is room to say that heights end


def view_fills() -> Markup:
    """Fills of all views of a page, to stand among its definitions."""
    beyond = (
        '<pattern id="view-beyond" class="tile" width="11" height="10" patternUnits="userSpaceOnUse" '
        f'patternTransform="scale({n(MM, 3)})">'
        '<path class="view-ask" d="M4 3.4a1.3 1.3 0 1 1 1.9 1.1q-.6.4-.6 1M5.3 6.6v.1"/></pattern>'
    )
    return tiles("view-", TileScale(MM, MM)) + Markup(beyond)


def view_art(seen: WayView, sets: Sequence[tuple[str, Drive]], gradient: Gradient) -> ViewArt:
    """Draw one view. `sets` are drives with the class of their group: a script may show one or the other."""
    view = seen.view
    zones = Markup("").join(
        Markup('<g class="{}">{}</g>').format(name, zones_seen(view, drive, gradient)) for name, drive in sets
    )
    return ViewArt(
        seen,
        Markup('{}<path class="view-field" d="{}"/>').format(_ground(view), Markup(rings_path(view.field))),
        zones,
        _lines(seen) + _tags(seen.tags, view.lens),
        _room_beyond(view.kind == BEYOND),
    )


def view_picture(art: ViewArt, key: str, north_deg: float, title: str, words: str) -> Markup:
    """The picture in the language being spoken.

    `north_deg` turns grid directions to true ones; `words` say in text what the picture shows.
    """
    lens = art.seen.view.lens
    head = HEAD_MM * MM
    return Markup(
        '<svg id="{key}" class="picture view-picture" viewBox="0 {up} {w} {h}" width="{wide}mm" height="{high}mm" '
        'role="img" aria-labelledby="{key}-title {key}-words"><title id="{key}-title">{title}</title>'
        '<desc id="{key}-words">{words}</desc><rect class="plate" y="{up}" width="{w}" height="{h}"/>'
        '{ground}{zones}{over}{beyond}{bearings}<rect class="frame-edge" width="{w}" height="{rows}"/></svg>'
    ).format(
        key=key,
        up=n(-head),
        w=lens.cols,
        h=n(lens.rows + head),
        rows=lens.rows,
        wide=n(lens.cols / MM, 2),
        high=n((lens.rows + head) / MM, 2),
        title=title,
        words=words,
        ground=art.ground,
        zones=art.zones,
        over=art.over,
        beyond="" if art.beyond_at is None else _word(art.beyond_at, 3.2 * MM, "view-word", tr(BEYOND_WORD)),
        bearings=_bearings(lens, north_deg),
    )


def _ground(view: View) -> Markup:
    beyond, gap = view.kind == BEYOND, view.kind == GAP
    out = [f'<path class="view-ground" d="{rings_path(view.kind == GROUND)}"/>']
    if gap.any():
        out.append(f'<path class="view-zone unsurveyed" fill="url(#view-unsurveyed)" d="{rings_path(gap)}"/>')
    if beyond.any():
        out.append(f'<path class="view-beyond" fill="url(#view-beyond)" d="{rings_path(beyond)}"/>')
    return Markup("".join(out))


def _room_beyond(beyond: Mask) -> float | None:
    """The middle of the widest stretch of the picture's upper edge where heights end before what stands there."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], beyond[: round(WORD_MM * MM)].all(axis=0), [0]])))
    runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    return max(((b - a, (a + b) / 2) for a, b in runs), default=(0, None))[1]


def _word(x: float, y: float, name: str, text: str) -> Markup:
    return Markup(
        '<g transform="translate({} {}) scale({})"><text class="{}" text-anchor="middle">{}</text></g>'
    ).format(n(x), n(y), n(MM, 3), name, text)


def _lines(seen: WayView) -> Markup:
    sky = skylines(seen.view)
    out = [f'<path class="view-ridge" d="{_paths(ridges(seen.view))}"/>']
    for known, name in ((True, "view-sky"), (False, "view-sky unknown")):
        d = _paths([s.at for s in sky if s.known == known])
        out += [f'<path class="{name}" d="{d}"/>'] if d else []
    out.append(f'<path class="outline" d="{_paths(seen.edge)}"/>')
    for parts, kind in ((seen.drops, ""), (seen.unknown, " unknown")):
        if parts:
            saw, edge = "".join(_teeth(a) for a in parts), _paths(parts)
            out.append(f'<path class="teeth{kind}" d="{saw}"/><path class="drop-line{kind}" d="{edge}"/>')
    return Markup("".join(out))


def _paths(lines: Sequence[Floats]) -> str:
    """Path data of lines, thinned, in relative steps between rounded places."""
    if not lines:
        return ""
    which = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
    thinned = shapely.simplify(shapely.linestrings(np.concatenate(lines), indices=which), THINNED_PX)
    at, which = shapely.get_coordinates(thinned, return_index=True)
    ends = np.searchsorted(which, np.arange(len(lines)), side="right")
    return polylines(np.rint(at * 10).astype(np.int64), ends, False).tobytes().decode("ascii")


def _teeth(points: Floats) -> str:
    """Teeth along a line that point down, whichever way it is seen; none where there is no room for half a one."""
    line = LineString(points)
    if line.length < TOOTH_MM * MM / 2:
        return ""
    count = max(1, round(line.length / (TOOTH_MM * MM)))
    out = []
    for k in range(count):
        a, b = (line.interpolate(share / count, normalized=True) for share in (k, k + 1))
        long = math.hypot(b.x - a.x, b.y - a.y)
        if long == 0.0:
            continue
        dx, dy = -(b.y - a.y) / long, (b.x - a.x) / long
        turn = math.copysign(TEETH_MM * MM, dy if dy else 1.0)
        tip = f"{n((a.x + b.x) / 2 + dx * turn)} {n((a.y + b.y) / 2 + dy * turn)}"
        out.append(f"M{n(a.x)} {n(a.y)}L{tip} {n(b.x)} {n(b.y)}z")
    return "".join(out)


def _tags(tags: Sequence[TagSeen], lens: Lens) -> Markup:
    """Each tag that is seen on a thin pole above its place; nearer ones are drawn over those further off."""
    taken: list[tuple[float, float]] = []
    shown = sorted((t for t in tags if t.seen and t.in_picture), key=lambda t: -t.away_m)
    return Markup('<g class="view-tags">{}</g>').format(Markup("").join(_tag(t, lens, taken) for t in shown))


def _tag(tag: TagSeen, lens: Lens, taken: list[tuple[float, float]]) -> Markup:
    label = str(tag.tag)
    wide = TAG_MM + 1.4 * max(0, len(label) - 2)
    up = POLE_MM if tag.row > (POLE_MM + TAG_MM) * MM else -POLE_MM
    x = min(max(tag.col, wide * MM), lens.cols - wide * MM) - tag.col
    for far in range(6):
        y = -(up + math.copysign(far * (TAG_MM + 0.8), up))
        if all(math.hypot(tag.col + x - a, tag.row + y * MM - b) >= (TAG_MM + 0.8) * MM for a, b in taken):
            break
    taken.append((tag.col + x, tag.row + y * MM))
    x /= MM
    return Markup(
        f'<g transform="translate({n(tag.col)} {n(tag.row)}) scale({n(MM, 3)})">'
        f'<g class="mark" data-seen-tag="{label}">'
        f'<path class="tag-lead" d="M0 0L{n(x)} {n(y, 2)}"/><path class="view-foot" d="M0 0h0"/>'
        f'<rect class="tag-box" x="{n(x - wide / 2, 2)}" y="{n(y - TAG_MM / 2, 2)}" width="{n(wide)}" '
        f'height="{n(TAG_MM)}"/>'
        f'<text class="tag-number" x="{n(x, 2)}" y="{n(y + 1.15, 2)}">{label}</text></g></g>'
    )


def _bearings(lens: Lens, north_deg: float) -> Markup:
    """Ticks every 15 degrees along the upper edge, with letters at the eight winds; directions from true north."""
    left = lens.middle_deg - north_deg - lens.wide_deg / 2
    ticks, letters = [], []
    for turn in range(math.ceil(left / 15) * 15, math.floor(left + lens.wide_deg) + 1, 15):
        x = (turn - left) / lens.step_deg
        wind = BEARINGS.get(turn % 360)
        ticks.append(f"M{n(x)} 0v-{n((1.6 if wind else 0.9) * MM)}")
        if wind and MM * 3 <= x <= lens.cols - MM * 3:
            letters.append(_word(x, -2.1 * MM, "view-wind", tr(wind)))
    return Markup('<g class="view-bearings"><path class="grid-line" d="{}"/>{}</g>').format(
        Markup("".join(ticks)), Markup("").join(letters)
    )
