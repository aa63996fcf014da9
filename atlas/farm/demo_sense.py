"""What a driver would say about the lie of a field, read off the invented land: gate, fall, flattest place."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from shapely import contains_xy
from shapely.geometry import MultiPolygon, Point, Polygon

from atlas.farm.demo_land import Land
from atlas.grid import Floats

WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
APART_M = 9.0
REACH_M = 4.5


@dataclass(frozen=True)
class Samples:
    """Places inside a field a few metres apart, and the land's gradient there: rise over run to east and north."""

    x: Floats
    y: Floats
    east: Floats
    north: Floats


def samples(land: Land, shape: Polygon | MultiPolygon) -> Samples:
    """A few hundred places inside `shape` and within the model."""
    west, south, east, north = shape.buffer(-3.0).bounds
    x, y = np.meshgrid(np.arange(west, east, APART_M), np.arange(south, north, APART_M))
    inside = contains_xy(shape, x, y) & (x < land.grid.bounds.east - REACH_M)
    x, y = x[inside], y[inside]
    w, e = land.heights_at(x - REACH_M, y), land.heights_at(x + REACH_M, y)
    s, n = land.heights_at(x, y - REACH_M), land.heights_at(x, y + REACH_M)
    return Samples(x, y, (e - w) / (2 * REACH_M), (n - s) / (2 * REACH_M))


def falls_to(found: Samples) -> str:
    """The way the field falls as a whole, one of eight winds: "to the south"."""
    bearing = math.atan2(-float(found.east.mean()), -float(found.north.mean()))
    return f"to the {WINDS[round(bearing / (math.pi / 4)) % 8]}"


def flattest(found: Samples, shape: Polygon | MultiPolygon) -> str:
    """Where the flattest tenth of the field lies: "along the south edge", "in the west"."""
    steep = np.hypot(found.east, found.north)
    flat = steep <= np.quantile(steep, 0.1)
    across, up = _within(shape, float(np.median(found.x[flat])), float(np.median(found.y[flat])))
    if abs(up) > 0.45 and abs(up) >= abs(across):
        return f"along the {'north' if up > 0 else 'south'} edge"
    if abs(across) > 0.3:
        return f"in the {'east' if across > 0 else 'west'}"
    return "in the middle"


def on_edge(gate: Point, shape: Polygon | MultiPolygon, road_lies: int) -> str:
    """Where on the edge beside the road a gate is: "at the west end of the south edge"; the road is north (1) or
    south (−1) of the field."""
    part = min(getattr(shape, "geoms", [shape]), key=gate.distance)
    across, _ = _within(part, gate.x, gate.y)
    edge = "north" if road_lies > 0 else "south"
    if abs(across) < 0.3:
        return f"in the middle of the {edge} edge"
    return f"at the {'east' if across > 0 else 'west'} end of the {edge} edge"


def _within(shape: Polygon | MultiPolygon, x: float, y: float) -> tuple[float, float]:
    """Place within the field's box, −1 (west, south) to 1 (east, north)."""
    west, south, east, north = shape.bounds
    return (2 * x - west - east) / (east - west), (2 * y - south - north) / (north - south)
