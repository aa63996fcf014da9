"""What the overview shows around the fields: the farm's terrain as one modest grey picture, read window by window
and never whole, and the ways in."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass

import numpy as np
from PIL import Image

from atlas.blocks import folded
from atlas.farm.farm import Farm
from atlas.globe import wkt_to_lonlat
from atlas.grid import Bounds, Bytes, Floats, Grid, Heights
from atlas.pages.overview_entry import EntryWayIn, way_in_of
from atlas.pages.overview_paper import frame_for, sheet_for
from atlas.settings import Settings
from atlas.terrain.shading import shade
from atlas.terrain.slope import horn

MOST_CELLS = 420  # across the longer side: about 0.6 mm on A4, and some 40 KB as a picture
READ_CELLS = 500_000  # of the terrain model at once: 4 MB, and some 30 MB of what is worked out from them
DARKEST, STEP = (
    120,
    6,
)  # of 255: black print stays readable on the darkest slope, and few greys keep it small


@dataclass(frozen=True)
class FarmRelief:
    """Shaded ground as a PNG in grey (transparent where nothing is measured), where it lies, and all ways in."""

    png: bytes
    crs_wkt: str
    bounds: Bounds
    ways_in: tuple[EntryWayIn, ...]

    @property
    def data_uri(self) -> str:
        return "data:image/png;base64," + base64.b64encode(self.png).decode("ascii")


def farm_relief(farm: Farm, settings: Settings | None = None, png: bytes | None = None) -> FarmRelief:
    """Shade the ground of the overview's frame, or take the picture that was made of the same ground before.

    Raises TerrainError where the terrain cannot be read.
    """
    around = _around(farm, settings or Settings())
    wkt = farm.terrain.grid.crs.to_wkt()
    picture = png or _png(coarse_heights(farm, around))
    return FarmRelief(picture, wkt, _coarse_grid(farm, around)[0].bounds, _ways_in(farm, wkt))


def relief_mark(farm: Farm, settings: Settings) -> str | None:
    """What the shaded ground depends on beside our own code, or None where only the heights tell."""
    around = _around(farm, settings)
    stored = farm.terrain.stored_mark(around)
    return None if stored is None else f"{around!r} {stored}"


def _around(farm: Farm, settings: Settings) -> Bounds:
    sheet = settings.print
    frame = frame_for(farm_bounds(farm), sheet_for(sheet.paper, sheet.turned))
    return frame.bounds.grown(0.02 * frame.bounds.width)


def _ways_in(farm: Farm, crs_wkt: str) -> tuple[EntryWayIn, ...]:
    to_globe = wkt_to_lonlat(crs_wkt)
    return tuple(way_in_of(w, to_globe) for w in farm.ways_in)


def farm_bounds(farm: Farm) -> Bounds:
    """The box around all parcels and ways in."""
    boxes = [p.shape.bounds for p in farm.parcels] + [w.shape.bounds for w in farm.ways_in]
    west, south, east, north = zip(*boxes, strict=True)
    return Bounds(min(west), min(south), max(east), max(north))


def coarse_heights(farm: Farm, around: Bounds) -> Heights:
    """Mean heights of blocks of cells within `around`; a block with no height is NaN."""
    model = farm.terrain.grid
    grid, step = _coarse_grid(farm, around)
    rows, cols = grid.shape
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
        # A little inwards: rounding in the last digit must not pull in a neighbouring row or column.
        inward = block.grown(-0.25 * min(model.cell_x, model.cell_y))
        z[row : row + count] = block_means(farm.terrain.read(inward).z, step, count, cols)
    return Heights(grid, z)


def _coarse_grid(farm: Farm, around: Bounds) -> tuple[Grid, int]:
    """The grid of blocks, and how many cells each is wide and high."""
    model = farm.terrain.grid
    span = model.window(around)
    step = max(1, math.ceil(max(span.rows, span.cols) / MOST_CELLS))
    start = model.part(span)
    rows, cols = -(-span.rows // step), -(-span.cols // step)
    return Grid(model.crs, start.west, start.north, model.cell_x * step, model.cell_y * step, rows, cols), step


def block_means(z: Floats, step: int, rows: int, cols: int) -> Floats:
    """Mean of each `step` × `step` block, over the heights it has; NaN where it has none."""
    padded = np.full((rows * step, cols * step), np.nan)
    padded[: z.shape[0], : z.shape[1]] = z[: rows * step, : cols * step]
    known = np.isfinite(padded)
    counts = folded(np.add, known.astype(np.int64), step, step)
    sums = folded(np.add, np.where(known, padded, 0.0), step, step)
    return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)


def grey_of(heights: Heights) -> Bytes:
    """Shaded ground in a few pale greys, 0 where unknown."""
    gradient = horn(heights)
    pale = DARKEST + (255 - DARKEST) * (shade(gradient) / 255.0)
    return np.where(np.isfinite(gradient.gx), np.round(pale / STEP) * STEP, 0).astype(np.uint8)


def _png(heights: Heights) -> bytes:
    out = io.BytesIO()
    Image.fromarray(grey_of(heights)).save(out, format="PNG", optimize=True, transparency=0)
    return out.getvalue()
