"""Slope classes and driving zones as polygons, clipped to the field, for data/atlas.gpkg."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio.features
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
from rasterio.crs import CRS
from shapely import from_wkb, to_wkb
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.driving.records import ZONE_KEYS
from atlas.errors import OutputError
from atlas.grid import Bytes, Grid
from atlas.survey import FieldSurvey

POLYGON = 3  # GEOS's number of that geometry type
FIXED_DATE = "2000-01-01T00:00:00.000Z"  # the same input gives the same bytes


def polygons_of(survey: FieldSurvey, ground: str, driver: str) -> list[dict[str, Any]]:
    """Rows for the layers `slope_classes` and `zones`, geometry as hex WKB.

    Zones are given for every machine, for the ground and driver named (the set the printed page shows).
    """
    terrain, parcel = survey.terrain, survey.parcel
    rows = []
    classes = terrain.figures.classes
    for value, geometry in _areas(terrain.slope_class, terrain.covered > 0, terrain.grid, parcel.shape):
        c = classes[value] if value < len(classes) else None
        rows.append(
            {
                "layer": "slope_classes",
                "over_pct": c.over_pct if c else None,
                "upto_pct": c.upto_pct if c else None,
                "class": value if c else None,
                "geometry": geometry,
            }
        )
    for drive in survey.driving.drives:
        if (drive.ground, drive.driver) != (ground, driver):
            continue
        for value, geometry in _areas(drive.zone, terrain.covered > 0, terrain.grid, parcel.shape):
            rows.append(
                {
                    "layer": "zones",
                    "machine": drive.machine,
                    "ground": ground,
                    "driver": driver,
                    "zone": ZONE_KEYS[value],
                    "geometry": geometry,
                }
            )
    for row in rows:
        row["field_id"], row["name"] = parcel.field_id, parcel.name
    return rows


def write_polygons(path: Path, rows: Iterable[dict[str, Any]], crs: CRS) -> None:
    """Write data/atlas.gpkg; both layers are there even when empty. The same rows give the same bytes.

    Raises OutputError where the file cannot be written, as on a full disk.
    """
    tables: dict[str, dict[str, list[Any]]] = {
        "slope_classes": {k: [] for k in ("field_id", "name", "over_pct", "upto_pct", "class", "geometry")},
        "zones": {k: [] for k in ("field_id", "name", "machine", "ground", "driver", "zone", "geometry")},
    }
    for row in rows:
        table = tables[row["layer"]]
        for column, values in table.items():
            values.append(from_wkb(row[column]) if column == "geometry" else row[column])
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_DATE})
    try:
        for layer, columns in tables.items():
            frame = gpd.GeoDataFrame(columns, geometry="geometry", crs=crs.to_wkt())
            if layer == "slope_classes":
                frame = frame.astype({"over_pct": "float64", "upto_pct": "float64", "class": "Int64"})
            frame.to_file(
                path, layer=layer, driver="GPKG", engine="pyogrio", geometry_type="MultiPolygon",
                dataset_options={"VERSION": "1.2"},  # what Debian's checker knows all triggers of
            )  # fmt: skip
    except (DataSourceError, DataLayerError, FeatureError) as e:
        why = str(e).split(":")[0]
        raise OutputError(f"{path}: cannot be written ({why}); make room on the disk. The old atlas stays.") from e
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _areas(values: Bytes, inside: np.ndarray, grid: Grid, parcel: BaseGeometry) -> list[tuple[int, str]]:
    """One multipolygon per value, clipped to the field, rising by value."""
    found: dict[int, list[Polygon]] = {}
    pieces = rasterio.features.shapes(values, mask=inside, connectivity=4, transform=grid.transform)
    for geometry, value in pieces:
        ring, *holes = geometry["coordinates"]
        found.setdefault(int(value), []).append(Polygon(ring, holes))
    shapely.prepare(parcel)
    return [(value, to_wkb(_clipped(found[value], parcel), hex=True)) for value in sorted(found)]


def _clipped(pieces: list[Polygon], parcel: BaseGeometry) -> MultiPolygon:
    """Pieces that touch at corners at most, cut to the field; only those across its edge need cutting."""
    every = np.array(pieces, dtype=object)
    whole = shapely.contains_properly(parcel, every)
    cut = shapely.get_parts(shapely.intersection(parcel, every[~whole]))
    areas = cut[(shapely.get_type_id(cut) == POLYGON) & (shapely.area(cut) > 0)]
    return cast(MultiPolygon, MultiPolygon([*every[whole], *areas]).normalize())
