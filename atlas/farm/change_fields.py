"""How far a marking lies from the nearest field, asked of the file's own spatial index."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from pyproj.exceptions import ProjError
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from atlas.farm import edit_geometry, values
from atlas.farm.change_places import FarmChange
from atlas.farm.edit_rows import quoted
from atlas.farm.reprojecting import bring


@dataclass(frozen=True)
class Nearest:
    """The field a marking belongs to: its id as the file has it, and how far off it is."""

    field_id: str
    metres: float


def nearest_field(change: FarmChange, shape: BaseGeometry, within_m: float) -> Nearest:
    """The field nearest to `shape` (in the farm's CRS); infinitely far where none is within `within_m`."""
    west, south, east, north = shape.bounds
    reach = within_m / _metres_per_unit(change, shape)
    around = box(west - reach, south - reach, east + reach, north + reach)
    fields = _fields_near(change, around)
    if not fields:
        return Nearest("", math.inf)
    away = shapely.distance(np.array([field for _, field in fields], dtype=object), shape)
    best = int(np.argmin(away))
    return Nearest(fields[best][0], float(away[best]) * _metres_per_unit(change, shape))


def _fields_near(change: FarmChange, around: BaseGeometry) -> list[tuple[str, BaseGeometry]]:
    """Ids and outlines of fields whose box touches `around`, in the farm's CRS."""
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
    identity = quoted(change.parcels.columns.get("field_id", table.key))
    rows = change.db.execute(f"SELECT {identity}, {geometry} FROM {name} {where}", bounds)
    shapes = [
        (values.text(told), shape) for told, blob in rows if (shape := edit_geometry.to_shape(blob)) is not None
    ]
    return [(told, _valid(bring(s, source, change.crs))) for told, s in shapes if not s.is_empty]


def _valid(shape: BaseGeometry) -> BaseGeometry:
    return shape if shape.is_valid else shapely.make_valid(shape)


def _metres_per_unit(change: FarmChange, shape: BaseGeometry) -> float:
    """Metres in one unit of the farm's CRS; for degrees the smaller of both directions, so nothing is missed."""
    axis = change.crs.axis_info[0]
    if change.crs.is_geographic:
        latitude = max(abs(shape.bounds[1]), abs(shape.bounds[3]), 1.0)
        return 111_320.0 * max(math.cos(math.radians(min(latitude, 89.0))), 0.02)
    return axis.unit_conversion_factor
