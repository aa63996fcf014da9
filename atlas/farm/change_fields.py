"""How far a marking lies from the nearest field, asked of the file's own spatial index."""

from __future__ import annotations

import math

import numpy as np
import shapely
from pyproj.exceptions import ProjError
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from atlas.farm import edit_geometry
from atlas.farm.change_places import FarmChange
from atlas.farm.edit_rows import quoted
from atlas.farm.reprojecting import bring


def metres_to_fields(change: FarmChange, shape: BaseGeometry, within_m: float) -> float:
    """Distance from `shape` (the farm's CRS) to the nearest field; infinite where none is within `within_m`."""
    west, south, east, north = shape.bounds
    reach = within_m / _metres_per_unit(change, shape)
    around = box(west - reach, south - reach, east + reach, north + reach)
    fields = _fields_near(change, around)
    if not fields:
        return math.inf
    return float(np.min(shapely.distance(np.array(fields, dtype=object), shape))) * _metres_per_unit(change, shape)


def _fields_near(change: FarmChange, around: BaseGeometry) -> list[BaseGeometry]:
    """Fields whose box touches `around`, in the farm's CRS."""
    table = change.parcels.table
    source = change.crs_of(table.srs_id)
    try:
        west, south, east, north = bring(shapely.segmentize(around, around.length / 40), change.crs, source).bounds
    except ProjError:
        return []
    geometry, name = quoted(table.geometry or ""), quoted(table.name)
    index = f"rtree_{table.name}_{table.geometry}"
    where = ""
    bounds: tuple[float, ...] = ()
    if change.db.execute("SELECT 1 FROM sqlite_master WHERE name = ? AND sql LIKE '%rtree%'", (index,)).fetchone():
        where = (
            f"WHERE {quoted(table.key)} IN (SELECT id FROM {quoted(index)} "
            "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?)"
        )
        bounds = (west, east, south, north)
    blobs = change.db.execute(f"SELECT {geometry} FROM {name} {where}", bounds)
    shapes = [shape for row in blobs if (shape := edit_geometry.to_shape(row[0])) is not None]
    return [_valid(bring(s, source, change.crs)) for s in shapes if not s.is_empty]


def _valid(shape: BaseGeometry) -> BaseGeometry:
    return shape if shape.is_valid else shapely.make_valid(shape)


def _metres_per_unit(change: FarmChange, shape: BaseGeometry) -> float:
    """Metres in one unit of the farm's CRS; for degrees the smaller of both directions, so nothing is missed."""
    axis = change.crs.axis_info[0]
    if change.crs.is_geographic:
        latitude = max(abs(shape.bounds[1]), abs(shape.bounds[3]), 1.0)
        return 111_320.0 * max(math.cos(math.radians(min(latitude, 89.0))), 0.02)
    return axis.unit_conversion_factor
