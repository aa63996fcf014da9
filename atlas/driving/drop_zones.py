"""What drops close: the ground above them, and the slopes that end at one; and the lines drawn for them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numba import njit
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Polygon

from atlas.driving.records import DropFigures, Reason
from atlas.grid import Bytes, Floats, Floats32, Grid, Mask
from atlas.terrain.drops import COUNTED_FALL_M, DropMap

BESIDE_EXTENT_M = 1.0
SMOOTHED_CELLS = 0.75  # stairs of the grid's own making are straightened, nothing larger


@dataclass(frozen=True)
class Closures:
    """Cells that drops close, (rows, cols).

    `keep_out` is closed to everyone; `keep_out_reason` says DROP or UNKNOWN_EDGE there, 0 elsewhere.
    `falls_to_drop` is ground whose straight-down path ends at one: where a machine goes straight up or down it
    is hand work for a new driver, and named on the sheet for a practised one; `falls_reason` says DROP_BELOW or
    UNKNOWN_EDGE there.
    """

    keep_out: Mask
    keep_out_reason: Bytes
    falls_to_drop: Mask
    falls_reason: Bytes


@dataclass(frozen=True)
class DropLines:
    """Upper edges of drops, and edges where heights end, near a field; what falls away is on the right."""

    drops: tuple[LineString, ...]
    unknown: tuple[LineString, ...]
    figures: DropFigures


def drop_closures(drops: DropMap, half_extent_m: float) -> Closures:
    """Ground above a drop within the larger of `half_extent_m` + 1 m and its height (up to 5 m).

    Above means higher than half-way down the drop, so that the ground at its foot stays as it was. An unknown
    edge closes all sides, as a drop of unknown height. Source of "as far as it is deep": Lehtola and
    Brown, University of Florida IFAS, ABE305.
    """
    why = close_kernel(
        drops.z,
        drops.drop,
        drops.height_m,
        drops.unknown,
        half_extent_m + BESIDE_EXTENT_M,
        COUNTED_FALL_M,
        drops.grid.cell_x,
        drops.grid.cell_y,
    )
    return Closures(why > 0, why, drops.ends_at >= 0, falls_reason(drops))


def falls_reason(drops: DropMap, of: Mask | slice = slice(None)) -> Bytes:
    """DROP_BELOW or UNKNOWN_EDGE on ground whose straight-down path ends at one, 0 elsewhere, (rows, cols); or of
    those cells alone."""
    ends_at = drops.ends_at[of]
    unknown_end = drops.unknown.ravel()[ends_at] & ~drops.drop.ravel()[ends_at]
    why = np.where(unknown_end, np.uint8(Reason.UNKNOWN_EDGE), np.uint8(Reason.DROP_BELOW))
    why[ends_at < 0] = 0
    return why


@njit(cache=True)
def close_kernel(
    z: Floats,
    drop: Mask,
    height: Floats32,
    unknown: Mask,
    beside_m: float,
    counted_m: float,
    cell_x: float,
    cell_y: float,
) -> Bytes:
    """Each drop stamps a disc on the higher ground round it: 6 for a drop, 8 for an unknown edge."""
    rows, cols = z.shape
    why = np.zeros((rows, cols), dtype=np.uint8)
    for r in range(rows):
        for c in range(cols):
            if not (drop[r, c] or unknown[r, c]):
                continue
            tall = counted_m if unknown[r, c] else min(height[r, c], counted_m)
            reach = max(beside_m, tall) * (1 + 1e-9)
            floor = -np.inf if unknown[r, c] else z[r, c] - tall / 2
            code = 6 if drop[r, c] else 8
            down = int(reach / cell_y)
            for rr in range(max(0, r - down), min(rows, r + down + 1)):
                dy = (rr - r) * cell_y
                across = int(np.sqrt(reach * reach - dy * dy) / cell_x)
                for cc in range(max(0, c - across), min(cols, c + across + 1)):
                    if z[rr, cc] >= floor and (why[rr, cc] == 0 or code == 6):
                        why[rr, cc] = code
    return why


def close_plain(
    z: Floats,
    drop: Mask,
    height: Floats32,
    unknown: Mask,
    beside_m: float,
    counted_m: float,
    cell_x: float,
    cell_y: float,
) -> Bytes:
    """`close_kernel` in whole arrays, one drop at a time: what the kernel is held to."""
    rows, cols = np.indices(z.shape)
    why = np.zeros(z.shape, dtype=np.uint8)
    for r, c in np.argwhere(drop | unknown):
        tall = counted_m if unknown[r, c] else min(float(height[r, c]), counted_m)
        near = np.hypot((rows - r) * cell_y, (cols - c) * cell_x) <= max(beside_m, tall) * (1 + 1e-9)
        above = ~np.isnan(z) & (unknown[r, c] | (z >= z[r, c] - tall / 2))
        if drop[r, c]:
            why[near & above] = Reason.DROP
        else:
            why[near & above & (why == 0)] = Reason.UNKNOWN_EDGE
    return why


def drop_lines(drops: DropMap, shape: Polygon | MultiPolygon) -> DropLines:
    """The lines to draw and their lengths, in the field and within `drops.within_m` of it."""
    near = shapely.buffer(shape, drops.within_m)
    gap = np.isnan(drops.z)
    above = np.where(drops.drop, np.nan, drops.z)
    anything = np.full_like(drops.z, -np.inf)
    lines = _joined(_upper_edges(drops.grid, drops.drop, drops.z, above), near, drops.grid.cell_m)
    unknown = _joined(_upper_edges(drops.grid, gap, anything, drops.z), near, drops.grid.cell_m)
    figures = DropFigures(sum((a.length for a in lines), 0.0), sum((a.length for a in unknown), 0.0))
    return DropLines(lines, unknown, figures)


def _upper_edges(grid: Grid, inside: Mask, z: Floats, above: Floats) -> Floats:
    """Cell sides between `inside` and a neighbour at least as high, (sides, 2, 2) x and y, `inside` on the right.

    `above` holds the heights of the neighbours that count, NaN for the others.
    """
    west, north = grid.west, grid.north
    padded = np.pad(above, 1, constant_values=np.nan)
    found = []
    # the neighbour's place, and the corners (column, row) where the side begins and ends
    for d_row, d_col, begin, end in (
        (-1, 0, (0, 0), (1, 0)),
        (0, 1, (1, 0), (1, 1)),
        (1, 0, (1, 1), (0, 1)),
        (0, -1, (0, 1), (0, 0)),
    ):
        beside = padded[1 + d_row : 1 + d_row + grid.rows, 1 + d_col : 1 + d_col + grid.cols]
        rows, cols = np.nonzero(inside & (beside >= z))
        sides = np.empty((rows.size, 2, 2))
        for end_no, (across, down) in enumerate((begin, end)):
            sides[:, end_no, 0] = west + (cols + across) * grid.cell_x
            sides[:, end_no, 1] = north - (rows + down) * grid.cell_y
        found.append(sides)
    return np.concatenate(found)


def _joined(sides: Floats, near: Polygon | MultiPolygon, cell_m: float) -> tuple[LineString, ...]:
    if not sides.size:
        return ()
    box = np.array(near.bounds)
    close = ((sides >= box[:2]) & (sides <= box[2:])).all(axis=(1, 2))
    joined = shapely.line_merge(MultiLineString(list(sides[close])), directed=True)
    clipped = shapely.intersection(shapely.simplify(joined, SMOOTHED_CELLS * cell_m), near)
    parts = shapely.get_parts(clipped)
    return tuple(part for part in parts if isinstance(part, LineString) and part.length > 0)
