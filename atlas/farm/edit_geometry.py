"""GeoPackage geometry blobs to shapes and back, and the `ST_` functions that a layer's triggers call.

The spatial index of a layer is kept by triggers, and these call functions that SQLite itself does not have. A
connection that knows them can write rows as any other program does. Layout: OGC 12-128r18,
clause 2.1.3; functions: the same standard's spatial index extension.
"""

from __future__ import annotations

import math
import sqlite3
import struct
from collections.abc import Callable
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

ENVELOPE_NUMBERS = {0: 0, 1: 4, 2: 6, 3: 6, 4: 8}
_GENERAL_TYPES = {"GEOMETRY", "GEOMCOLLECTION", "GEOMETRYCOLLECTION"}


def to_blob(shape: BaseGeometry, srs_id: int) -> bytes:
    """`shape` as a GeoPackage blob, little-endian, with its envelope unless it is a point."""
    wkb = shapely.to_wkb(shape, byte_order=1, flavor="iso")
    if shape.geom_type == "Point":
        return b"GP" + struct.pack("<BBi", 0, 1, srs_id) + wkb
    min_x, min_y, max_x, max_y = shape.bounds
    return b"GP" + struct.pack("<BBi4d", 0, 3, srs_id, min_x, max_x, min_y, max_y) + wkb


def to_shape(blob: object) -> BaseGeometry | None:
    """The shape in a GeoPackage blob; None for anything that is none (another layout, broken, curved)."""
    start = _wkb_start(blob)
    if start is None:
        return None
    assert isinstance(blob, bytes)
    try:
        return shapely.from_wkb(blob[start:])
    except shapely.errors.ShapelyError:
        return None


def register(connection: sqlite3.Connection) -> None:
    """Teach `connection` the functions that GeoPackage triggers call."""
    functions: dict[str, tuple[int, Callable[..., Any]]] = {
        "ST_IsEmpty": (1, _is_empty),
        "ST_MinX": (1, lambda blob: _edge(blob, 0)),
        "ST_MinY": (1, lambda blob: _edge(blob, 1)),
        "ST_MaxX": (1, lambda blob: _edge(blob, 2)),
        "ST_MaxY": (1, lambda blob: _edge(blob, 3)),
        "ST_SRID": (1, _srs_id),
        "ST_GeometryType": (1, _type_name),
        "GPKG_IsAssignable": (2, _is_assignable),
    }
    for name, (arguments, function) in functions.items():
        connection.create_function(name, arguments, function, deterministic=True)


def _wkb_start(blob: object) -> int | None:
    if not isinstance(blob, bytes) or len(blob) < 8 or blob[:2] != b"GP" or blob[2] != 0 or blob[3] & 0x20:
        return None
    numbers = ENVELOPE_NUMBERS.get(blob[3] >> 1 & 7)
    return None if numbers is None else 8 + 8 * numbers


def _bounds(blob: object) -> tuple[float, float, float, float] | None:
    """West, south, east, north: from the envelope where there is one, else from the shape itself."""
    start = _wkb_start(blob)
    if start is None:
        return None
    assert isinstance(blob, bytes)
    if start > 8 and len(blob) >= 40:
        order = "<" if blob[3] & 1 else ">"
        min_x, max_x, min_y, max_y = struct.unpack(order + "4d", blob[8:40])
        return None if math.isnan(min_x) else (min_x, min_y, max_x, max_y)
    shape = to_shape(blob)
    return None if shape is None or shape.is_empty else shape.bounds


def _edge(blob: object, which: int) -> float | None:
    bounds = _bounds(blob)
    return None if bounds is None else float(bounds[which])


def _is_empty(blob: object) -> int | None:
    if _wkb_start(blob) is None:
        return None
    return int(_bounds(blob) is None)


def _srs_id(blob: object) -> int | None:
    if _wkb_start(blob) is None:
        return None
    assert isinstance(blob, bytes)
    found: int = struct.unpack(("<" if blob[3] & 1 else ">") + "i", blob[4:8])[0]
    return found


def _type_name(blob: object) -> str | None:
    shape = to_shape(blob)
    return None if shape is None else shape.geom_type.upper()


def _is_assignable(expected: object, actual: object) -> int:
    """1 where a column of type `expected` may hold a shape of type `actual`."""
    wanted, found = str(expected).upper(), str(actual).upper()
    if wanted == found or wanted == "GEOMETRY":
        return 1
    return int(wanted in _GENERAL_TYPES and (found.startswith("MULTI") or found in _GENERAL_TYPES))
