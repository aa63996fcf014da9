"""Whose atlas a folder holds: one farm's map is never issued over another's, for its sheets would be lost."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import shapely
from rasterio.crs import CRS

from atlas.editions.state import previous_edition, previous_places
from atlas.errors import OutputError
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.globe import to_lonlat

DECIMALS = 6  # of a degree: a tenth of a metre


def places_of(parcels: Sequence[Parcel], crs: CRS) -> list[tuple[float, float]]:
    """A place inside each field, longitude and latitude; `crs` is that of the parcels."""
    inside = shapely.get_coordinates(shapely.point_on_surface([p.shape for p in parcels]))
    lon, lat = to_lonlat(crs).transform(inside[:, 0], inside[:, 1])
    return [(round(float(x), DECIMALS), round(float(y), DECIMALS)) for x, y in zip(lon, lat, strict=True)]


def check_ours(out: Path, named: Path, farm: Farm) -> None:
    """Raise OutputError where `out` holds an atlas of which no field lies in a field of `farm`; `named` is how the
    user called it. An atlas that does not say where its fields lie is taken for ours.
    """
    told = np.array(previous_places(out))
    before = previous_edition(out)
    if before is None or not len(told):
        return
    x, y = to_lonlat(farm.terrain.grid.crs).transform(told[:, 0], told[:, 1], direction="INVERSE")
    seen = np.isfinite(x) & np.isfinite(y)
    if not farm.parcel_index.query(shapely.points(x[seen], y[seen]), predicate="intersects").size:
        raise OutputError(
            f"{named}: holds map {before.number} of another farm: none of its fields lies where one of "
            f"{farm.path.name} does; name another folder with --out, or move that one away."
        )
