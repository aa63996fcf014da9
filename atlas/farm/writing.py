"""Writes a whole farm file in our own layers, the same bytes for the same input, in one move.

Heights go in first (copied by GDAL from a GeoTIFF, because creating a coverage with a nodata value loses it),
then the vector layers, then what GDAL cannot do: the table's name in lower case and a checksum of each tile.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import fiona
import geopandas as gpd
import pandas as pd
import rasterio
import rasterio.shutil
from rasterio.crs import CRS

from atlas.errors import FarmFileError, OutputError
from atlas.farm import coverage_table, datasets, tile_sums
from atlas.farm.schema import BACKDROP_TABLE, DEM_TABLE, VECTOR_LAYERS, LayerSchema
from atlas.farm.scratch import scratch

TileFormat = Literal["TIFF", "PNG"]
FIXED_TIME = datetime(2000, 1, 1, tzinfo=UTC)


def write_farm(
    path: Path,
    parcels: gpd.GeoDataFrame,
    hazards: gpd.GeoDataFrame | None = None,
    ways_in: gpd.GeoDataFrame | None = None,
    storms: pd.DataFrame | None = None,
    releases: pd.DataFrame | None = None,
    *,
    dem_tif: Path,
    dem_source: str = "",
    backdrop_tif: Path | None = None,
    written_at: datetime = FIXED_TIME,
    tile_format: TileFormat = "TIFF",
    overwrite: bool = False,
) -> None:
    """Write `path` with all our layers; frames carry our column names (missing ones stay empty).

    Frames come in the CRS of `dem_tif`, a north-up GeoTIFF in metres (float32 with a nodata value). Times are
    aware datetimes or ISO text. `written_at` stands as the file's own date of change, so that the same input
    gives the same bytes. `dem_source` says where the heights come from. `tile_format` "PNG" stores heights
    scaled to 16 bits, "TIFF" as 32-bit floats.

    Raises OutputError when `path` exists (unless `overwrite`) or cannot be written, FarmFileError when a frame
    is in another CRS than the heights.
    """
    if path.exists() and not overwrite:
        raise OutputError(f"{path}: exists already; choose another name.")
    crs = _dem_crs(dem_tif)
    frames = (parcels, hazards, ways_in, storms, releases)
    for schema, frame in zip(VECTOR_LAYERS, frames, strict=True):
        _check_crs(schema, frame, crs)

    def fill(target: Path) -> None:
        stamp = written_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
        coverage_table.copy_heights(dem_tif, target, stamp, tile_format)
        if backdrop_tif is not None:
            coverage_table.copy_picture(backdrop_tif, target, stamp)
        for schema, frame in zip(VECTOR_LAYERS, frames, strict=True):
            _write_layer(target, schema, frame, crs, stamp)
        coverage_table.settle_name(target, "DEM", DEM_TABLE, stamp, dem_source)
        if backdrop_tif is not None:
            coverage_table.settle_name(target, "BACKDROP", BACKDROP_TABLE, stamp)
        tile_sums.add(target, DEM_TABLE, stamp)

    _in_one_move(path, fill)


def _in_one_move(path: Path, fill: Callable[[Path], None]) -> None:
    """Fill a temporary sibling, push it to disk, then move it over `path`."""
    with scratch(path) as folder:
        target = folder / path.name
        fill(target)
        with target.open("rb") as written:
            os.fsync(written.fileno())
        target.replace(path)


def _dem_crs(dem_tif: Path) -> CRS:
    try:
        with rasterio.open(dem_tif) as source:
            return source.crs
    except datasets.RASTER_ERRORS as e:
        raise OutputError(f"{dem_tif}: the heights cannot be read ({e}).") from e


def _check_crs(schema: LayerSchema, frame: pd.DataFrame | None, crs: CRS) -> None:
    if not isinstance(frame, gpd.GeoDataFrame) or frame.empty:
        return
    if frame.crs is None or CRS.from_user_input(frame.crs) != crs:
        raise FarmFileError(f"{schema.name}: is in {frame.crs}, the heights are in {crs}; bring them together.")


def _write_layer(target: Path, schema: LayerSchema, frame: pd.DataFrame | None, crs: CRS, stamp: str) -> None:
    with (
        fiona.Env(**coverage_table.making(stamp)),
        fiona.open(
            target,
            "w",
            driver="GPKG",
            layer=schema.name,
            crs_wkt=crs.to_wkt() if schema.geometry != "None" else None,
            schema={"geometry": schema.geometry, "properties": dict(schema.columns)},
        ) as sink,
    ):
        if frame is not None:
            sink.writerecords(_records(schema, frame))


def _records(schema: LayerSchema, frame: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Rows as GeoJSON-like mappings with our columns only, in the frame's order, one at a time."""
    shapes = frame.geometry if isinstance(frame, gpd.GeoDataFrame) else [None] * len(frame)
    for (_, row), shape in zip(frame.iterrows(), shapes, strict=True):
        values = {name: _plain(row.get(name), kind) for name, kind in schema.columns.items()}
        if schema.geometry == "MultiPolygon" and shape is not None and shape.geom_type == "Polygon":
            shape = type(shape).__geo_interface__.fget(shape)
            shape = {"type": "MultiPolygon", "coordinates": (shape["coordinates"],)}
        yield {
            "type": "Feature",
            "geometry": getattr(shape, "__geo_interface__", shape),
            "properties": values,
        }


def _plain(value: Any, kind: str) -> Any:
    """A value as fiona takes it; pandas' several kinds of nothing become None, times become UTC text."""
    if value is None or (not isinstance(value, bytes) and pd.isna(value)):
        return None
    if kind == "datetime":
        when = pd.Timestamp(value)
        when = when.tz_localize(UTC) if when.tzinfo is None else when.tz_convert(UTC)
        return when.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
    return {"int32": int, "float": float, "bool": bool, "bytes": bytes, "str": str}[kind](value)
