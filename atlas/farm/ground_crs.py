"""What a terrain's CRS means for us: which flat CRS in metres to work in, and in which unit its heights stand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from pyproj import CRS, Geod
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError
from shapely.geometry import Point

from atlas.errors import TerrainError
from atlas.farm.reprojecting import bring

FOOT_M = 0.3048
# Of a length: Web Mercator reads 30 % as 20 % in the Alps; a CRS made for the land stays under.
MOST_STRETCH = 0.02
STEP_M = 100.0  # over which lengths on the map and on the ground are compared
DIRECTIONS = ((1, 0), (1, 1), (0, 1), (-1, 1))  # east and north
GLOBE = Geod(ellps="WGS84")
SURVEY_FOOT_M = 1200 / 3937
UNITS = {
    "m": 1.0,
    "metre": 1.0,
    "meter": 1.0,
    "metres": 1.0,
    "meters": 1.0,
    "dm": 0.1,
    "decimetre": 0.1,
    "decimeter": 0.1,
    "cm": 0.01,
    "centimetre": 0.01,
    "centimeter": 0.01,
    "ft": FOOT_M,
    "foot": FOOT_M,
    "feet": FOOT_M,
    "international foot": FOOT_M,
    "us-ft": SURVEY_FOOT_M,
    "ftus": SURVEY_FOOT_M,
    "us survey foot": SURVEY_FOOT_M,
    "us survey feet": SURVEY_FOOT_M,
    "foot_us": SURVEY_FOOT_M,
}


@dataclass(frozen=True)
class GroundCrs:
    """`flat`: the CRS without heights as stored. `map_unit_m`: metres in its unit; None where it is in degrees.
    `height_unit_m`: metres in its vertical unit, None where it states none."""

    flat: CRS
    map_unit_m: float | None
    height_unit_m: float | None


def understand(crs: Any, label: str) -> GroundCrs:
    """Take a raster's CRS apart. Raises TerrainError where there is none, or it has no place on the globe."""
    if not crs:
        raise TerrainError(f"{label}: the terrain has no CRS; set it (the delivery note names it) and try again.")
    try:
        whole = CRS.from_user_input(crs)
    except CRSError as e:
        raise TerrainError(f"{label}: the terrain's CRS cannot be understood; set it again.") from e
    height = None
    if whole.is_compound:
        vertical = [part for part in whole.sub_crs_list if part.is_vertical]
        height = float(vertical[0].axis_info[0].unit_conversion_factor) if vertical else None
        whole = whole.sub_crs_list[0]
    if whole.is_geographic:
        return GroundCrs(whole, None, height)
    if not whole.is_projected:
        raise TerrainError(
            f"{label}: the terrain's CRS '{whole.name}' has no place on the globe; set the true one and try again."
        )
    return GroundCrs(whole, float(whole.axis_info[0].unit_conversion_factor), height)


def unit_m(word: str | None) -> float | None:
    """Metres in a unit of length as files spell it; None for an unknown or empty word."""
    return UNITS.get((word or "").strip().lower())


def stretch(flat: CRS, x: float, y: float, label: str) -> float:
    """Lengths on the map over lengths on the ground at a place given in a projected CRS's own unit, in the one of
    four directions in which they differ most. Raises TerrainError where the place lies nowhere on the globe.
    """
    unit = float(flat.axis_info[0].unit_conversion_factor)
    ends = [(x, y), *((x + de * STEP_M / unit, y + dn * STEP_M / unit) for de, dn in DIRECTIONS)]
    try:
        places = [bring(Point(end), flat, CRS.from_epsg(4326)).centroid for end in ends]
        ground = [float(GLOBE.inv(places[0].x, places[0].y, end.x, end.y)[2]) for end in places[1:]]
    except (ProjError, CRSError, ValueError) as e:
        raise TerrainError(f"{label}: {x:g}, {y:g} is no place on the globe; set the terrain's CRS right.") from e
    if not all(math.isfinite(length) and length > 0 for length in ground):
        raise TerrainError(f"{label}: {x:g}, {y:g} is no place on the globe; set the terrain's CRS right.")
    sides = [STEP_M * math.hypot(*way) / length for way, length in zip(DIRECTIONS, ground, strict=True)]
    return max(sides, key=lambda side: abs(math.log(side)))


def in_metres(crs: CRS) -> CRS:
    """The same projected CRS counted in metres: only its axes change, so no cell moves and none is resampled."""
    told = crs.to_json_dict()
    for axis in told["coordinate_system"]["axis"]:
        axis["unit"] = "metre"
    told.pop("id", None)
    told["name"] = f"{crs.name} counted in metres"
    return CRS.from_json_dict(told)


def utm_for(crs: CRS, x: float, y: float, label: str) -> CRS:
    """The UTM zone of a place given in `crs`, on its own datum where there is such a zone.

    Raises TerrainError where the place lies outside all zones.
    """
    try:
        place = bring(Point(x, y), crs, CRS.from_epsg(4326))
        area = AreaOfInterest(*place.bounds)
        found = [
            zone
            for datum in (crs.geodetic_crs.name if crs.geodetic_crs else crs.name, "WGS 84")
            for zone in query_utm_crs_info(datum_name=datum, area_of_interest=area)
            if "(" not in zone.name  # "(N-E)" ones are the same zones with their axes turned
        ]
    except (ProjError, CRSError) as e:
        raise TerrainError(f"{label}: {x:g}, {y:g} is no place on the globe; set the terrain's CRS right.") from e
    if not found:
        raise TerrainError(f"{label}: {x:g}, {y:g} lies in no UTM zone; bring the terrain in a CRS in metres.")
    return CRS.from_epsg(int(found[0].code))
