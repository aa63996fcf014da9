"""The steepest of eight neighbours, against two published 6×6 grids.

Sources: the first grid and its directions stand in the test files of R's terra and of xarray-spatial, going back
to material of the US National Weather Service (nws.noaa.gov/oh/hrl/gis/data.html); the second is from the course
GEO372 of the University of Zürich (week 7, 2013, hydrology), of which the inner 4×4 is given. Directions are coded
east 1, south-east 2, south 4 … north-east 128. The first grid's outlet is coded 0 or 4 by different authors; here
it has no lower neighbour.
"""

from __future__ import annotations

import numpy as np
from made import METRIC

from atlas.grid import Grid, Heights
from atlas.terrain.d8 import NOWHERE, steepest_down

FIRST = """78 72 69 71 58 49
74 67 56 49 46 50
69 53 44 37 38 48
64 58 55 22 31 24
68 61 47 21 16 19
74 53 34 12 11 12"""
FIRST_DIRECTIONS = """2 2 2 4 4 8
2 2 2 4 4 8
1 1 2 4 8 4
128 128 1 2 4 8
2 2 1 4 4 4
1 1 1 1 0 16"""
SECOND = """1 4 6 12 20 44
3 4 8 11 13 24
5 8 15 20 25 39
9 14 22 32 37 47
12 18 31 39 44 52
14 26 36 43 48 58"""
SECOND_INNER = """32 16 32 16
64 32 64 64
32 32 32 32
32 16 32 32"""


def read(text: str) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    return np.array([line.split() for line in text.splitlines()], dtype=np.float64)


def directions(heights: str) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    grid = Grid(METRIC, 0.0, 60.0, 10.0, 10.0, 6, 6)
    to = steepest_down(Heights(grid, read(heights))).to.astype(np.int64)
    return np.where(to == NOWHERE, 0, 1 << np.maximum(to, 0))


def test_first_published_grid() -> None:
    np.testing.assert_array_equal(directions(FIRST), read(FIRST_DIRECTIONS))


def test_second_published_grid_inside_its_rim() -> None:
    np.testing.assert_array_equal(directions(SECOND)[1:-1, 1:-1], read(SECOND_INNER))
