"""Where to look first in one field: its likeliest wet places that no marking covers, in words and coordinates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pyproj import Transformer
from shapely.geometry import MultiPolygon, Point, Polygon

from atlas.blocks import means
from atlas.driving.places import place_words
from atlas.driving.records import TaggedHazard
from atlas.grid import Floats32, Grid, Heights
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.slope import horn
from atlas.terrain.wetness import likely_wet

CELL_M = 2.0  # a place to look at is a few steps wide; finer cells cost time and move no suggestion by a step


@dataclass(frozen=True)
class WetPlace:
    """A place where water gathers, the likeliest first (`rank` 1): terrain CRS, longitude and latitude, the
    smoothed wetness index, and where in the field it is. Likely wet, no more."""

    rank: int
    x: float
    y: float
    lon: float
    lat: float
    index: float
    place: str


def wet_places(
    field: Polygon | MultiPolygon,
    terrain: TerrainSurvey,
    around: Heights,
    hazards: Sequence[TaggedHazard],
    to_lonlat: Transformer,
) -> tuple[WetPlace, ...]:
    """The likeliest wet places of a field, at most five. `around` are heights of a window that holds the survey's
    and reaches far enough past the field to hold the water that runs into it.

    Where a marking keeps machines off there is nothing to look for, whatever its kind.
    """
    covered = np.zeros(around.grid.shape, dtype=np.float32)
    row, col = _offset(terrain.grid, around.grid)
    covered[row : row + terrain.grid.rows, col : col + terrain.grid.cols] = terrain.covered
    heights, covered = coarsened(around, covered)
    found = likely_wet(heights, horn(heights), covered, [t.keep_off for t in hazards])
    places = []
    for one in found:
        lon, lat = to_lonlat.transform(one.x, one.y)
        where = place_words(Point(one.x, one.y), field)
        places.append(
            WetPlace(one.rank, one.x, one.y, round(float(lon), 7), round(float(lat), 7), one.index, where)
        )
    return tuple(places)


def coarsened(heights: Heights, covered: Floats32) -> tuple[Heights, Floats32]:
    """Both as means of blocks of about `CELL_M`; a block with a gap in it is a gap, cells left over at the south
    and east are dropped. Cells of that size or larger stay as they are."""
    grid = heights.grid
    down, across = (max(1, int(CELL_M / cell + 1e-9)) for cell in (grid.cell_y, grid.cell_x))
    rows, cols = grid.rows // down, grid.cols // across
    if (down, across) == (1, 1) or rows == 0 or cols == 0:
        return heights, covered
    coarse = Grid(grid.crs, grid.west, grid.north, grid.cell_x * across, grid.cell_y * down, rows, cols)
    z = means(heights.z, down, across)
    return Heights(coarse, z), means(covered.astype(np.float64), down, across).astype(np.float32)


def _offset(part: Grid, whole: Grid) -> tuple[int, int]:
    """Row and column of a part's first cell."""
    return round((whole.north - part.north) / whole.cell_y), round((part.west - whole.west) / whole.cell_x)
