"""The overview map as strings for the template: paths, labels and ticks in millimetres on the sheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from pyproj.enums import TransformDirection
from shapely import get_coordinates, wkt
from shapely.affinity import affine_transform
from shapely.geometry import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.strtree import STRtree

from atlas.driving.entering import inward_deg
from atlas.globe import wkt_to_lonlat
from atlas.grid import Bounds, Floats
from atlas.pages.overview_entry import Drawn, EntryWayIn, OverviewEntry
from atlas.pages.overview_hatch import Combs, Spot, combs, cross_hatch, question_marks, slanted
from atlas.pages.overview_labels import Label, Wanted, place_labels
from atlas.pages.overview_paper import MapFrame, ScaleBar, grid_step, scale_bar
from atlas.pages.overview_picture import STROKE_EVERY_M, ZonePicture
from atlas.words import number

# Smaller than this, hatching is mud: outlines and numbers only, and the legend says that nothing closed is drawn.
PICTURE_UP_TO = 15_000
STROKE_MM = 1.7
STROKE_APART_MM = 2.2
CORNER_MM = 8.0


@dataclass(frozen=True)
class ZoneDrawing:
    """One field's zones for one set, as SVG paths."""

    cut_off: str  # hatching
    on_foot: str  # the area, to clip the combs to
    combs: Combs | None
    keep_out: str  # hatching
    unsurveyed: str  # the area
    marks: tuple[Spot, ...]
    plumbs: str  # strokes straight down
    bobs: str  # their lower ends


@dataclass(frozen=True)
class FieldDrawing:
    """A field's outline and label; its zones while its release holds, and without one (None: not drawn)."""

    entry: OverviewEntry
    number: int
    outline: str
    label: Label
    released: ZoneDrawing | None
    unreleased: ZoneDrawing | None


@dataclass(frozen=True)
class WayInDrawing:
    """A gate's place on the sheet, and which way it leads in: clockwise from straight up, whole degrees."""

    way_in: EntryWayIn
    x: float
    y: float
    inward_deg: int


@dataclass(frozen=True)
class Tick:
    at: float  # millimetres along the frame's edge
    label: str


@dataclass(frozen=True)
class MapDrawing:
    """Everything the template draws; lengths in millimetres."""

    frame: MapFrame
    fields: tuple[FieldDrawing, ...]
    ways_in: tuple[WayInDrawing, ...]
    eastings: tuple[Tick, ...]
    northings: tuple[Tick, ...]
    crossings: tuple[Spot, ...]
    grid_m: int
    north_deg: float  # true north, clockwise from straight up the sheet
    bar: ScaleBar
    relief_x: float
    relief_y: float
    relief_width: float
    relief_height: float

    @property
    def pictured(self) -> bool:
        return any(f.unreleased for f in self.fields)


def draw(
    entries: Sequence[OverviewEntry], ways_in: Sequence[EntryWayIn], frame: MapFrame, relief: Bounds, crs_wkt: str
) -> MapDrawing:
    """Place every field, way in and grid tick in the frame."""
    step = grid_step(frame.scale)
    eastings = _ticks(frame.bounds.west, frame.bounds.east, step, frame.x_mm)
    northings = _ticks(frame.bounds.south, frame.bounds.north, step, frame.y_mm)
    fields = STRtree([e.shape() for e in entries])
    gates = tuple(
        WayInDrawing(w, _mm(frame.x_mm(w.x)), _mm(frame.y_mm(w.y)), _inward(w, entries, fields)) for w in ways_in
    )
    return MapDrawing(
        frame,
        tuple(_fields(entries, gates, frame)),
        gates,
        eastings,
        northings,
        tuple(Spot(e.at, n.at) for e in eastings for n in northings),
        step,
        true_north_deg(crs_wkt, frame.bounds),
        scale_bar(frame.scale),
        _mm(frame.x_mm(relief.west)),
        _mm(frame.y_mm(relief.north)),
        _mm(relief.width * frame.mm_per_m),
        _mm(relief.height * frame.mm_per_m),
    )


def _inward(way_in: EntryWayIn, entries: Sequence[OverviewEntry], fields: STRtree) -> int:
    """From a gate into the nearest field."""
    at = Point(way_in.x, way_in.y)
    return round(inward_deg(entries[int(fields.nearest(at))].shape(), at)) % 360


def true_north_deg(crs_wkt: str, bounds: Bounds) -> float:
    """How far clockwise of the sheet's up true north points in the frame's middle, degrees, to a tenth."""
    to_globe = wkt_to_lonlat(crs_wkt)
    x, y = (bounds.west + bounds.east) / 2, (bounds.south + bounds.north) / 2
    lon, lat = to_globe.transform(x, y)
    north_x, north_y = to_globe.transform(lon, lat + 1e-4, direction=TransformDirection.INVERSE)  # some 11 m
    return round(math.degrees(math.atan2(north_x - x, north_y - y)), 1) + 0.0  # never "-0.0"


def farm_box(entries: Sequence[OverviewEntry], ways_in: Sequence[EntryWayIn]) -> Bounds:
    """The box around all outlines and ways in, terrain CRS."""
    boxes = [e.shape().bounds for e in entries] + [(w.x, w.y, w.x, w.y) for w in ways_in]
    west, south, east, north = zip(*boxes, strict=True)
    return Bounds(min(west), min(south), max(east), max(north))


def _fields(
    entries: Sequence[OverviewEntry], ways_in: Sequence[WayInDrawing], frame: MapFrame
) -> Iterable[FieldDrawing]:
    zones = [(_zones(e.released, frame), _zones(e.unreleased, frame)) for e in entries]
    # A label must not hide where nothing is measured.
    marks = [m for pair in zones for drawn in pair if drawn for m in drawn.marks]
    labels = place_labels(
        [Wanted(i, e.name, frame.x_mm(e.label_x), frame.y_mm(e.label_y)) for i, e in enumerate(entries, 1)],
        frame.sheet.map_width_mm,
        frame.sheet.map_height_mm,
        [Spot(w.x, w.y) for w in ways_in] + marks,
    )
    for place, (entry, label, (released, unreleased)) in enumerate(zip(entries, labels, zones, strict=True), 1):
        yield FieldDrawing(entry, place, path_of(entry.shape(), frame), label, released, unreleased)


def _zones(drawn: Drawn | None, frame: MapFrame) -> ZoneDrawing | None:
    if drawn is None or frame.scale > PICTURE_UP_TO:
        return None
    picture = drawn.picture
    cut, foot, out, unknown = (
        _area(t, frame) for t in (picture.cut_off, picture.on_foot, picture.keep_out, picture.unsurveyed)
    )
    plumbs, bobs = _strokes(picture, frame)
    return ZoneDrawing(
        slanted(cut) if cut else "",
        path_of_wkt(picture.on_foot, frame),
        combs(foot) if foot else None,
        cross_hatch(out) if out else "",
        path_of_wkt(picture.unsurveyed, frame),
        question_marks(unknown) if unknown else (),
        plumbs,
        bobs,
    )


def _area(text: str, frame: MapFrame) -> BaseGeometry | None:
    """Ground in WKT as an area on the sheet, millimetres; None where there is none."""
    if not text:
        return None
    k, b = frame.mm_per_m, frame.bounds
    return affine_transform(wkt.loads(text), [k, 0.0, 0.0, -k, -b.west * k, b.north * k])


def path_of_wkt(text: str, frame: MapFrame) -> str:
    return path_of(wkt.loads(text), frame) if text else ""


def path_of(shape: BaseGeometry, frame: MapFrame) -> str:
    """SVG path of all rings, to be filled evenodd; relative moves keep it short."""
    if isinstance(shape, Polygon):
        parts = [shape]
    elif isinstance(shape, MultiPolygon):
        parts = list(shape.geoms)
    else:  # what an intersection leaves besides areas has no area to fill
        parts = [g for g in getattr(shape, "geoms", []) if isinstance(g, Polygon)]
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    return "".join(_ring(get_coordinates(ring), frame) for ring in rings)


def _ring(corners: Floats, frame: MapFrame) -> str:
    """`corners` (n, 2), the first again as the last."""
    # Hundredths of a millimetre as whole numbers: rounding the places, not the moves, keeps errors from adding up.
    x = np.rint(frame.x_mm(corners[:-1, 0]) * 100).astype(np.int64)
    y = np.rint(frame.y_mm(corners[:-1, 1]) * 100).astype(np.int64)
    moves = zip(np.diff(x).tolist(), np.diff(y).tolist(), strict=True)
    line = "".join([f"l{_h(across)} {_h(down)}" for across, down in moves if across or down])
    return f"M{_h(int(x[0]))} {_h(int(y[0]))}{line}z"


@lru_cache(maxsize=1 << 14)
def _h(hundredths: int) -> str:
    return f"{hundredths / 100:.2f}".rstrip("0").rstrip(".")


def _strokes(picture: ZonePicture, frame: MapFrame) -> tuple[str, str]:
    """Straight-down strokes, thinned to stay apart on paper: their lines, and their lower ends."""
    keep = max(1, math.ceil(STROKE_APART_MM / (STROKE_EVERY_M * frame.mm_per_m)))
    lines, ends = [], []
    for s in picture.strokes:
        if (s.x // 10) % keep or (s.y // 10) % keep:
            continue
        down = math.radians(s.down_deg)
        dx, dy = STROKE_MM * math.sin(down), -STROKE_MM * math.cos(down)
        x, y = frame.x_mm(s.x) - dx / 2, frame.y_mm(s.y) - dy / 2
        lines.append(f"M{_mm(x):g} {_mm(y):g}l{_mm(dx):g} {_mm(dy):g}")
        ends.append(f"M{_mm(x + dx):g} {_mm(y + dy):g}h0")
    return "".join(lines), "".join(ends)


def _ticks(low: float, high: float, step: int, place: Callable[[float], float]) -> tuple[Tick, ...]:
    values = range(math.ceil(low / step) * step, math.floor(high) + 1, step)
    ends = sorted((place(low), place(high)))
    return tuple(
        Tick(_mm(at), number(v))
        for v in values
        for at in [place(v)]
        if ends[0] + CORNER_MM <= at <= ends[1] - CORNER_MM  # numbers must not run into the frame's corners
    )


def _mm(value: float) -> float:
    return round(value, 2)
