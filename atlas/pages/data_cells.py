"""The cells a page draws: the terrain's own, or blocks of them where they are finer than a metre.

A block shows the worst verdict within it, so that a page never opens ground the sums closed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from atlas.blocks import folded
from atlas.driving.records import Drive
from atlas.grid import Bytes, Floats, Mask
from atlas.pages.data_kernel import CUT_OFF, NO_TURN, OUTSIDE, worst_cells
from atlas.terrain.figures import TerrainSurvey

FINEST_M = 1.0


@dataclass(frozen=True)
class PageCells:
    """A page's cells on its terrain: the first row and column, terrain cells per page cell, and how many.

    `inside` is True where any part of the field lies in the cell.
    """

    row: int
    col: int
    per_row: int
    per_col: int
    rows: int
    cols: int
    west: float
    north: float
    cell_x: float
    cell_y: float
    inside: Mask
    covered: Mask  # of the terrain's own cells, padded to whole page cells

    def blocks(self, values: np.ndarray, fill: float) -> np.ndarray:
        """Terrain cells gathered by page cell, (rows, cols, cells per page cell); `fill` outside the field."""
        out = np.full(self.covered.shape, fill, dtype=values.dtype)
        part = values[self.row : self.row + out.shape[0], self.col : self.col + out.shape[1]]
        out[: part.shape[0], : part.shape[1]] = part
        out[~self.covered] = fill
        shaped = out.reshape(self.rows, self.per_row, self.cols, self.per_col)
        return shaped.transpose(0, 2, 1, 3).reshape(self.rows, self.cols, -1)


@dataclass(frozen=True)
class Verdicts:
    """One machine on one ground with one driver, per page cell; 255 outside the field."""

    zone: Bytes
    reason: Bytes
    flags: Bytes


def page_cells(terrain: TerrainSurvey) -> PageCells:
    """The page cells that cover a field. Raises ValueError where the field touches no cell of its terrain."""
    grid, covered = terrain.grid, terrain.covered > 0
    if not covered.any():
        raise ValueError("a field without a single cell has no picture")
    down, across = np.flatnonzero(covered.any(axis=1)), np.flatnonzero(covered.any(axis=0))
    row, col = int(down[0]), int(across[0])
    per_row, per_col = (max(1, math.ceil(FINEST_M / size - 1e-9)) for size in (grid.cell_y, grid.cell_x))
    rows = -(-(int(down[-1]) + 1 - row) // per_row)
    cols = -(-(int(across[-1]) + 1 - col) // per_col)
    whole = np.zeros((rows * per_row, cols * per_col), dtype=np.bool_)
    part = covered[row : row + whole.shape[0], col : col + whole.shape[1]]
    whole[: part.shape[0], : part.shape[1]] = part
    inside = np.asarray(folded(np.logical_or, whole, per_row, per_col), dtype=np.bool_)
    return PageCells(
        row, col, per_row, per_col, rows, cols,
        grid.west + col * grid.cell_x, grid.north - row * grid.cell_y,
        grid.cell_x * per_col, grid.cell_y * per_row, inside, whole,
    )  # fmt: skip


def verdicts(cells: PageCells, drive: Drive) -> Verdicts:
    """The worst zone of each page cell, the reason that goes with it, and whether any of it is cut off."""
    return Verdicts(*(part[0] for part in all_verdicts(cells, [drive])))


def all_verdicts(cells: PageCells, drives: Sequence[Drive]) -> tuple[Bytes, Bytes, Bytes]:
    """`verdicts` of many drives: zones, reasons and flags, each (drives, rows, cols)."""
    out = np.empty((3, len(drives), cells.rows, cells.cols), dtype=np.uint8)
    shut = np.where(cells.inside, 0, OUTSIDE).astype(np.uint8)
    here = (slice(cells.row, cells.row + cells.rows), slice(cells.col, cells.col + cells.cols))
    for i, d in enumerate(drives):
        parts = [np.ascontiguousarray(part) for part in (d.zone, d.reason, d.cut_off, d.no_turn)]
        if cells.per_row == cells.per_col == 1:  # each page cell is one of the terrain's
            zone, reason, cut, turn = (part[here] for part in parts)
            flags = (cut > 0) * np.uint8(CUT_OFF) | (turn > 0) * np.uint8(NO_TURN)
            for k, part in enumerate((zone, reason, flags)):
                np.bitwise_or(part, shut, out=out[k, i])
            continue
        zone, reason, cut, turn = parts
        corner = (cells.row, cells.col)
        worst_cells(zone, reason, cut, turn, cells.covered, corner, out[0, i], out[1, i], out[2, i])
    return out[0], out[1], out[2]


def worst_class(cells: PageCells, slope_class: Bytes) -> Bytes:
    """The steepest slope class of each page cell; 254 where any of it is not measured, 255 outside the field."""
    worst = cells.blocks(np.where(slope_class == 255, 254, slope_class).astype(np.int16), -1).max(axis=2)
    return np.where(cells.inside, worst, 255).astype(np.uint8)


def fall_lines(cells: PageCells, east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """Downhill direction (east, north), unit length, from mean gradients per page cell; NaN on level ground."""
    gx = cells.blocks(east, math.nan)
    gy = cells.blocks(north, math.nan)
    known = ~np.isnan(gx) & ~np.isnan(gy)
    count = known.sum(axis=2)
    mean_x, mean_y = (np.where(known, g, 0.0).sum(axis=2) / np.maximum(count, 1) for g in (gx, gy))
    length = np.sqrt(mean_x * mean_x + mean_y * mean_y)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (
            np.where(length > 1e-6, -mean_x / length, math.nan),
            np.where(length > 1e-6, -mean_y / length, math.nan),
        )
