"""What a walk keeps of one field: its unconfirmed markings, its likely wet places, its ways in."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pyproj import Transformer

from atlas.driving.places import place_words
from atlas.driving.records import TaggedHazard
from atlas.driving.walk_records import LIKELY_WET, At, FieldStops, Gate, Stop
from atlas.driving.wet_places import WetPlace
from atlas.farm.records import WayIn
from atlas.globe import to_lonlat
from atlas.grid import Heights

if TYPE_CHECKING:
    from atlas.survey import FieldSurvey

GATE_WITHIN_M = 5.0  # as for machines; one farther off may be a neighbour's, and counts where there is no other


def stops_of(survey: FieldSurvey) -> FieldStops:
    """One field's part of the walks. Its page is where the atlas puts every field's."""
    heights = Heights(survey.terrain.grid, survey.terrain.z)
    parcel = survey.parcel
    near = [w for w in survey.ways_in if w.shape.distance(parcel.shape) <= GATE_WITHIN_M]
    to_globe = to_lonlat(heights.grid.crs)
    return FieldStops(
        parcel.field_id,
        parcel.name,
        f"fields/{parcel.slug}.html",
        parcel.farm,
        tuple(_gate(w, survey, heights, to_globe) for w in near or survey.ways_in),
        (
            *(_marked(t, survey, heights) for t in survey.driving.hazards if t.hazard.unconfirmed),
            *(_likely(w, parcel.field_id, heights) for w in survey.likely_wet),
        ),
    )


def _gate(way: WayIn, survey: FieldSurvey, heights: Heights, to_globe: Transformer) -> Gate:
    lon, lat = to_globe.transform(way.shape.x, way.shape.y)
    place = place_words(way.shape, survey.parcel.shape)
    return Gate(way.name or way.way_in_id, place, _at(way.shape.x, way.shape.y, lon, lat, heights))


def _marked(tagged: TaggedHazard, survey: FieldSurvey, heights: Heights) -> Stop:
    h = tagged.hazard
    return Stop(
        key=h.hazard_id,
        kind=h.kind,
        severity=h.severity if h.kind == "wet_spot" else None,
        tag=tagged.tag,
        place=tagged.place,
        note=h.note,
        rank=0,
        index=0.0,
        off_m=round(h.shape.distance(survey.parcel.shape), 2),
        at=_at(tagged.at_x, tagged.at_y, tagged.at_lon, tagged.at_lat, heights),
    )


def _likely(w: WetPlace, field_id: str, heights: Heights) -> Stop:
    return Stop(
        key=f"{field_id} {w.rank}",
        kind=LIKELY_WET,
        severity=None,
        tag=None,
        place=w.place,
        note="",
        rank=w.rank,
        index=round(w.index, 3),
        off_m=0.0,
        at=_at(w.x, w.y, w.lon, w.lat, heights),
    )


def _at(x: float, y: float, lon: float, lat: float, heights: Heights) -> At:
    """A place to the decimetre, with the height of its cell."""
    grid = heights.grid
    row, col = math.floor((grid.north - y) / grid.cell_y), math.floor((x - grid.west) / grid.cell_x)
    height = float(heights.z[row, col]) if 0 <= row < grid.rows and 0 <= col < grid.cols else math.nan
    known = round(height, 1) if math.isfinite(height) else None
    return At(round(x, 1), round(y, 1), round(lon, 7), round(lat, 7), known)
