"""Heights of a coverage stored as scaled 16-bit pictures, decoded here because GDAL rounds them.

Where a coverage states a precision of 1 (what GDAL writes unless told otherwise), GDAL gives such heights in whole
metres although the tiles hold millimetres, and a slope of whole metres is stairs. The standard (OGC 17-066r1):
height = (stored × tile scale + tile offset) × coverage scale + coverage offset.
"""

from __future__ import annotations

import io
from contextlib import closing
from pathlib import Path

import numpy as np
from PIL import Image, UnidentifiedImageError

from atlas.errors import TerrainError
from atlas.farm import sqlite_file
from atlas.farm.tile_table import TileTable, tiles_at
from atlas.grid import CellWindow, Floats


def read(path: Path, told: TileTable, window: CellWindow, label: str) -> Floats:
    """Stored heights of a window in the coverage's own unit, (rows, cols) float64, NaN in gaps.

    Raises TerrainError where a tile cannot be read.
    """
    z = np.full((window.rows, window.cols), np.nan)
    top, left = window.row + told.first_row, window.col + told.first_col
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            for tile in tiles_at(db, told, window):
                raw = np.array(Image.open(io.BytesIO(tile.data))).astype(np.float64)
                heights = (raw * tile.scale + tile.offset) * told.scale + told.offset
                heights[raw == told.gap] = np.nan
                _paste(heights, z, tile.row * told.tile_rows - top, tile.column * told.tile_cols - left)
    except (*sqlite_file.SQLITE_ERRORS, TypeError, ValueError, UnidentifiedImageError, OSError) as e:
        raise TerrainError(f"{label}: a height tile cannot be read; fetch a whole copy ({e}).") from e
    return z


def _paste(tile: Floats, z: Floats, row: int, col: int) -> None:
    """Lay a tile into a window; `row`, `col` is where its first cell falls, also outside."""
    r0, c0 = max(row, 0), max(col, 0)
    r1, c1 = min(row + tile.shape[0], z.shape[0]), min(col + tile.shape[1], z.shape[1])
    if r1 > r0 and c1 > c0:
        z[r0:r1, c0:c1] = tile[r0 - row : r1 - row, c0 - col : c1 - col]
