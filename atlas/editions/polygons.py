"""Slope classes and driving zones as polygons, clipped to the field, for data/atlas.gpkg."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyogrio.raw
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
from rasterio.crs import CRS
from shapely import to_wkb
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from atlas.driving.records import ZONE_KEYS
from atlas.editions.polygons_kernel import outlines, patches
from atlas.errors import OutputError
from atlas.grid import Bytes, Grid, Mask
from atlas.survey import FieldSurvey

POLYGON = 3  # GEOS's number of that geometry type
COLUMNS: dict[str, dict[str, type]] = {
    "slope_classes": {"field_id": str, "name": str, "over_pct": float, "upto_pct": float, "class": int},
    "zones": {"field_id": str, "name": str, "machine": str, "ground": str, "driver": str, "zone": str},
}
DTYPES: dict[type, type] = {str: object, float: np.float64, int: np.int64}
HELD_BYTES = 16_000_000  # before some is written
ROW_BYTES = 1000  # of a row beside its geometry, about
FIXED_DATE = "2000-01-01T00:00:00.000Z"  # the same input gives the same bytes


def polygons_of(survey: FieldSurvey, ground: str, driver: str) -> list[dict[str, Any]]:
    """Rows for the layers `slope_classes` and `zones`, geometry as WKB.

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


class PolygonFile:
    """data/atlas.gpkg, filled row by row and written some fields at a time, so that a region's polygons are never
    in memory together. The same rows give the same bytes.

    `take` and `done` raise OutputError where the file cannot be written, as on a full disk.
    """

    def __init__(self, path: Path, crs: CRS) -> None:
        self._path, self._crs = path, crs.to_wkt()
        self._rows: dict[str, list[dict[str, Any]]] = {layer: [] for layer in COLUMNS}
        self._begun = dict.fromkeys(COLUMNS, False)
        self._held = 0

    def take(self, rows: Iterable[dict[str, Any]]) -> None:
        """Add rows as `polygons_of` gives them."""
        for row in rows:
            self._rows[row["layer"]].append(row)
            self._held += len(row["geometry"]) + ROW_BYTES
        if self._held > HELD_BYTES:
            self._flush()

    def done(self) -> None:
        """Write what is left; both layers are there even when empty."""
        self._flush()

    def _flush(self) -> None:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_DATE})
        try:
            for layer, rows in self._rows.items():
                if rows or not self._begun[layer]:
                    self._write(layer, rows)
        except (DataSourceError, DataLayerError, FeatureError) as e:
            why = str(e).split(":")[0]
            raise OutputError(
                f"{self._path}: cannot be written ({why}); make room on the disk. The old atlas stays."
            ) from e
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
        self._held = 0

    def _write(self, layer: str, rows: list[dict[str, Any]]) -> None:
        """Geometry goes in as the WKB it is remembered as."""
        shapes = np.empty(len(rows), dtype=object)
        shapes[:] = [row["geometry"] for row in rows]
        columns = {name: [row[name] for row in rows] for name in COLUMNS[layer]}
        empty = [np.array([v is None for v in values], dtype=np.bool_) for values in columns.values()]
        values: list[np.ndarray] = [
            np.array([kind() if v is None else v for v in columns[name]], dtype=DTYPES[kind])
            for name, kind in COLUMNS[layer].items()
        ]
        pyogrio.raw.write(
            self._path, shapes, values, list(columns), field_mask=empty, layer=layer, driver="GPKG",
            geometry_type="MultiPolygon", crs=self._crs, append=self._begun[layer],
            dataset_options={"VERSION": "1.2"},  # what Debian's checker knows all triggers of
        )  # fmt: skip
        self._begun[layer] = True
        rows.clear()


def _areas(values: Bytes, inside: Mask, grid: Grid, parcel: BaseGeometry) -> list[tuple[int, bytes]]:
    """One multipolygon per value, clipped to the field, rising by value."""
    pieces, value = _pieces(values, inside, grid)
    shapely.prepare(parcel)
    return [(int(v), to_wkb(_clipped(pieces[value == v], parcel))) for v in np.unique(value)]


def _pieces(values: Bytes, inside: Mask, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Polygons of cells that share a value and sides, and the value of each."""
    patch, value = patches(values, inside)
    corners, long, of = outlines(patch)
    at = np.array([grid.west, grid.north]) + corners * np.array([grid.cell_x, -grid.cell_y])
    order = np.argsort(of, kind="stable")  # by patch, the outer ring still first
    rings: Any = shapely.linearrings(at, indices=np.repeat(np.arange(len(long)), long))
    pieces: Any = shapely.polygons(rings[order], indices=of[order])
    return pieces, value


def _clipped(pieces: np.ndarray, parcel: BaseGeometry) -> MultiPolygon:
    """Pieces that touch at corners at most, cut to the field; only those across its edge need cutting."""
    whole = shapely.contains_properly(parcel, pieces)
    cut = shapely.get_parts(shapely.intersection(parcel, pieces[~whole]))
    areas = cut[(shapely.get_type_id(cut) == POLYGON) & (shapely.area(cut) > 0)]
    return MultiPolygon(shapely.normalize(shapely.multipolygons([*pieces[whole], *areas])))
