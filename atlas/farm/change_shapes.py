"""Which shapes a layer takes, and a shape made to fit the layer that takes it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import shapely
from shapely.geometry import MultiLineString, MultiPoint, MultiPolygon
from shapely.geometry.base import BaseGeometry

from atlas.farm.edit_rows import Table

_MANY: dict[str, tuple[str, Callable[[Any], BaseGeometry]]] = {
    "Point": ("MULTIPOINT", MultiPoint),
    "LineString": ("MULTILINESTRING", MultiLineString),
    "Polygon": ("MULTIPOLYGON", MultiPolygon),
}


def suits(table: Table, shape: BaseGeometry) -> int | None:
    """How well a layer suits a shape: 0 made for it, 1 for several of it, 2 for anything; None not at all."""
    found = shape.geom_type.upper()
    if table.geometry is None:
        return None
    if table.geometry_type == found:
        return 0
    if shape.geom_type in _MANY and table.geometry_type == _MANY[shape.geom_type][0]:
        return 1
    return 2 if table.geometry_type == "GEOMETRY" else None


def fitted(table: Table, shape: BaseGeometry) -> BaseGeometry:
    """`shape` as the layer wants it: one of several, with heights only where the layer insists on them."""
    if suits(table, shape) == 1:
        shape = _MANY[shape.geom_type][1]([shape])
    return shapely.force_3d(shape, 0.0) if table.has_z == 1 else shapely.force_2d(shape)
