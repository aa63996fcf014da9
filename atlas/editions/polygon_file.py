"""data/atlas.gpkg: every field's polygons, written as they come. Apart from `polygons`, which a survey takes
without all that writes."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyogrio.raw
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
from rasterio.crs import CRS

from atlas.errors import OutputError

COLUMNS: dict[str, dict[str, type]] = {
    "slope_classes": {"field_id": str, "name": str, "over_pct": float, "upto_pct": float, "class": int},
    "zones": {"field_id": str, "name": str, "machine": str, "ground": str, "driver": str, "zone": str},
}
DTYPES: dict[type, type] = {str: object, float: np.float64, int: np.int64}
HELD_BYTES = 16_000_000  # before some is written
ROW_BYTES = 1000  # of a row beside its geometry, about
FIXED_DATE = "2000-01-01T00:00:00.000Z"  # the same input gives the same bytes


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
