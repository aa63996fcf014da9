"""The whole farm's terrain as one modest grey picture, read window by window and never whole."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import Image
from rasterio.crs import CRS

from atlas.farm.farm import Farm
from atlas.grid import Bounds, Bytes, Floats, Grid, Heights
from atlas.pages.overview_paper import frame_for, sheet_for
from atlas.settings import Settings

MOST_CELLS = 420  # across the longer side: about 0.6 mm on A4, and some 40 KB as a picture
READ_CELLS = 2_000_000  # of the terrain model at once: 16 MB
SUN_AZIMUTH_DEG = 315.0  # north-west, as on most shaded maps (common practice, no source)
SUN_HEIGHT_DEG = 45.0
DARKEST = 150  # of 255: black print stays readable on it


@dataclass(frozen=True)
class FarmRelief:
    """Shaded ground of the whole farm: a PNG in grey (transparent where nothing is measured) and where it lies."""

    png: bytes
    crs_wkt: str
    bounds: Bounds
    cell_m: float  # of the terrain model itself
    source: str
    date: str

    @property
    def crs(self) -> CRS:
        return CRS.from_wkt(self.crs_wkt)

    @property
    def data_uri(self) -> str:
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        b = self.bounds
        return {
            "png": base64.b64encode(self.png).decode("ascii"),
            "crs_wkt": self.crs_wkt,
            "bounds": [b.west, b.south, b.east, b.north],
            "cell_m": self.cell_m,
            "source": self.source,
            "date": self.date,
        }

    @staticmethod
    def from_dict(raw: dict[str, Any]) -> FarmRelief:
        """Back from `to_dict`. Raises KeyError or TypeError where keys are not those of this version."""
        return FarmRelief(
            base64.b64decode(raw["png"]),
            raw["crs_wkt"],
            Bounds(*raw["bounds"]),
            raw["cell_m"],
            raw["source"],
            raw["date"],
        )


def farm_relief(farm: Farm, settings: Settings | None = None) -> FarmRelief:
    """Shade the ground of the overview's frame. Raises TerrainError where the terrain cannot be read."""
    sheet = (settings or Settings()).print
    frame = frame_for(farm_bounds(farm), sheet_for(sheet.paper, sheet.turned))
    coarse = coarse_heights(farm, frame.bounds.grown(0.02 * frame.bounds.width))
    return FarmRelief(
        _png(coarse),
        coarse.grid.crs.to_wkt(),
        coarse.grid.bounds,
        farm.terrain.grid.cell_m,
        farm.terrain.source,
        farm.terrain.date,
    )


def farm_bounds(farm: Farm) -> Bounds:
    """The box around all parcels and ways in."""
    boxes = [p.shape.bounds for p in farm.parcels] + [w.shape.bounds for w in farm.ways_in]
    west, south, east, north = zip(*boxes, strict=True)
    return Bounds(min(west), min(south), max(east), max(north))


def coarse_heights(farm: Farm, around: Bounds) -> Heights:
    """Mean heights of blocks of cells within `around`; a block with no height is NaN."""
    model = farm.terrain.grid
    span = model.window(around)
    step = max(1, math.ceil(max(span.rows, span.cols) / MOST_CELLS))
    rows, cols = -(-span.rows // step), -(-span.cols // step)
    start = model.part(span)
    grid = Grid(model.crs, start.west, start.north, model.cell_x * step, model.cell_y * step, rows, cols)
    z = np.full(grid.shape, np.nan)
    bands = max(1, READ_CELLS // max(1, cols * step * step))
    for row in range(0, rows, bands):
        count = min(bands, rows - row)
        block = Bounds(
            grid.west,
            grid.north - (row + count) * grid.cell_y,
            grid.bounds.east,
            grid.north - row * grid.cell_y,
        )
        # Half a cell inwards: rounding in the last digit must not pull in a neighbouring row or column.
        inward = block.grown(-0.25 * min(model.cell_x, model.cell_y))
        z[row : row + count] = block_means(farm.terrain.read(inward).z, step, count, cols)
    return Heights(grid, z)


def block_means(z: Floats, step: int, rows: int, cols: int) -> Floats:
    """Mean of each `step` × `step` block, over the heights it has; NaN where it has none."""
    padded = np.full((rows * step, cols * step), np.nan)
    padded[: z.shape[0], : z.shape[1]] = z[: rows * step, : cols * step]
    blocks = padded.reshape(rows, step, cols, step)
    known = np.isfinite(blocks)
    counts = known.sum(axis=(1, 3))
    sums = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)


def shade(heights: Heights) -> Bytes:
    """Light from the north-west on the coarse ground, 1 dark .. 255 bright, 0 where unknown."""
    gy, gx = np.gradient(heights.z, heights.grid.cell_y, heights.grid.cell_x)
    gy = -gy  # rows run south
    azimuth, height = math.radians(SUN_AZIMUTH_DEG), math.radians(SUN_HEIGHT_DEG)
    sun_x, sun_y = math.sin(azimuth) * math.cos(height), math.cos(azimuth) * math.cos(height)
    light = (math.sin(height) - gx * sun_x - gy * sun_y) / np.sqrt(1.0 + gx * gx + gy * gy)
    level = DARKEST + (255 - DARKEST) * np.clip(light, 0.0, 1.0)
    return np.where(np.isfinite(level), np.round(level / 5) * 5, 0).astype(np.uint8)


def _png(heights: Heights) -> bytes:
    grey = shade(heights) if min(heights.grid.shape) > 1 else np.zeros((1, 1), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(grey).save(out, format="PNG", optimize=True, transparency=0)
    return out.getvalue()
