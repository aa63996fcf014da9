"""The invented landscape as a grid of any size: how many stretches of valley, and heights block by block."""

from __future__ import annotations

import math
import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from rasterio.crs import CRS

from atlas.farm import demo_kernel, demo_plan
from atlas.farm.demo_kernel import Ends
from atlas.farm.demo_plan import Spot
from atlas.farm.demo_tables import plan_tables, profile_table
from atlas.grid import CellWindow, Floats, Grid, Heights

FIELDS_A_STRETCH = len(demo_plan.FIELDS)
WEST, SOUTH = 380_000.0, 6_150_000.0  # open sea in EPSG:25832, so that nobody looks for this farm
CRS_CODE = "EPSG:25832"
BAND_CELLS = 500_000
NORTHWARD_M = 40.0  # the highest field reaches nearer to the ridge than the lowest


@dataclass(frozen=True)
class Stretch:
    """One copy of the plan: its number and where it stands."""

    number: int
    row: int
    col: int


@dataclass(frozen=True)
class Land:
    """The whole landscape for `fields` fields at `cell_m`; the seed decides all of it."""

    fields: int
    cell_m: float
    seed: int

    @cached_property
    def salt(self) -> int:
        return int(np.random.default_rng(self.seed).integers(1, 2**30))

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        count = math.ceil(self.fields / FIELDS_A_STRETCH)
        cols = math.ceil(math.sqrt(count))
        return tuple(Stretch(n, n // cols, n % cols) for n in range(count))

    @cached_property
    def grid(self) -> Grid:
        cols = 1 + max(s.col for s in self.stretches)
        rows = 1 + max(s.row for s in self.stretches)
        wide, high = cols * demo_kernel.TILE_U, rows * demo_kernel.TILE_V
        n_cols, n_rows = math.floor(wide / self.cell_m), math.ceil(high / self.cell_m)
        north = SOUTH + NORTHWARD_M + n_rows * self.cell_m
        return Grid(CRS.from_string(CRS_CODE), WEST, north, self.cell_m, self.cell_m, n_rows, n_cols)

    @cached_property
    def plans(self) -> tuple[Floats, Ends]:
        rows, cols = 1 + max(s.row for s in self.stretches), 1 + max(s.col for s in self.stretches)
        return plan_tables(rows, cols, self.seed)

    @cached_property
    def profile(self) -> Floats:
        return profile_table()

    def window(self, window: CellWindow) -> Floats:
        """Heights of a block, (rows, cols), metres rounded to 1 cm."""
        g = self.grid
        out = np.empty((window.rows, window.cols))
        north = g.north - SOUTH - window.row * g.cell_y
        demo_kernel.fill(out, window.col * g.cell_x, north, g.cell_x, self.profile, *self.plans, self.salt)
        return out

    def bands(self) -> Iterator[tuple[CellWindow, Floats]]:
        """The whole model in bands of rows, north to south, a few made ahead; memory does not grow."""
        rows, cols = self.grid.shape
        high = max(1, BAND_CELLS // cols)
        windows = [CellWindow(r, 0, min(high, rows - r), cols) for r in range(0, rows, high)]
        workers = min(4, os.cpu_count() or 1)
        with ThreadPoolExecutor(workers) as pool:  # the loop lets go of the interpreter
            ahead = deque(pool.submit(self.window, w) for w in windows[:workers])
            for k, window in enumerate(windows):
                heights = ahead.popleft().result()
                if k + workers < len(windows):
                    ahead.append(pool.submit(self.window, windows[k + workers]))
                yield window, heights

    def heights(self) -> Heights:
        """The whole model at once; for small ones."""
        return Heights(self.grid, self.window(CellWindow(0, 0, self.grid.rows, self.grid.cols)))

    def heights_at(self, x: Floats, y: Floats) -> Floats:
        """Heights in metres at map places, (n,), not rounded to the grid."""
        out = np.empty(x.shape)
        demo_kernel.fill_places(out, x - WEST, y - SOUTH, self.profile, *self.plans, self.salt)
        return out

    def on_map(self, stretch: Stretch, spot: Spot) -> tuple[float, float]:
        """Map coordinates (x, y) of a planned spot, rounded to 1 cm."""
        u = spot.u + stretch.col * demo_kernel.TILE_U
        v = spot.v + stretch.row * demo_kernel.TILE_V + 450.0
        x, y = demo_kernel.place(u, v, self.salt)
        return round(WEST + x, 2), round(SOUTH + y, 2)
