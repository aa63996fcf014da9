"""What was marked by hand: the numbered tags of a field, and the cells each marking closes or softens."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Transformer
from shapely.geometry import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from atlas.driving.machines import Machine
from atlas.driving.places import place_words
from atlas.driving.records import Reason, TaggedHazard
from atlas.farm.records import Hazard
from atlas.grid import Bounds, Bytes, Floats, Grid, Mask
from atlas.settings import Settings

WET_SINK_M = {1: 0.05, 2: 0.10}  # by severity; 3 is kept out of
LAST_TAG = 255 - int(Reason.TAG)  # a verdict is one byte; hazards past this number share it
BLOCK = 8  # cells on a side that are first asked about together
ROUNDING_M = 1e-6  # far more than distances are off by

Indices = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Distances:
    """Metres from cell centres to one marking, for those of the field's cells, by position, that can matter."""

    hazard: Hazard
    tag: int
    cells: Indices
    metres: Floats


@dataclass(frozen=True)
class Markings:
    """What hazards do to each cell of a field for one machine on one ground, (cells,): 0, or the Reason that names
    the hazard by its number."""

    closed: Bytes  # keep out
    foot: Bytes  # hand work
    wet: Bytes  # counts as wet ground, and wheels sink as WET_SINK_M says of wet_severity
    wet_severity: Bytes


def severity(hazard: Hazard) -> int:
    """Severity to reckon with: an unconfirmed wet spot counts one worse."""
    return min(3, hazard.severity + (1 if hazard.unconfirmed else 0))


def keep_away_m(hazard: Hazard, settings: Settings, *, soaked: bool) -> float:
    """Metres to keep between the marking and the nearest part of the machine, without the marking's accuracy.

    A bank: the larger of its reach and its depth, twice the depth where `soaked` or unconfirmed (University of
    Florida IFAS ABE305: at least as far from the edge as the bank is deep, more on wet soil; the factor 2 is
    common practice, no source). A forest edge without a reach of its own: the farm's strip.
    """
    if hazard.kind == "forest_edge" and "reach_m" in hazard.assumed:
        return settings.on_foot.strip_m
    if hazard.kind == "unstable_bank" and hazard.depth_m is not None:
        times = 2.0 if soaked or hazard.unconfirmed else 1.0
        return max(hazard.reach_m, times * hazard.depth_m)
    return hazard.reach_m


def distances(
    grid: Grid, inside: Indices, tagged: Iterable[TaggedHazard], settings: Settings, half_extent_m: float
) -> tuple[Distances, ...]:
    """Exact distances from cells' centres to each marking, as far as `half_extent_m` can matter; `inside` holds
    the flat indices of the field's cells."""
    rows, cols = np.divmod(inside, grid.cols)
    found = []
    for one in tagged:
        hazard = one.hazard
        far = keep_away_m(hazard, settings, soaked=True) + hazard.accuracy_m + half_extent_m + grid.cell_m
        w = grid.window(Bounds(*hazard.shape.bounds), far)
        boxed = (rows >= w.row) & (rows < w.row + w.rows) & (cols >= w.col) & (cols < w.col + w.cols)
        shapely.prepare(hazard.shape)
        maybe = np.flatnonzero(boxed)
        maybe = maybe[_may_be_near(grid, rows[maybe], cols[maybe], hazard.shape, far)]
        points = shapely.points(grid.xs[cols[maybe]], grid.ys[rows[maybe]])
        metres = np.atleast_1d(shapely.distance(points, hazard.shape))
        near = metres <= far
        found.append(Distances(hazard, one.tag, maybe[near], metres[near]))
    return tuple(found)


def _may_be_near(grid: Grid, rows: Indices, cols: Indices, shape: BaseGeometry, far_m: float) -> Mask:
    """Which cells may lie within `far_m` of a shape: those of blocks of cells that come so near it, (cells,). No
    cell is nearer than its block's middle by more than half the block's diagonal."""
    if not rows.size:
        return np.zeros(0, dtype=np.bool_)
    down, across = rows // BLOCK, cols // BLOCK
    top, left = int(down.min()), int(across.min())
    middles = np.meshgrid(
        grid.west + (np.arange(left, int(across.max()) + 1) + 0.5) * BLOCK * grid.cell_x,
        grid.north - (np.arange(top, int(down.max()) + 1) + 0.5) * BLOCK * grid.cell_y,
    )
    away: Floats = np.asarray(shapely.distance(shapely.points(*middles), shape))
    near: Mask = away <= far_m + math.hypot(grid.cell_x, grid.cell_y) * BLOCK / 2 + ROUNDING_M
    return near[down - top, across - left]


def markings(
    cells: int, near: Sequence[Distances], machine: Machine, settings: Settings, *, soaked: bool
) -> Markings:
    """Closures and soft ground of a field of so many cells for one machine; `soaked` doubles the distance from
    banks. Where several markings close a cell, the one named is the first by number."""
    closed, foot, wet, soft = (np.zeros(cells, dtype=np.uint8) for _ in range(4))
    for one in near:
        hazard = one.hazard
        reach = keep_away_m(hazard, settings, soaked=soaked) + hazard.accuracy_m
        if hazard.kind != "forest_edge":
            reach += machine.half_extent_m
        hit = one.cells[one.metres <= reach]
        why = int(Reason.TAG) + min(one.tag, LAST_TAG)
        if hazard.kind == "forest_edge":
            _first(foot, hit, why)
        elif hazard.kind == "wet_spot" and severity(hazard) in WET_SINK_M:
            deeper = hit[soft[hit] < severity(hazard)]
            wet[deeper] = why
            soft[deeper] = severity(hazard)
        else:
            _first(closed, hit, why)
    return Markings(closed, foot, wet, soft)


def _first(reasons: Bytes, cells: Indices, why: int) -> None:
    reasons[cells[reasons[cells] == 0]] = why


def tag(
    shape: Polygon | MultiPolygon,
    hazards: Sequence[Hazard],
    settings: Settings,
    half_extent_m: float,
    to_lonlat: Transformer,
) -> tuple[TaggedHazard, ...]:
    """The hazards that change this field for some machine, numbered from 1 in the file's order."""
    touching = [
        h
        for h in hazards
        if h.shape.distance(shape) <= keep_away_m(h, settings, soaked=True) + h.accuracy_m + half_extent_m
    ]
    return tuple(_tagged(i, h, shape, settings, to_lonlat) for i, h in enumerate(touching, start=1))


def _tagged(
    number: int, hazard: Hazard, shape: Polygon | MultiPolygon, settings: Settings, to_lonlat: Transformer
) -> TaggedHazard:
    at = _place_of(hazard.shape, shape)
    lon, lat = to_lonlat.transform(at.x, at.y)
    return TaggedHazard(
        tag=number,
        hazard=hazard,
        at_lon=round(float(lon), 7),
        at_lat=round(float(lat), 7),
        at_x=at.x,
        at_y=at.y,
        place=place_words(hazard.shape, shape),
        keep_off=hazard.shape.buffer(keep_away_m(hazard, settings, soaked=False) + hazard.accuracy_m),
    )


def _place_of(marking: BaseGeometry, field: Polygon | MultiPolygon) -> Point:
    """A point of the marking inside the field, or where it lies outside, its point nearest to the field."""
    inside = marking.intersection(field)
    if not inside.is_empty:
        if inside.geom_type in ("LineString", "MultiLineString"):
            longest = max(shapely.get_parts(inside), key=lambda part: part.length)
            return Point(longest.interpolate(0.5, normalized=True))
        return Point(inside.representative_point())
    return Point(nearest_points(marking, field)[0])
