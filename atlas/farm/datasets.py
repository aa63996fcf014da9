"""The rasters this process holds open: few, read-only, and let go of when asked.

A worker process opens its own, keyed by process, path, size and time of change, so that a file that was replaced
is never read through an old handle.
"""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import rasterio.errors
from rasterio._err import CPLE_BaseError
from rasterio.enums import Resampling
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from atlas.errors import TerrainError
from atlas.farm.tile_table import TileTable
from atlas.grid import CellWindow, Floats, Grid

# What rasterio raises: its own errors, and GDAL's, which are no relatives of them.
RASTER_ERRORS = (rasterio.errors.RasterioError, CPLE_BaseError, OSError, UnicodeDecodeError)
KEPT_OPEN = 4
GAP = -32768.0  # stands for a missing height in what we let GDAL make up; no height on earth
CACHE_BYTES = 64_000_000  # two rows of tiles of a farm 30 km wide; rasterio hands the number on as bytes
FIELD_BYTES = 24_000_000  # what lies around a field
GDAL_OPTIONS = {"GDAL_CACHEMAX": CACHE_BYTES, "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR"}


@dataclass(frozen=True)
class Stored:
    """What GDAL opens (a file, a GeoPackage's table `tiles`, a virtual mosaic), and what people call it."""

    dataset: str
    label: str
    paths: tuple[Path, ...]
    tiles: TileTable | None = None  # where it is a coverage of the one GeoPackage in `paths`
    scale: float = 1.0  # stored number × scale + offset is the height, in the model's own unit
    offset: float = 0.0
    warp_to: Grid | None = None  # the grid it is warped to, where its own is in degrees


_held: OrderedDict[tuple[Any, ...], list[Any]] = OrderedDict()
_lock = threading.RLock()


def open_dataset(dataset: str, table: str | None = None) -> Any:
    """Open a raster read-only; a table of a GeoPackage by open option, since its path may hold colons and quotes.

    Raises rasterio.errors.RasterioError.
    """
    return rasterio.open(dataset) if table is None else rasterio.open(dataset, driver="GPKG", TABLE=table)


def hold_for_fields() -> None:
    """From now on this process reads what lies around single fields, and GDAL keeps no more than that takes."""
    GDAL_OPTIONS["GDAL_CACHEMAX"] = FIELD_BYTES


def read(stored: Stored, window: CellWindow) -> Floats:
    """Stored numbers of a window, (rows, cols) float64, NaN where the file says there are none.

    Raises TerrainError where the file cannot be read.
    """
    try:
        with _lock, rasterio.Env(**GDAL_OPTIONS):
            band = _open(stored).read(
                1, window=Window(window.col, window.row, window.cols, window.rows), masked=True
            )
    except RASTER_ERRORS as e:
        raise TerrainError(f"{stored.label}: its heights cannot be read; fetch a whole copy ({e}).") from e
    heights: Floats = np.ma.getdata(band).astype(np.float64)
    heights[np.ma.getmaskarray(band)] = np.nan
    return heights if stored.scale == 1.0 and stored.offset == 0.0 else heights * stored.scale + stored.offset


def close(stored: Stored | None = None) -> None:
    """Close what is held of `stored`, or everything."""
    with _lock:
        for key in [k for k in _held if stored is None or k[1] == stored]:
            _close_all(_held.pop(key))


def _open(stored: Stored) -> Any:
    key = (os.getpid(), stored, *(_state(path) for path in stored.paths))
    if key in _held:
        _held.move_to_end(key)
        return _held[key][-1]
    opened = [open_dataset(stored.dataset, stored.tiles.table if stored.tiles else None)]
    if stored.warp_to is not None:
        grid = stored.warp_to
        opened.append(
            WarpedVRT(
                opened[0],
                crs=grid.crs,
                transform=grid.transform,
                width=grid.cols,
                height=grid.rows,
                resampling=Resampling.bilinear,
                nodata=GAP,
                dtype="float32",
            )
        )
    _held[key] = opened
    while len(_held) > KEPT_OPEN:
        _close_all(_held.popitem(last=False)[1])
    return opened[-1]


def _state(path: Path) -> tuple[int, int]:
    found = path.stat()
    return (found.st_size, found.st_mtime_ns)


def _close_all(opened: list[Any]) -> None:
    for dataset in reversed(opened):
        dataset.close()
