"""Marked hazards and walks for other programs and receivers: GeoJSON (RFC 7946) and GPX 1.1, in longitude and
latitude (WGS 84)."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import numpy.typing as npt
from pyproj import Transformer
from shapely import get_coordinates, set_precision, transform
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from atlas.driving.place_names import place_in
from atlas.driving.walk_records import FarmWalks, WalkPlace
from atlas.editions.state import stamp
from atlas.farm.farm import Farm
from atlas.farm.records import Hazard
from atlas.globe import to_lonlat
from atlas.languages import tr
from atlas.words import HAZARDS, N_, SEVERITIES

GPX = "http://www.topografix.com/GPX/1/1"
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def hazards_geojson(farm: Farm) -> Iterator[bytes]:
    """Every live hazard with its marking, longitude first, exterior rings counter-clockwise; piece by piece, since
    a region has tens of thousands."""
    to_globe = to_lonlat(farm.terrain.grid.crs)
    yield b'{"type": "FeatureCollection", "features": ['
    for i, h in enumerate(farm.hazards):
        feature = json.dumps(_feature(h, to_globe), ensure_ascii=True)
        yield f", {feature}".encode() if i else feature.encode()
    yield b"]}"


def _feature(h: Hazard, to_globe: Transformer) -> dict[str, Any]:
    return {
        "type": "Feature",
        "id": h.hazard_id,
        "geometry": mapping(_wound(_moved(h.shape, to_globe))),
        "properties": {
            "hazard_id": h.hazard_id,
            "kind": h.kind,
            "severity": h.severity if h.kind == "wet_spot" else None,
            "reach_m": h.reach_m,
            "accuracy_m": h.accuracy_m,
            "depth_m": h.depth_m,
            "note": h.note,
            "seen_at": stamp(h.seen_at) if h.seen_at else None,
            "seen_by": h.seen_by,
            "unconfirmed": h.unconfirmed,
        },
    }


def hazards_gpx(farm: Farm) -> Iterator[bytes]:
    """Every live hazard as a waypoint for a handheld receiver: points as they are, lines and areas by a point on
    them. Element order as the GPX 1.1 schema fixes it. Piece by piece."""
    return gpx(((h.shape, _label(h), h.note) for h in farm.hazards), to_lonlat(farm.terrain.grid.crs))


def gpx(places: Iterable[tuple[BaseGeometry, str, str]], to_globe: Transformer) -> Iterator[bytes]:
    """A GPX 1.1 file of waypoints, (shape, name, description) each, piece by piece."""
    root = _gpx_root()
    root.append(ET.Comment("places"))
    head, _, tail = _gpx_bytes(root).partition(b"<!--places-->")
    yield head
    for shape, name, description in places:
        inside = shape.representative_point()
        lon, lat = to_globe.transform(inside.x, inside.y)
        # Without a namespace of its own it reads as the root's.
        yield bytes(ET.tostring(_alone("wpt", lon, lat, name, description), encoding="UTF-8"))
    yield tail


def _alone(kind: str, lon: float, lat: float, name: str, description: str) -> ET.Element:
    held = ET.Element("held")
    _point(held, kind, lon, lat, name, description, "")
    return held[0]


def walks_gpx(farms: Sequence[FarmWalks]) -> bytes:
    """Every walk as a route from way in to way in, its stops and ways in also as waypoints; a stop's number is the
    one on the page."""
    root = _gpx_root()
    for farm in farms:
        for walk in farm.walks:
            for place in walk.places:
                _point(root, "wpt", place.at.lon, place.at.lat, *_told(place))
    for farm in farms:  # the schema wants every waypoint before the first route
        for walk in farm.walks:
            route = ET.SubElement(root, f"{{{GPX}}}rte")
            walk_name = tr(N_("Walk {n}")).format(n=walk.number)
            name = f"{farm.farm}: {walk_name}" if farm.farm else walk_name
            ET.SubElement(route, f"{{{GPX}}}name").text = _NOT_XML.sub("", name)
            for place in walk.places:
                _point(route, "rtept", place.at.lon, place.at.lat, *_told(place))
    return _gpx_bytes(root)


def _told(place: WalkPlace) -> tuple[str, str]:
    """Name and description of a walk's place."""
    field, stop = place.field, place.stop
    if stop is None:
        return place.gate, f"{tr(N_('way in'))}, {field}"
    where = f"{field}, {place_in(stop.place, tr)}" if stop.place else field
    if not stop.unconfirmed:
        dry = tr(N_("water gathers here, nobody has marked anything"))
        return f"{place.number} {tr(N_('likely wet'))}", f"{where}: {dry}"
    grade = f" ({tr(SEVERITIES[stop.severity])})" if stop.severity else ""
    note = f" {stop.note}" if stop.note else ""
    unseen = tr(N_("not looked at since the storm"))
    return f"{place.number} {tr(HAZARDS[stop.kind])}", f"{where}{grade}: {unseen}.{note}"


def _gpx_root() -> ET.Element:
    ET.register_namespace("", GPX)
    return ET.Element(f"{{{GPX}}}gpx", {"version": "1.1", "creator": "field-atlas"})


def _point(
    parent: ET.Element, kind: str, lon: float, lat: float, name: str, description: str, space: str = f"{{{GPX}}}"
) -> None:
    lon = -180.0 if round(lon, 7) >= 180 else lon  # the schema ends before 180
    point = ET.SubElement(parent, f"{space}{kind}", {"lat": f"{lat:.7f}", "lon": f"{lon:.7f}"})
    ET.SubElement(point, f"{space}name").text = _NOT_XML.sub("", name)
    if description:
        ET.SubElement(point, f"{space}desc").text = _NOT_XML.sub("", description)


def _gpx_bytes(root: ET.Element) -> bytes:
    return bytes(ET.tostring(root, encoding="UTF-8", xml_declaration=True))


def _label(h: Hazard) -> str:
    grade = f", {tr(SEVERITIES[h.severity])}" if h.kind == "wet_spot" else ""
    return f"{tr(HAZARDS[h.kind])}{grade}"


def _moved(shape: BaseGeometry, to_globe: Transformer) -> BaseGeometry:
    if not len(get_coordinates(shape)):
        return shape

    def step(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.column_stack(to_globe.transform(points[:, 0], points[:, 1]))

    moved = transform(shape, step)
    return set_precision(moved, 1e-8, mode="pointwise")


def _wound(shape: BaseGeometry) -> BaseGeometry:
    if isinstance(shape, Polygon):
        return orient(shape)
    if isinstance(shape, MultiPolygon):
        return MultiPolygon([orient(p) for p in shape.geoms])
    return shape
