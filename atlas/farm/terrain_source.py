"""Heights from wherever they are stored, read window by window on the model's own grid."""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
from numpy.lib.stride_tricks import sliding_window_view
from pyproj.exceptions import ProjError
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from atlas.errors import TerrainError
from atlas.farm import coarse_heights, datasets, scaled_tiles, spikes, tile_sums, treads
from atlas.farm.datasets import Stored
from atlas.farm.records import Remark
from atlas.farm.reprojecting import bring
from atlas.farm.tile_table import TileTable
from atlas.grid import Bounds, CellWindow, Floats, Grid, Heights, Mask

HIGHEST_M = 9000.0
# No dry land lies as low; -9999 that was filled in for gaps is a depth of the sea in decimetres or feet.
LOWEST_M = -500.0
MORE_PARCELS = 7  # beside the first, to look at how their heights are stored
MOST_CELLS = 4_000_000  # of one window, four square kilometres at 1 m; more is a mistake and costs over 1 GB


@dataclass(frozen=True)
class TerrainSource:
    """A terrain model: where it is stored, the grid it has for us, and how its numbers become metres."""

    stored: Stored
    grid: Grid
    source: str
    date: str
    remarks: tuple[Remark, ...] = ()
    metres: float = 1.0  # what one stored unit of height is
    flipped: bool = False  # stored with its south row first
    crs_text: str = ""  # the grid's CRS as one text that stays the same from process to process

    def read(self, bounds: Bounds, margin_m: float = 0.0) -> Heights:
        """Heights of the cells that touch `bounds` grown by the margin; NaN past the model and in its gaps.

        Raises TerrainError where the file cannot be read or a stored tile is not what was written.
        """
        wanted = self._wanted(bounds, margin_m)
        inside = _clipped(wanted, self.grid)
        z = np.full((wanted.rows, wanted.cols), np.nan)
        if inside.rows > 0 and inside.cols > 0:
            row, col = inside.row - wanted.row, inside.col - wanted.col
            z[row : row + inside.rows, col : col + inside.cols] = self._stored(inside)
        odd = _implausible(z, self.grid.cell_m)
        if not odd.any():
            return Heights(self.grid.part(wanted), z)
        z[odd] = np.nan
        first = np.argwhere(odd)[0]
        return Heights(self.grid.part(wanted), z, int(odd.sum()), (int(first[0]), int(first[1])))

    def coarse(self, bounds: Bounds, cell_m: float) -> Heights:
        """Means of blocks of cells, up to `cell_m` wide, that touch `bounds`: to look at, not for sums. Clipped to
        the model; NaN where a height of the block is missing or cannot be read."""
        return coarse_heights.coarse(self._model, bounds, cell_m)

    def coarse_fingerprint(self, bounds: Bounds, cell_m: float) -> str:
        """A digest of what `coarse` gives, or of the tiles it comes from, whichever is cheaper to know."""
        return self.stored_mark(bounds) or coarse_heights.digest(self.coarse(bounds, cell_m))

    @property
    def _model(self) -> coarse_heights.Model:
        state = tuple((f.st_size, f.st_mtime_ns) for f in (path.stat() for path in self.stored.paths))
        key = (self.stored, state, self.metres, self.flipped, self.grid.west, self.grid.north)
        return coarse_heights.Model(key, self.grid, self._far)

    def _far(self, window: CellWindow) -> Floats:
        z = self._stored(window)
        return np.where(_implausible(z, self.grid.cell_m), np.nan, z)

    def _wanted(self, bounds: Bounds, margin_m: float) -> CellWindow:
        wanted = _window(self.grid, bounds.grown(margin_m))
        if wanted.rows * wanted.cols > MOST_CELLS:
            raise TerrainError(
                f"{self.stored.label}: a field of {bounds.width / 1000:.0f} by {bounds.height / 1000:.0f} km is "
                "too large; set the CRS of its layer right, or cut it into fields."
            )
        return wanted

    def _stored(self, window: CellWindow) -> Floats:
        row = self.grid.rows - window.row - window.rows if self.flipped else window.row
        cells = CellWindow(row, window.col, window.rows, window.cols)
        z = datasets.read(self.stored, cells) if self._tiles is None else self._from_tiles(self._tiles, cells)
        if self.metres != 1.0:  # a copy of a large window is not for nothing
            z = z * self.metres
        return z[::-1] if self.flipped else z

    def _from_tiles(self, told: TileTable, cells: CellWindow) -> Floats:
        path, label = self.stored.paths[0], self.stored.label
        tile_sums.verify_tiles(path, told, cells, label)
        return scaled_tiles.read(path, told, cells, label) if told.integer else datasets.read(self.stored, cells)

    def fingerprint(self, bounds: Bounds, margin_m: float = 0.0) -> str:
        """A digest of what is stored for that window: the tiles of a coverage, else the heights themselves."""
        wanted = self._wanted(bounds, margin_m)
        digest = hashlib.sha256(repr((wanted, self.grid.part(wanted).transform, self.metres)).encode())
        digest.update(self.crs_text.encode())
        inside = _clipped(wanted, self.grid)
        if inside.rows > 0 and inside.cols > 0:
            if self._tiles is not None:
                digest.update(tile_sums.digest(self.stored.paths[0], self._tiles, inside).encode())
            else:
                digest.update(np.ascontiguousarray(self._stored(inside)).tobytes())
        return digest.hexdigest()

    def stored_mark(self, bounds: Bounds) -> str | None:
        """A digest of the stored tiles of a window of any size, or None where only the heights themselves tell."""
        inside = _clipped(_window(self.grid, bounds), self.grid)
        if self._tiles is None or inside.rows <= 0 or inside.cols <= 0:
            return None
        stored = tile_sums.digest(self.stored.paths[0], self._tiles, inside)
        return f"{self.grid.part(inside).transform!r} {self.metres!r} {self.crs_text} {stored}"

    def check_covers(self, shapes: Iterable[BaseGeometry], zones_up_to_cell_m: float) -> None:
        """Raise TerrainError unless at least one height is stored under the parcels, or where heights under the
        first of them stand in steps that no ground has (`treads.py`)."""
        why, places = "lies elsewhere", ""
        shapes = iter(shapes)
        for shape in shapes:
            west, south, east, north = shape.bounds
            bounds = Bounds(west, south, east, north)
            places = places or self._told_apart(bounds)
            if not bounds.overlaps(self.grid.bounds):
                continue
            heights = self.read(bounds)
            if not np.isnan(heights.z).all():
                if self.grid.cell_m <= zones_up_to_cell_m * (1 + 1e-9):
                    treads.check([heights, *self._some(shapes)], zones_up_to_cell_m, self.stored.label)
                return
            if heights.implausible:
                raise TerrainError(
                    f"{self.stored.label}: its numbers under the parcels are no heights in metres; say in "
                    "terrain.height_unit whether they are dm, cm or ft, or name a raster of heights."
                )
            why, places = "holds no heights there, only gaps", " "
        raise TerrainError(
            f"{self.stored.label}: the terrain {why} and covers no parcel{places.rstrip()}; "
            "bring the right tile, or set the CRS of the parcels or of the terrain right."
        )

    def _some(self, shapes: Iterator[BaseGeometry]) -> Iterator[Heights]:
        """Heights under a few parcels more; one that cannot be read is told when it is surveyed."""
        for shape in itertools.islice(shapes, MORE_PARCELS):
            with suppress(TerrainError):
                yield self.read(Bounds(*shape.bounds))

    def _told_apart(self, parcel: Bounds) -> str:
        """Where the terrain and a parcel lie on the globe, for who has to see which of them is wrong."""
        crs, globe = pyproj.CRS.from_user_input(self.grid.crs), pyproj.CRS.from_epsg(4326)
        middles = (Point((b.west + b.east) / 2, (b.south + b.north) / 2) for b in (self.grid.bounds, parcel))
        try:
            mine, theirs = (bring(middle, crs, globe).centroid for middle in middles)
        except ProjError:
            return " "
        return (
            f" (its middle lies at longitude {mine.x:.2f}, latitude {mine.y:.2f}, the first parcel at longitude "
            f"{theirs.x:.2f}, latitude {theirs.y:.2f})"
        )

    def close(self) -> None:
        """Let go of the files this process holds open for it."""
        datasets.close(self.stored)

    @property
    def _tiles(self) -> TileTable | None:
        """The tiles whose cells are the very cells of a window; None for rasters and for warped coverages."""
        return self.stored.tiles if self.stored.warp_to is None else None

    @property
    def paths(self) -> tuple[Path, ...]:
        return self.stored.paths


def _implausible(z: Floats, cell_m: float) -> Mask:
    """Cells with a number that cannot be a height: none on earth, standing out as no ground does, or the zeros
    that a program filled in for what was not measured without saying so."""
    odd: Mask = (z > HIGHEST_M) | (z < LOWEST_M) | _zeros(z)
    known = np.where(odd, np.nan, z) if odd.any() else z
    stands_out = spikes.spikes(known, cell_m)
    return odd if stands_out is None else odd | stands_out


def _zeros(z: Floats) -> Mask:
    """Cells of blocks of three by three that all hold exactly 0, (rows, cols): measured ground is never as level,
    the sea may be. A window's edge cuts blocks off, so what lies past it counts as 0 too."""
    zero: Mask = z == 0
    if not zero.any():
        return zero
    whole = sliding_window_view(np.pad(zero, 1, constant_values=True), (3, 3)).all(axis=(2, 3))
    found: Mask = np.asarray(sliding_window_view(np.pad(whole, 1), (3, 3)).any(axis=(2, 3)))
    return found


def _window(grid: Grid, b: Bounds) -> CellWindow:
    """The cells that touch `b`, also past the grid's edges (rows and columns may be negative)."""
    c0 = math.floor((b.west - grid.west) / grid.cell_x)
    c1 = max(math.ceil((b.east - grid.west) / grid.cell_x), c0 + 1)
    r0 = math.floor((grid.north - b.north) / grid.cell_y)
    r1 = max(math.ceil((grid.north - b.south) / grid.cell_y), r0 + 1)
    return CellWindow(r0, c0, r1 - r0, c1 - c0)


def _clipped(w: CellWindow, grid: Grid) -> CellWindow:
    r0, c0 = max(w.row, 0), max(w.col, 0)
    r1, c1 = min(w.row + w.rows, grid.rows), min(w.col + w.cols, grid.cols)
    return CellWindow(r0, c0, r1 - r0, c1 - c0)
