"""GeoJSON geometry to shapes, every number looked at: a mark with broken coordinates must not move a hazard.

Source: RFC 7946, sections 3.1 (positions, rings) and 4 (longitude and latitude on WGS 84).
"""

from __future__ import annotations

import math
from typing import Any

import shapely
from shapely.geometry import (
    LineString,
    MultiLineString,
    MultiPoint,
    MultiPolygon,
    Point,
    Polygon,
)
from shapely.geometry.base import BaseGeometry

from atlas.errors import RowError

MOST_POSITIONS = 20_000
_DEPTHS = {"Point": 0, "MultiPoint": 1, "LineString": 1, "MultiLineString": 2, "Polygon": 2, "MultiPolygon": 3}
_Positions = Any  # lists of lists of (longitude, latitude), as deep as the type says


def shape_from(geometry: object) -> BaseGeometry:
    """A shape in longitude and latitude; heights are dropped. Raises RowError where it is broken or empty."""
    if not isinstance(geometry, dict):
        raise RowError("has no geometry; mark a point, a line or an area")
    kind = geometry.get("type")
    if not isinstance(kind, str) or kind not in _DEPTHS:
        raise RowError(f"its geometry is {str(kind)[:30]!r}; mark a point, a line or an area")
    budget = [MOST_POSITIONS]
    coordinates = _positions(geometry.get("coordinates"), _DEPTHS[kind], budget)
    shape = _built(kind, coordinates)
    if shape.is_empty:
        raise RowError("its geometry is empty; mark a point, a line or an area")
    if not shape.is_valid:
        shape = _mended(shape)
    return shape


def _positions(value: object, depth: int, budget: list[int]) -> _Positions:
    if not isinstance(value, list):
        raise RowError(f"its coordinates are broken (a list is missing where {str(value)[:30]!r} stands)")
    if depth == 0:
        return _position(value, budget)
    return [_positions(part, depth - 1, budget) for part in value]


def _position(value: list[Any], budget: list[int]) -> tuple[float, float]:
    budget[0] -= 1
    if budget[0] < 0:
        raise RowError(f"its geometry has more than {MOST_POSITIONS} points; draw it simpler")
    numbers = [v for v in value if isinstance(v, int | float) and not isinstance(v, bool)]
    if not 2 <= len(value) <= 4 or len(numbers) != len(value):
        raise RowError(f"its coordinates are broken ({str(value)[:40]} is no longitude and latitude)")
    if not all(math.isfinite(v) for v in numbers) or abs(numbers[0]) > 180 or abs(numbers[1]) > 90:
        raise RowError(
            f"its coordinates {str(value[:2])[:60]} are no longitude and latitude in degrees; export it in WGS 84"
        )
    return float(numbers[0]), float(numbers[1])


def _built(kind: str, coordinates: _Positions) -> BaseGeometry:
    if kind == "Point":
        return Point(coordinates)
    if kind == "MultiPoint":
        return MultiPoint(coordinates)
    if kind == "LineString":
        return _line(coordinates)
    if kind == "MultiLineString":
        return MultiLineString([_line(part) for part in coordinates])
    if kind == "Polygon":
        return _area(coordinates)
    return MultiPolygon([_area(part) for part in coordinates])


def _line(positions: _Positions) -> LineString:
    if len(set(positions)) < 2:
        raise RowError("its line has fewer than two different points; mark a point instead")
    return LineString(positions)


def _area(rings: _Positions) -> Polygon:
    if not rings:
        raise RowError("its area has no outline")
    for ring in rings:
        if len(ring) < 4 or ring[0] != ring[-1]:
            raise RowError("its area is not closed (a ring ends where it began and has four points or more)")
    area = Polygon(rings[0], rings[1:])
    if len(set(rings[0])) < 3 or not Polygon(rings[0]).convex_hull.area > 0:
        raise RowError("its area covers no ground; mark a line or a point instead")
    return area


def _mended(shape: BaseGeometry) -> BaseGeometry:
    """An outline that crosses itself keeps all the ground it goes around."""
    whole = shapely.make_valid(shape)
    parts = [p for p in shapely.get_parts(whole) if p.geom_type in ("Polygon", "MultiPolygon")]
    mended = shapely.union_all(parts) if parts else shape.convex_hull
    return mended if mended.geom_type in ("Polygon", "MultiPolygon") else shape.convex_hull
