"""A walk's map as strings for the template, millimetres on the sheet: fields, the line of feet, stops, ways in."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from shapely.geometry import MultiPolygon, Polygon

from atlas.driving.walk_records import At, Walk
from atlas.grid import Bounds
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.overview_hatch import Spot
from atlas.pages.overview_labels import LETTER_MM, Label, Wanted, place_labels
from atlas.pages.overview_map import MapDrawing, draw, path_of
from atlas.pages.overview_paper import MapFrame, Sheet, frame_for

WIDTH_MM, MOST_HIGH_MM, LEAST_HIGH_MM = 182.0, 128.0, 60.0
MARGIN_MM = 8.0
MARK_MM = 3.1  # from a stop's middle to a corner of its sign
APART_MM = 6.4  # between two signs
BESIDE_MM = 0.55  # of each foot from the line
# where a stop's sign may stand, tried in this order: on the place, then in rings around it
SHIFTS = [(0.0, 0.0)] + [
    (far * math.sin(math.radians(turn)), -far * math.cos(math.radians(turn)))
    for far in (6.6, 10.0, 13.5)
    for turn in range(0, 360, 45)
]


@dataclass(frozen=True)
class Ground:
    """A field of the overview with its outline read once; all walks of a farm share them."""

    entry: OverviewEntry
    shape: Polygon | MultiPolygon
    box: Bounds

    @staticmethod
    def of(entry: OverviewEntry) -> Ground:
        shape = entry.shape()
        return Ground(entry, shape, Bounds(*shape.bounds))


@dataclass(frozen=True)
class OutlineDrawing:
    """A field's outline; `visited` fields carry their name, where it finds room."""

    name: str
    path: str
    visited: bool
    label: Label | None


@dataclass(frozen=True)
class StopDrawing:
    """A stop's sign: its place, how far the sign is moved aside, its number."""

    number: int
    x: float
    y: float
    shift_x: float
    shift_y: float
    half: float
    unconfirmed: bool


@dataclass(frozen=True)
class GateDrawing:
    name: str
    x: float
    y: float


@dataclass(frozen=True)
class WalkDrawing:
    """Everything the template draws of one walk; `measure` holds grid, scale bar and north."""

    measure: MapDrawing
    fields: tuple[OutlineDrawing, ...]
    stops: tuple[StopDrawing, ...]
    gates: tuple[GateDrawing, ...]
    left_feet: str
    right_feet: str

    @property
    def frame(self) -> MapFrame:
        return self.measure.frame


def draw_walk(walk: Walk, fields: Sequence[Ground], crs_wkt: str) -> WalkDrawing:
    """Place a walk in its own frame, at the largest round scale that holds it and the fields it visits."""
    visited = {v.field.field_id for v in walk.visits}
    frame = _frame(walk, [f for f in fields if f.entry.field_id in visited])
    gates = tuple(_gates(walk, frame))
    stops = tuple(_stops(walk, frame, gates))
    shown = [f for f in fields if f.box.overlaps(frame.bounds)]
    left, right = _feet([p.at for p in walk.places], frame)
    measure = draw((), (), frame, frame.bounds, crs_wkt)
    return WalkDrawing(measure, tuple(_outlines(shown, visited, frame, stops, gates)), stops, gates, left, right)


def _frame(walk: Walk, fields: Iterable[Ground]) -> MapFrame:
    boxes = [f.box for f in fields] + [Bounds(p.at.x, p.at.y, p.at.x, p.at.y) for p in walk.places]
    box = Bounds(
        min(b.west for b in boxes),
        min(b.south for b in boxes),
        max(b.east for b in boxes),
        max(b.north for b in boxes),
    )
    widest = frame_for(box, _sheet(MOST_HIGH_MM), MARGIN_MM)
    high = math.ceil(box.height * widest.mm_per_m + 2 * MARGIN_MM)
    return frame_for(box, _sheet(min(MOST_HIGH_MM, max(LEAST_HIGH_MM, high))), MARGIN_MM)


def _sheet(high: float) -> Sheet:
    return Sheet("A4", "upright", 210.0, 297.0, WIDTH_MM, high, 0.0)


def _gates(walk: Walk, frame: MapFrame) -> Iterable[GateDrawing]:
    seen = {g.at: g for v in walk.visits for g in (v.enter, v.leave) if g}
    for at, gate in seen.items():
        yield GateDrawing(gate.name, round(frame.x_mm(at.x), 2), round(frame.y_mm(at.y), 2))


def _stops(walk: Walk, frame: MapFrame, gates: Sequence[GateDrawing]) -> Iterable[StopDrawing]:
    taken = [Spot(g.x, g.y) for g in gates]
    half_w, half_h = frame.sheet.map_width_mm - MARK_MM, frame.sheet.map_height_mm - MARK_MM
    for number, stop in walk.stops:
        x, y = frame.x_mm(stop.at.x), frame.y_mm(stop.at.y)
        for shift_x, shift_y in SHIFTS:
            at = Spot(x + shift_x, y + shift_y)
            inside = MARK_MM <= at.x <= half_w and MARK_MM <= at.y <= half_h
            if inside and all(math.hypot(at.x - t.x, at.y - t.y) >= APART_MM for t in taken):
                break
        taken.append(at)
        half = MARK_MM if number < 100 else MARK_MM + 0.6
        yield StopDrawing(
            number, round(x, 2), round(y, 2), round(shift_x, 2), round(shift_y, 2), half, stop.unconfirmed
        )


def _outlines(
    fields: Sequence[Ground],
    visited: set[str],
    frame: MapFrame,
    stops: Sequence[StopDrawing],
    gates: Sequence[GateDrawing],
) -> Iterable[OutlineDrawing]:
    signs = [Spot(s.x + s.shift_x + a, s.y + s.shift_y + b) for s in stops for a in (-1, 1) for b in (-1, 1)]
    signs += [Spot(g.x, g.y) for g in gates]
    labels = _labels([f for f in fields if f.entry.field_id in visited], frame, signs)
    for f in fields:
        key = f.entry.field_id
        yield OutlineDrawing(f.entry.name, path_of(f.shape, frame), key in visited, labels.get(key))


def _labels(fields: Sequence[Ground], frame: MapFrame, signs: list[Spot]) -> dict[str, Label]:
    """Names by field: in its middle, or where the stops leave no room there, beside that, above or below."""
    found: dict[str, Label] = {}
    sheet = frame.sheet
    for place in range(5):
        left = [f for f in fields if f.entry.field_id not in found]
        wanted = [_wanted(f, frame, place) for f in left]
        placed = place_labels(wanted, sheet.map_width_mm, sheet.map_height_mm, signs)
        for f, label in zip(left, placed, strict=True):
            if label.named:
                found[f.entry.field_id] = label
                half = int(len(f.entry.name) * LETTER_MM / 2)
                signs = signs + [Spot(label.x + dx, label.y) for dx in range(-half, half + 1, 2)]
    return found


def _wanted(field: Ground, frame: MapFrame, place: int) -> Wanted:
    """`place`: 0 the field's middle, 1 and 2 west and east of it, 3 above the field, 4 below."""
    entry, box = field.entry, field.box
    middle, gap = (box.west + box.east) / 2, 2 / frame.mm_per_m
    x, y = (
        (entry.label_x, entry.label_y),
        (box.west + 0.25 * box.width, entry.label_y),
        (box.east - 0.25 * box.width, entry.label_y),
        (middle, box.north + gap),
        (middle, box.south - 2 * gap),
    )[place]
    return Wanted(0, entry.name, frame.x_mm(x), frame.y_mm(y))


def _feet(line: Sequence[At], frame: MapFrame) -> tuple[str, str]:
    """The way as two broken lines side by side, which read as footsteps: SVG paths, left and right."""
    left, right = [], []
    for a, b in itertools.pairwise(line):
        x0, y0, x1, y1 = frame.x_mm(a.x), frame.y_mm(a.y), frame.x_mm(b.x), frame.y_mm(b.y)
        length = math.hypot(x1 - x0, y1 - y0)
        if length == 0.0:
            continue
        across_x, across_y = (y1 - y0) / length * BESIDE_MM, -(x1 - x0) / length * BESIDE_MM
        left.append(f"M{x0 + across_x:.2f} {y0 + across_y:.2f}L{x1 + across_x:.2f} {y1 + across_y:.2f}")
        right.append(f"M{x0 - across_x:.2f} {y0 - across_y:.2f}L{x1 - across_x:.2f} {y1 - across_y:.2f}")
    return "".join(left), "".join(right)
