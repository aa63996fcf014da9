"""Covered fractions held to cutting squares, to another library and to the shape's own area."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from hypothesis import given, settings
from hypothesis import strategies as st
from made import irregular, make_grid, rectangle
from shapely.geometry import MultiPolygon, Polygon, box

from atlas.grid import Floats, Grid
from atlas.terrain.coverage import covered_fractions, covered_plain

GRID = make_grid(60, 80, 1.0, 1.5)
ROUNDING = 1e-9  # coordinates near 5 200 000 m are stored to about 1e-9 m


@pytest.mark.parametrize("seed", range(8))
def test_fractions_are_those_of_cut_squares(seed: int) -> None:
    shape = irregular(seed, GRID, 0.2, holes=seed % 3, parts=1 + seed % 2, at=(0.3, 0.5))
    np.testing.assert_allclose(covered_fractions(shape, GRID), covered_plain(shape, GRID), rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("seed", range(8))
def test_fractions_are_those_of_another_library(seed: int) -> None:
    """exactextract 0.3 gives fractions as 32-bit numbers, hence the tolerance."""
    shape = irregular(100 + seed, GRID, 0.2, holes=seed % 3, parts=1 + seed % 2, at=(0.3, 0.5))
    np.testing.assert_allclose(covered_fractions(shape, GRID), _by_exactextract(shape, GRID), rtol=0, atol=1e-6)


def _by_exactextract(shape: Polygon | MultiPolygon, grid: Grid) -> Floats:
    b = grid.bounds
    source = NumPyRasterSource(np.zeros(grid.shape), xmin=b.west, ymin=b.south, xmax=b.east, ymax=b.north)
    feature = {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(shape)}
    found = exact_extract(source, [feature], ["cell_id", "coverage"])[0]["properties"]
    covered = np.zeros(grid.rows * grid.cols)
    covered[found["cell_id"]] = found["coverage"]
    return covered.reshape(grid.shape)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    hectares=st.floats(0.001, 2.0),
    east=st.floats(-0.2, 1.2),
    north=st.floats(-0.2, 1.2),
    holes=st.integers(0, 3),
)
def test_covered_cells_add_up_to_the_area_on_the_grid(
    seed: int, hectares: float, east: float, north: float, holes: int
) -> None:
    shape = irregular(seed, GRID, hectares, holes=holes, at=(east, north))
    b = GRID.bounds
    expected = shapely.intersection(shape, box(b.west, b.south, b.east, b.north)).area
    covered = covered_fractions(shape, GRID)
    assert covered.sum() * GRID.cell_area == pytest.approx(expected, rel=1e-9, abs=1e-5)
    assert covered.min() >= 0
    assert covered.max() <= 1


def test_a_shape_on_cell_edges_covers_whole_cells_and_no_others() -> None:
    grid = make_grid(10, 10)
    covered = covered_fractions(rectangle(grid, 2, 3, 7, 9), grid)
    assert set(np.unique(covered)) == {0.0, 1.0}
    assert covered[1:7, 2:7].all()
    assert covered.sum() == 30


def test_a_triangle_has_half_of_the_cells_on_its_long_side() -> None:
    grid = make_grid(4, 4)
    w, s = grid.bounds.west, grid.bounds.south
    covered = covered_fractions(Polygon([(w, s), (w + 4, s), (w, s + 4)]), grid)
    np.testing.assert_allclose(covered, np.tril(np.ones((4, 4)), -1) + np.eye(4) / 2, atol=1e-9)


@pytest.mark.parametrize("turned", [False, True])
def test_the_way_a_ring_was_drawn_does_not_matter(turned: bool) -> None:
    grid = make_grid(10, 10)
    outer = rectangle(grid, 1, 1, 9, 9).exterior.coords[:]
    hole = rectangle(grid, 3, 3, 5, 6).exterior.coords[:]
    shape = Polygon(outer[::-1] if turned else outer, [hole])
    assert covered_fractions(shape, grid).sum() == pytest.approx(64 - 6, abs=1e-9)


def test_a_shape_off_the_grid_covers_nothing() -> None:
    grid = make_grid(10, 10)
    for east, north in [(-50, 0), (50, 0), (0, -50), (0, 50)]:
        assert covered_fractions(rectangle(grid, east, north, east + 5, north + 5), grid).sum() == 0
    assert covered_fractions(Polygon(), grid).sum() == 0
