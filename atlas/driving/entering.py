"""Which ways in lead into a field, into which part of it, where to from there, and for which machines."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely.geometry import MultiPolygon, Point, Polygon

from atlas.driving.machines import Machine
from atlas.driving.reach import WAY_IN_REACH_M
from atlas.farm.records import Parcel, WayIn

AHEAD_M = 15.0  # so much of the field, from its edge on, says which way leads inwards


def entered_by(parcel: Parcel, ways_in: Sequence[WayIn]) -> tuple[WayIn, ...]:
    """The ways in by which machines enter this field: within 5 m of it, as in the sum of reach. Others nearby are
    its neighbours'; where none is that near, the nearest one."""
    near = tuple(w for w in ways_in if w.shape.distance(parcel.shape) <= WAY_IN_REACH_M)
    return near or tuple(sorted(ways_in, key=lambda w: (w.shape.distance(parcel.shape), w.way_in_id))[:1])


def entered_part(shape: Polygon | MultiPolygon, at: Point) -> Polygon:
    """The part of a field that a way in leads into: the nearest one."""
    parts = shape.geoms if isinstance(shape, MultiPolygon) else (shape,)
    return min(parts, key=at.distance)


def inward_deg(shape: Polygon | MultiPolygon, at: Point) -> float:
    """Which way leads from a way in into the part that it belongs to, degrees clockwise from grid north.

    Towards the middle of what lies nearest of that part, not of the whole field: that may be round a corner, or
    beyond a road.
    """
    part = entered_part(shape, at)
    ahead = part.intersection(at.buffer(at.distance(part) + AHEAD_M))
    to = (part if ahead.is_empty else ahead).centroid
    if to.distance(at) < 1e-9:
        to = part.representative_point()
    return round(math.degrees(math.atan2(to.x - at.x, to.y - at.y)), 6) % 360.0


def lets_in(way: WayIn, machine: Machine) -> bool:
    """Whether a machine, with what it tows, is no wider and no heavier than is said of a way in."""
    wide = way.width_m is None or machine.width_m <= way.width_m
    light = way.max_load_t is None or machine.mass_kg + machine.towed_kg <= way.max_load_t * 1000.0
    return wide and light
