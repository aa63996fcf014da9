"""The view from a way in told in words, left, middle and right: its text alternative, and a list to compare by."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from atlas import words
from atlas.driving.records import Drive, Zone
from atlas.driving.views import TagSeen, WayView
from atlas.grid import Bytes, Floats
from atlas.languages import tr
from atlas.pages.view_kernel import seen_in_parts
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.view import EYE_M, View
from atlas.terrain.view_kernel import Cells
from atlas.words import N_, number

PARTS = (N_("Left"), N_("Middle"), N_("Right"))
NO_FIELD = N_("nothing of the field is seen")
FIELD = N_("the field to {far}, there {lie}")
RISING, FALLING = N_("{high} above where you stand"), N_("{high} below where you stand")
LEVEL = N_("level with where you stand")
FROM_ON = N_("{what} from {near} on")
TAG, DROP, UNKNOWN = (
    N_("tag {tag}, {kind}, {away} away"),
    N_("a drop"),
    N_("an edge below which nobody has measured"),
)
BEHIND = N_("behind it ground to {far}")
NOTHING_BEHIND = N_("no ground is measured there")
NOT_BEYOND = N_("heights end {far} away or further")
NOT_SEEN = N_("Not to be seen from here: {tags}.")
A_TAG = N_("tag {tag} ({why})")
HIDDEN, ASIDE = N_("hidden by the ground"), N_("outside the picture")
JOIN = "; "
CUT_OFF = max(Zone) + 1
TOLD = (
    (Zone.UP_DOWN, "up_down"), (CUT_OFF, "cut_off"), (Zone.ON_FOOT, "on_foot"), (Zone.KEEP_OUT, "keep_out"),
    (Zone.UNSURVEYED, "unsurveyed"),
)  # fmt: skip
SMALL = 12  # times that cells of a zone are seen: enough to be worth a word


@dataclass(frozen=True)
class ViewPart:
    """What is seen in a third of the picture: its name and a sentence."""

    name: str
    text: str


@dataclass(frozen=True)
class _Seen:
    """The field in a third of a picture: how far off and how high its furthest measured cell is (None where none
    is seen), and how often each zone is seen and how near, by zone."""

    last: tuple[float, float] | None
    times: Cells
    near_m: Floats


def view_parts(seen: WayView, drive: Drive | None, terrain: TerrainSurvey) -> tuple[ViewPart, ...]:
    """Left, middle and right of the picture in words; without a drive, closed ground is not told."""
    view, grid = seen.view, terrain.grid
    third = view.lens.cols // len(PARTS)
    away = np.hypot(grid.xs - view.lens.x, (grid.ys - view.lens.y)[:, None]).ravel()
    z = terrain.z.ravel()
    zone = np.zeros(z.size, dtype=np.uint8) if drive is None else _zones(drive).ravel()
    last, times, near = seen_in_parts(view.pixels, view.cells, view.lens.cols, len(PARTS), away, z, zone)
    parts = []
    for k, name in enumerate(PARTS):
        far = (float(away[last[k]]), float(z[last[k]])) if last[k] >= 0 else None
        there = _Seen(far, times[k], near[k])
        parts.append(ViewPart(tr(name), _told(seen, there, drive, k * third, (k + 1) * third)))
    return tuple(parts)


def _zones(drive: Drive) -> Bytes:
    """Verdicts, and `CUT_OFF` for open ground that the machine does not get to, (rows, cols): nobody shall read
    there that one goes straight up or down."""
    return np.where((drive.cut_off == 1) & (drive.zone <= Zone.UP_DOWN), np.uint8(CUT_OFF), drive.zone)


def _told(seen: WayView, there: _Seen, drive: Drive | None, a: int, b: int) -> str:
    view = seen.view
    parts = [_field(there, view.lens.z - EYE_M)]
    if drive is not None:
        parts += _closed(there)
    parts += [
        tr(TAG).format(tag=t.tag, kind=tr(words.HAZARDS[t.kind]), away=about(t.away_m)) for t in _tags(seen, a, b)
    ]
    for lines, name in ((seen.drops, DROP), (seen.unknown, UNKNOWN)):
        if any(((line[:, 0] >= a) & (line[:, 0] < b)).any() for line in lines):
            parts.append(tr(name))
    parts.append(_behind(view, a, b))
    text = JOIN.join(parts)
    return text[0].upper() + text[1:] + "."


def _field(there: _Seen, ground_m: float) -> str:
    """How far the field is seen, and whether its end lies above or below where one stands, at `ground_m`."""
    if there.last is None:
        return tr(NO_FIELD)
    far, z = there.last
    high = z - ground_m
    lie = LEVEL if abs(high) < max(2.0, 0.02 * far) else RISING if high > 0 else FALLING
    return tr(FIELD).format(far=about(far), lie=tr(lie).format(high=about(abs(high))))


def _closed(there: _Seen) -> list[str]:
    out = []
    for one, key in TOLD:
        if there.times[one] >= SMALL:
            what = tr(words.ZONES[key])
            out.append(tr(FROM_ON).format(what=what, near=about(float(there.near_m[one]), math.floor)))
    return out


def _tags(seen: WayView, a: int, b: int) -> list[TagSeen]:
    return [t for t in seen.tags if t.seen and t.in_picture and a <= min(t.col, seen.view.lens.cols - 1) < b]


def _behind(view: View, a: int, b: int) -> str:
    far, known = view.horizon_m[a:b], view.known_m[a:b]
    if not (far > 0).any():
        return tr(NOTHING_BEHIND)
    text = tr(BEHIND).format(far=about(float(far.max())))
    return (
        text
        if np.isinf(known).all()
        else text + ", " + tr(NOT_BEYOND).format(far=about(float(known.min()), math.floor))
    )


def not_seen(seen: WayView) -> str:
    """A sentence naming the tags that the picture does not show, and why; "" where it shows all."""
    away = [
        tr(A_TAG).format(tag=t.tag, why=tr(HIDDEN if t.in_picture else ASIDE))
        for t in seen.tags
        if not (t.seen and t.in_picture)
    ]
    return tr(NOT_SEEN).format(tags=", ".join(away)) if away else ""


def about(metres: float, cut: Callable[[float], float] = round) -> str:
    """A distance as people say it: to 1 m up to 20 m, to 5 m up to 100 m, to 10 m up to 1 km, then to 50 m."""
    step = 1 if metres < 20 else 5 if metres < 100 else 10 if metres < 1000 else 50
    return f"{number(cut(metres / step) * step)} m"
