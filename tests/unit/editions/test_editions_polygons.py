"""Polygons of cells: the kernel draws what GDAL's own polygons of the same cells are."""

from __future__ import annotations

import numpy as np
import rasterio.features
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from rasterio.crs import CRS
from shapely.geometry import Polygon
from shapely.geometry import shape as as_shape

from atlas.editions.polygons import _pieces
from atlas.grid import Bytes, Grid, Mask

SIDES = st.shared(st.tuples(st.integers(1, 9), st.integers(1, 9)), key="sides")


def grid_of(values: Bytes) -> Grid:
    return Grid(CRS.from_epsg(25832), 600_000.0, 5_200_000.0, 0.5, 2.0, *values.shape)


def ours(values: Bytes, inside: Mask) -> list[tuple[int, str]]:
    pieces, value = _pieces(values, inside, grid_of(values))
    return sorted((int(v), shapely.normalize(p).wkt) for p, v in zip(pieces, value, strict=True))


def gdals(values: Bytes, inside: Mask) -> list[tuple[int, str]]:
    found = rasterio.features.shapes(values, inside, connectivity=4, transform=grid_of(values).transform)
    return sorted((int(v), shapely.normalize(as_shape(g)).wkt) for g, v in found)


@given(arrays(np.uint8, SIDES, elements=st.integers(0, 2)), arrays(np.bool_, SIDES))
@settings(max_examples=300, deadline=None)
def test_the_kernel_draws_what_gdal_draws(values: Bytes, inside: Mask) -> None:
    assert ours(values, inside) == gdals(values, inside)


def test_a_large_speckled_field_is_drawn_as_gdal_draws_it() -> None:
    draw = np.random.default_rng(5)
    values = draw.integers(0, 3, (120, 170), dtype=np.uint8)
    inside = draw.random((120, 170)) < 0.9
    assert ours(values, inside) == gdals(values, inside)


def test_a_patch_that_meets_itself_at_a_corner_is_valid() -> None:
    """Around a hole that nearly opens to the outside, and around two holes that touch."""
    for rows in ([".###", "#..#", "####"], ["#####", "#.###", "##.##", "#####"]):
        inside = np.array([[c == "#" for c in row] for row in rows])
        pieces, _ = _pieces(inside.astype(np.uint8), inside, grid_of(inside.astype(np.uint8)))
        assert all(isinstance(p, Polygon) and p.is_valid for p in pieces)
        assert sum(p.area for p in pieces) == inside.sum()
