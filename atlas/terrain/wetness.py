"""Where to look first after a storm: the places in a field where the terrain gathers most water.

It ranks by shape alone and knows nothing of soil, drains or springs; what it names is likely wet, no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numba import njit
from shapely.geometry.base import BaseGeometry

from atlas.grid import Floats, Floats32, Grid, Heights, Mask
from atlas.terrain.figures import Gradient
from atlas.terrain.flow import wetness_index

MARGIN_M = 100.0  # read this much more than the field: what gathers above it runs in
SMOOTHED_M = 4.0  # a place to look at is a few steps wide; smaller crowns of the index are the grid's own
APART_M = 15.0
AT_MOST = 5
LEAST_SHARE = 0.9  # a likely wet place has a higher index than this share of its field


@dataclass(frozen=True)
class LikelyWet:
    """One place to look at, the likeliest first (`rank` 1): the middle of its cell in the terrain's CRS, and the
    smoothed wetness index there."""

    rank: int
    x: float
    y: float
    index: float


def likely_wet(
    heights: Heights, gradient: Gradient, covered: Floats32, marked: Sequence[BaseGeometry] = ()
) -> tuple[LikelyWet, ...]:
    """The likeliest wet places of a field, at most five, at least 15 m apart, the likeliest first.

    `heights` should reach `MARGIN_M` past the field, since water gathered outside counts too; `covered` is the
    field's fraction of each of their cells, (rows, cols). `marked` are areas someone has marked already; no
    suggestion lies in them.
    """
    grid = heights.grid
    index = smoothed(wetness_index(heights, gradient), grid, SMOOTHED_M)
    inside = (covered > 0) & np.isfinite(index)
    if not inside.any():
        return ()
    least = float(np.quantile(index[inside], LEAST_SHARE))
    wanted = inside & (index >= least) & ~_under(grid, marked, inside)
    # of the field alone: where a hollow runs out of it counts too, though the hollow gets wetter further on
    peaks = np.argwhere(wanted & _is_peak(np.where(inside, index, np.nan)))
    order = np.lexsort((peaks[:, 1], peaks[:, 0], -index[peaks[:, 0], peaks[:, 1]]))
    chosen: list[LikelyWet] = []
    for row, col in peaks[order]:
        x, y = float(grid.xs[col]), float(grid.ys[row])
        if all(np.hypot(x - one.x, y - one.y) >= APART_M for one in chosen):
            chosen.append(LikelyWet(len(chosen) + 1, x, y, float(index[row, col])))
        if len(chosen) == AT_MOST:
            break
    return tuple(chosen)


def smoothed(index: Floats, grid: Grid, radius_m: float) -> Floats:
    """Mean of the index over a square of `radius_m` to each side, known cells only; NaN where it is NaN."""
    return _box_mean(index, max(1, round(radius_m / grid.cell_y)), max(1, round(radius_m / grid.cell_x)))


@njit(cache=True)
def _box_mean(values: Floats, half_rows: int, half_cols: int) -> Floats:
    """Running sums over rows, then over columns, of the values and of how many there are."""
    rows, cols = values.shape
    total = np.zeros((rows + 1, cols + 1))
    count = np.zeros((rows + 1, cols + 1))
    for r in range(rows):
        row_total, row_count = 0.0, 0.0
        for c in range(cols):
            if not np.isnan(values[r, c]):
                row_total += values[r, c]
                row_count += 1.0
            total[r + 1, c + 1] = total[r, c + 1] + row_total
            count[r + 1, c + 1] = count[r, c + 1] + row_count
    out = np.full((rows, cols), np.nan)
    for r in range(rows):
        r0, r1 = max(0, r - half_rows), min(rows, r + half_rows + 1)
        for c in range(cols):
            if np.isnan(values[r, c]):
                continue
            c0, c1 = max(0, c - half_cols), min(cols, c + half_cols + 1)
            n = count[r1, c1] - count[r0, c1] - count[r1, c0] + count[r0, c0]
            out[r, c] = (total[r1, c1] - total[r0, c1] - total[r1, c0] + total[r0, c0]) / n
    return out


def box_mean_plain(values: Floats, half_rows: int, half_cols: int) -> Floats:
    """The same, cell by cell: what the running sums are held to."""
    out = np.full(values.shape, np.nan)
    for r, c in np.argwhere(np.isfinite(values)):
        near = values[max(0, r - half_rows) : r + half_rows + 1, max(0, c - half_cols) : c + half_cols + 1]
        out[r, c] = np.nanmean(near)
    return out


def _is_peak(index: Floats) -> Mask:
    """Cells no lower than any of their eight neighbours."""
    padded = np.pad(np.where(np.isfinite(index), index, -np.inf), 1, constant_values=-np.inf)
    rows, cols = index.shape
    peak = np.isfinite(index)
    for dr in range(3):
        for dc in range(3):
            peak &= padded[1:-1, 1:-1] >= padded[dr : dr + rows, dc : dc + cols]
    return peak


def _under(grid: Grid, marked: Sequence[BaseGeometry], inside: Mask) -> Mask:
    """Cells of `inside` whose middle lies in a marked area."""
    out = np.zeros(grid.shape, dtype=np.bool_)
    if marked:
        rows, cols = np.nonzero(inside)
        whole = shapely.union_all(list(marked))
        shapely.prepare(whole)
        out[rows, cols] = shapely.intersects_xy(whole, grid.xs[cols], grid.ys[rows])
    return out
