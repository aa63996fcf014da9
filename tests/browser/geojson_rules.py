"""RFC 7946 as a list of what a file breaks, each finding with its clause; written without the code under test.

Source: RFC 7946 (August 2016). Clauses 3.1.6 and 7.1 were held against quotations of it, the others are from
memory.
"""

from __future__ import annotations

import json
import math
from itertools import pairwise
from typing import Any

TYPES = {"Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection"}


def broken_rules(data: bytes) -> list[str]:
    """What is wrong with a GeoJSON text; [] where nothing is."""
    if data.startswith(b"\xef\xbb\xbf"):
        return ["RFC 8259, 8.1: no byte order mark"]
    top = json.loads(data.decode("utf-8"), parse_constant=lambda word: f"RFC 8259, 6: {word} is no number")
    if top.get("type") != "FeatureCollection":
        return ["3: the type of a file of marks is FeatureCollection"]
    found = [
        f"7.1: a FeatureCollection has no '{name}'"
        for name in ("geometry", "properties", "coordinates", "geometries")
        if name in top
    ]
    found += ["4: no other coordinate reference system"] if "crs" in top else []
    if not isinstance(top.get("features"), list):
        return [*found, "3.3: features is an array"]
    for number, feature in enumerate(top["features"], 1):
        found += [f"feature {number}: {rule}" for rule in _feature(feature)]
    return found


def _feature(feature: Any) -> list[str]:
    found = []
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        return ["3.2: its type is Feature"]
    if "geometry" not in feature or not (feature["geometry"] is None or isinstance(feature["geometry"], dict)):
        found.append("3.2: geometry is an object or null")
    if "properties" not in feature or not (
        feature["properties"] is None or isinstance(feature["properties"], dict)
    ):
        found.append("3.2: properties is an object or null")
    if "id" in feature and (isinstance(feature["id"], bool) or not isinstance(feature["id"], str | int | float)):
        found.append("3.2: an id is a string or a number")
    found += [
        f"7.1: a Feature has no '{name}'" for name in ("features", "coordinates", "geometries") if name in feature
    ]
    return found + (_geometry(feature["geometry"]) if feature.get("geometry") else [])


def _geometry(geometry: dict[str, Any]) -> list[str]:
    kind: str = geometry.get("type", "")
    coordinates: Any = geometry.get("coordinates", [])
    if kind not in TYPES:
        return ["3.1: the type of a geometry is one of seven"]
    found = [
        f"7.1: a geometry has no '{name}'" for name in ("geometry", "properties", "features") if name in geometry
    ]
    if kind == "Point":
        return found + _position(coordinates)
    if kind == "LineString":
        return found + _line(coordinates)
    if kind == "Polygon":
        return found + [rule for number, ring in enumerate(coordinates) for rule in _ring(ring, outer=number == 0)]
    return [*found, f"no rule here for {kind}, which no sheet writes"]


def _position(position: Any) -> list[str]:
    if not isinstance(position, list) or len(position) < 2:
        return ["3.1.1: a position has two numbers or more"]
    if any(isinstance(v, bool) or not isinstance(v, int | float) or not math.isfinite(v) for v in position):
        return ["3.1.1: a position is made of numbers"]
    inside = abs(position[0]) <= 180 and abs(position[1]) <= 90
    return [] if inside else ["4: longitude and latitude in decimal degrees, in this order"]


def _line(positions: Any) -> list[str]:
    if not isinstance(positions, list) or len(positions) < 2:
        return ["3.1.4: a line has two positions or more"]
    return [rule for position in positions for rule in _position(position)]


def _ring(ring: Any, outer: bool) -> list[str]:
    found = _line(ring)
    if found:
        return found
    if len(ring) < 4 or ring[0] != ring[-1]:
        found.append("3.1.6: a ring is closed and has four positions or more")
    turn = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))
    if (turn > 0) is not outer:
        found.append("3.1.6: outer rings run against the clock, inner ones with it")
    return found
