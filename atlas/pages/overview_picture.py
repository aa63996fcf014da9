"""A field's zones coarse enough for the overview, never more open than its sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from affine import Affine
from rasterio import features
from shapely import set_precision, unary_union, wkt
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from atlas.blocks import folded
from atlas.driving.records import Drive, Zone
from atlas.grid import Bytes, Grid, Mask
from atlas.terrain.figures import TerrainSurvey

BLOCK_M = 4.0  # 0.8 mm at 1:5000
STROKE_EVERY_M = 10.0
NO_GROUND = 255  # a block with no cell of the field
UP_DOWN, CUT_OFF, ON_FOOT, KEEP_OUT, UNSURVEYED = 1, 2, 3, 4, 5  # from open to closed; 0 is any way


@dataclass(frozen=True)
class Stroke:
    """Straight down, at one place: terrain CRS to the metre, clockwise from grid north to the degree."""

    x: int
    y: int
    down_deg: int


@dataclass(frozen=True)
class ZonePicture:
    """Closed ground as WKT multipolygons in the terrain's CRS ("" where there is none), `up_down` as strokes."""

    cut_off: str
    on_foot: str
    keep_out: str
    unsurveyed: str
    strokes: tuple[Stroke, ...]


def picture_of(terrain: TerrainSurvey, drive: Drive, field: BaseGeometry) -> ZonePicture:
    """The zones of one drive: each block of about 4 m shows the worst verdict within it."""
    per_block = max(1, round(BLOCK_M / terrain.grid.cell_m))
    worst = worst_of_blocks(levels(drive), terrain.covered > 0.01, per_block)
    transform = terrain.grid.transform @ Affine.scale(per_block, per_block)
    parts: dict[int, list[BaseGeometry]] = {level: [] for level in (CUT_OFF, ON_FOOT, KEEP_OUT, UNSURVEYED)}
    for outline, value in features.shapes(worst, mask=worst != NO_GROUND, transform=transform):
        if int(value) in parts:
            parts[int(value)].append(shape(outline))
    return ZonePicture(
        _wkt(parts[CUT_OFF], field),
        _wkt(parts[ON_FOOT], field),
        _wkt(parts[KEEP_OUT], field),
        _wkt(parts[UNSURVEYED], field),
        _strokes(terrain, worst, per_block),
    )


def levels(drive: Drive) -> Bytes:
    """Zones with open ground that the machine cannot reach set between open and closed, (rows, cols)."""
    zone = drive.zone
    shifted = np.where(zone >= Zone.ON_FOOT, zone + 1, zone)
    return np.where((zone < Zone.ON_FOOT) & (drive.cut_off > 0), CUT_OFF, shifted).astype(np.uint8)


def worst_of_blocks(zone: Bytes, inside: Mask, per_block: int) -> Bytes:
    """Largest verdict of each block of cells, (rows/k, cols/k) rounded up; NO_GROUND where no cell is inside."""
    rows = -(-zone.shape[0] // per_block)
    cols = -(-zone.shape[1] // per_block)
    padded = np.full((rows * per_block, cols * per_block), -1, dtype=np.int16)
    padded[: zone.shape[0], : zone.shape[1]] = np.where(inside, zone.astype(np.int16), -1)
    blocks = folded(np.maximum, padded, per_block, per_block)
    return np.where(blocks < 0, NO_GROUND, blocks).astype(np.uint8)


def _wkt(parts: list[BaseGeometry], field: BaseGeometry) -> str:
    if not parts:
        return ""
    clipped = set_precision(unary_union(parts).intersection(field), 0.1)
    return "" if clipped.area == 0 else wkt.dumps(clipped, rounding_precision=1, trim=True)


def _strokes(terrain: TerrainSurvey, worst: Bytes, per_block: int) -> tuple[Stroke, ...]:
    """Strokes on a fixed lattice of the CRS, so that neighbouring fields' strokes line up."""
    found = []
    for y in _lattice(terrain.grid.bounds.south, terrain.grid.bounds.north):
        for x in _lattice(terrain.grid.bounds.west, terrain.grid.bounds.east):
            row, col = _cell(terrain.grid, x, y)
            if worst[row // per_block, col // per_block] != UP_DOWN:
                continue
            gx, gy = float(terrain.gradient.gx[row, col]), float(terrain.gradient.gy[row, col])
            if math.isfinite(gx) and math.isfinite(gy):
                found.append(Stroke(round(x), round(y), round(math.degrees(math.atan2(-gx, -gy))) % 360))
    return tuple(found)


def _lattice(low: float, high: float) -> list[float]:
    first = math.ceil(low / STROKE_EVERY_M)
    return [i * STROKE_EVERY_M for i in range(first, math.ceil(high / STROKE_EVERY_M)) if i * STROKE_EVERY_M > low]


def _cell(grid: Grid, x: float, y: float) -> tuple[int, int]:
    """Row and column of the cell that holds a place within the grid."""
    row = min(grid.rows - 1, int((grid.north - y) / grid.cell_y))
    return row, min(grid.cols - 1, int((x - grid.west) / grid.cell_x))
