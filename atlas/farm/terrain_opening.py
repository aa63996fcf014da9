"""Finds the terrain model of a farm file, refuses one that cannot be trusted, and says what it had to assume."""

from __future__ import annotations

from pathlib import Path

import rasterio
import rasterio.errors

from atlas.errors import TerrainError
from atlas.farm import datasets
from atlas.farm.datasets import Stored
from atlas.farm.layers import Layer
from atlas.farm.terrain_source import TerrainSource
from atlas.grid import Grid
from atlas.settings import Settings


def open_terrain(path: Path, coverage: Layer | None, settings: Settings) -> TerrainSource:
    """The terrain of a farm file. Raises TerrainError."""
    if coverage is None:
        raise TerrainError(f"{path}: has no terrain model; add one or name rasters in layers.dem.")
    dataset = f"GPKG:{path}:{coverage.name}"
    label = f"{path}, layer '{coverage.name}'"
    try:
        with rasterio.Env(**datasets.GDAL_OPTIONS), rasterio.open(dataset) as opened:
            t = opened.transform
            grid = Grid(opened.crs, t.c, t.f, t.a, -t.e, opened.height, opened.width)
            zoom = int(opened.tags()["ZOOM_LEVEL"])
    except rasterio.errors.RasterioError as e:
        raise TerrainError(f"{label}: cannot be read; fetch a whole copy ({e}).") from e
    stored = Stored(dataset, label, (path,), coverage.name, zoom)
    return TerrainSource(stored, grid, settings.terrain.source or "not stated", settings.terrain.date)
