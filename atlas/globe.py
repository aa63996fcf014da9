"""From a terrain's own coordinates to longitude and latitude: made once for each system, since PROJ takes
milliseconds to find its way between two."""

from __future__ import annotations

from functools import lru_cache

import pyproj
from pyproj import Transformer
from rasterio.crs import CRS


def to_lonlat(crs: CRS) -> Transformer:
    """From `crs` to longitude and latitude (WGS 84), in that order."""
    return wkt_to_lonlat(crs.to_wkt())


@lru_cache(maxsize=16)
def wkt_to_lonlat(wkt: str) -> Transformer:
    """`to_lonlat` from a system's WKT."""
    return Transformer.from_crs(pyproj.CRS.from_wkt(wkt), "EPSG:4326", always_xy=True)
