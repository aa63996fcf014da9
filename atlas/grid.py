"""A grid of square or oblong cells on the map, so that an array never travels without its place.

Grids are north-up: row 0 is the northernmost. Coordinates are named, never bare pairs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from affine import Affine
from rasterio.crs import CRS

Floats = npt.NDArray[np.float64]
Floats32 = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Bounds:
    """A box in a grid's CRS, metres (or the CRS's own unit)."""

    west: float
    south: float
    east: float
    north: float

    def grown(self, by: float) -> Bounds:
        return Bounds(self.west - by, self.south - by, self.east + by, self.north + by)

    def overlaps(self, other: Bounds) -> bool:
        return (
            self.west < other.east
            and other.west < self.east
            and self.south < other.north
            and other.south < self.north
        )

    @property
    def width(self) -> float:
        return self.east - self.west

    @property
    def height(self) -> float:
        return self.north - self.south


@dataclass(frozen=True)
class CellWindow:
    """A block of cells: its first row and column in the parent grid, and how many of each."""

    row: int
    col: int
    rows: int
    cols: int


@dataclass(frozen=True)
class Grid:
    """North-up cells: `west`, `north` is the outer corner of cell (0, 0); `cell_x`, `cell_y` are positive."""

    crs: CRS
    west: float
    north: float
    cell_x: float
    cell_y: float
    rows: int
    cols: int

    @property
    def bounds(self) -> Bounds:
        return Bounds(
            self.west,
            self.north - self.rows * self.cell_y,
            self.west + self.cols * self.cell_x,
            self.north,
        )

    @property
    def transform(self) -> Affine:
        return Affine(self.cell_x, 0.0, self.west, 0.0, -self.cell_y, self.north)

    @property
    def cell_area(self) -> float:
        return self.cell_x * self.cell_y

    @property
    def cell_m(self) -> float:
        """The longer side of a cell, the one that decides whether terrain is too coarse."""
        return max(self.cell_x, self.cell_y)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, then columns, as numpy has it."""
        return (self.rows, self.cols)

    @cached_property
    def xs(self) -> Floats:
        """Middle of each column, (cols,)."""
        return self.west + (np.arange(self.cols, dtype=np.float64) + 0.5) * self.cell_x

    @cached_property
    def ys(self) -> Floats:
        """Middle of each row, (rows,), falling."""
        return self.north - (np.arange(self.rows, dtype=np.float64) + 0.5) * self.cell_y

    def window(self, bounds: Bounds, margin_m: float = 0.0) -> CellWindow:
        """Cells that touch `bounds` grown by `margin_m`, clipped to this grid (may hold no cell)."""
        b = bounds.grown(margin_m)
        c0 = max(0, math.floor((b.west - self.west) / self.cell_x))
        c1 = min(self.cols, math.ceil((b.east - self.west) / self.cell_x))
        r0 = max(0, math.floor((self.north - b.north) / self.cell_y))
        r1 = min(self.rows, math.ceil((self.north - b.south) / self.cell_y))
        return CellWindow(r0, c0, max(0, r1 - r0), max(0, c1 - c0))

    def part(self, window: CellWindow) -> Grid:
        """The grid of a window of this one."""
        return Grid(
            self.crs,
            self.west + window.col * self.cell_x,
            self.north - window.row * self.cell_y,
            self.cell_x,
            self.cell_y,
            window.rows,
            window.cols,
        )


@dataclass(frozen=True)
class Heights:
    """Heights in metres on a grid, (rows, cols) float64, NaN where nothing is measured.

    `implausible` cells hold a stored number that cannot be a height there and are NaN for it; `first_odd` is the
    row and column of the northernmost.
    """

    grid: Grid
    z: Floats
    implausible: int = 0
    first_odd: tuple[int, int] = (0, 0)
