"""Small farm files for tests: a smooth hill whose heights are known everywhere, and fields on it.

Everything here is made on the spot; nothing is anybody's land.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.transform import Affine, from_origin
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from atlas.farm.writing import write_farm

CRS = "EPSG:25832"
WEST, NORTH = 600_000.0, 5_200_000.0
GAP = -9999.0


def hill(xs: npt.ArrayLike, ys: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Heights in metres at map places; smooth, between 900 and 1300 m near WEST, NORTH."""
    x, y = np.asarray(xs, dtype=np.float64) - WEST, np.asarray(ys, dtype=np.float64) - NORTH
    z: npt.NDArray[np.float64] = 1000 + 0.21 * x - 0.13 * y + 3 * np.sin(x / 17) * np.cos(y / 23)
    return z


def hill_cells(transform: Affine, rows: int, cols: int) -> npt.NDArray[np.float64]:
    """The hill at the middle of each cell, (rows, cols)."""
    xs = transform.c + (np.arange(cols) + 0.5) * transform.a
    ys = transform.f + (np.arange(rows) + 0.5) * transform.e
    return hill(xs[None, :], ys[:, None])


def write_tif(
    path: Path,
    z: npt.NDArray[Any],
    transform: Affine | None = None,
    crs: str | None = CRS,
    nodata: float | None = GAP,
    dtype: str = "float32",
    unit: str | None = None,
    **more: Any,
) -> Path:
    """Write one raster of heights."""
    place = transform if transform is not None else from_origin(WEST, NORTH, 1.0, 1.0)
    profile = {
        "driver": "GTiff",
        "height": z.shape[0],
        "width": z.shape[1],
        "count": 1,
        "dtype": dtype,
        "crs": crs,
        "transform": place,
        "nodata": nodata,
        **more,
    }
    with rasterio.open(path, "w", **profile) as sink:
        sink.write(z.astype(dtype), 1)
        if unit is not None:
            sink.units = (unit,)
    return path


def hill_tif(path: Path, rows: int = 300, cols: int = 400, cell_x: float = 1.0, cell_y: float = 1.0) -> Path:
    """The hill as a GeoTIFF whose north-west corner is WEST, NORTH."""
    transform = from_origin(WEST, NORTH, cell_x, cell_y)
    return write_tif(path, hill_cells(transform, rows, cols), transform)


def patch(col: float, row: float, width: float, height: float) -> Polygon:
    """A rectangle given in metres east and south of WEST, NORTH."""
    return Polygon(box(WEST + col, NORTH - row - height, WEST + col + width, NORTH - row))


def fields(shapes: Sequence[BaseGeometry | None] | None = None, **columns: Sequence[Any]) -> gpd.GeoDataFrame:
    """Parcels F1, F2 … on the hill."""
    outlines = list(shapes) if shapes is not None else [patch(20, 20, 100, 80), patch(140, 40, 90, 120)]
    given: dict[str, Sequence[Any]] = {"field_id": [f"F{i + 1}" for i in range(len(outlines))], **columns}
    return gpd.GeoDataFrame(given, geometry=outlines, crs=CRS)


def marks(shapes: Sequence[BaseGeometry | None], **columns: Sequence[Any]) -> gpd.GeoDataFrame:
    """Hazards M1, M2 …"""
    given: dict[str, Sequence[Any]] = {
        "hazard_id": [f"M{i + 1}" for i in range(len(shapes))],
        "kind": ["wet_spot"] * len(shapes),
        **columns,
    }
    return gpd.GeoDataFrame(given, geometry=list(shapes), crs=CRS)


def farm_file(folder: Path, name: str = "farm.gpkg", parcels: gpd.GeoDataFrame | None = None, **more: Any) -> Path:
    """A farm file in our own layers, on the hill."""
    dem = folder / "hill.tif"
    if "dem_tif" not in more and not dem.exists():
        hill_tif(dem)
    target = folder / name
    write_farm(target, fields() if parcels is None else parcels, **{"dem_tif": dem, **more})
    return target
