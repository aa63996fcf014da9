"""Slope against printed windows, GDAL, a second library, and the theory of its error."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import open_terrain
import pytest
import rasterio
import xarray as xr
from made import make_grid, plane, rectangle, rough, with_hole
from xrspatial import slope as xrspatial_slope

from atlas.grid import Floats, Grid, Heights
from atlas.settings import Settings
from atlas.terrain.slope import horn
from atlas.terrain.surveying import terrain_figures
from atlas.words import steep

# Window A is printed in a general-purpose GIS manual and repeated in public code; gx, gy and 75.25762° as printed
# there (57.29578 for 180/π), 75.25766° as GDAL gives it. Window B is a university course's example (UNLV, as
# labelled in public code; matches Bolstad, GIS Fundamentals, chapter on slope, from memory); 22.79182° from GDAL.
PRINTED = [
    pytest.param([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5.0, 0.05, 3.8, 75.25766, id="A"),
    pytest.param([[42, 45, 47], [40, 44, 49], [44, 48, 52]], 10.0, 0.3875, -0.1625, 22.79182, id="B"),
]


def _window(rows: list[list[float]], cell: float) -> Heights:
    return Heights(make_grid(3, 3, cell), np.array(rows, dtype=np.float64))


@pytest.mark.parametrize(("rows", "cell", "gx", "gy", "degrees"), PRINTED)
def test_printed_windows(rows: list[list[float]], cell: float, gx: float, gy: float, degrees: float) -> None:
    found = horn(_window(rows, cell))
    assert (found.gx[1, 1], found.gy[1, 1]) == pytest.approx((gx, gy), abs=1e-12)
    assert math.degrees(math.atan(found.steepness[1, 1])) == pytest.approx(degrees, abs=5e-6)


def _gdaldem_pct(heights: Heights, folder: Path) -> Floats:
    """Slope in percent by `gdaldem slope -p -alg Horn`, NaN where it gives none."""
    dem, found = open_terrain.write_heights(folder / "dem.tif", heights), folder / "slope.tif"
    open_terrain.gdal("gdaldem", "slope", "-q", "-p", "-alg", "Horn", dem, found)
    with rasterio.open(found) as source:
        pct: Floats = source.read(1, masked=True).astype(np.float64).filled(np.nan)
    return pct


@pytest.mark.parametrize(
    "heights",
    [
        pytest.param(_window([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5.0), id="window A"),
        pytest.param(_window([[42, 45, 47], [40, 44, 49], [44, 48, 52]], 10.0), id="window B"),
        pytest.param(with_hole(rough(5, make_grid(60, 70, 2.0, 3.0)), 20, 20, 4, 3), id="oblong, with a gap"),
    ],
)
def test_gdaldem_gives_the_same_slope_and_the_same_gaps(heights: Heights, tmp_path: Path) -> None:
    """gdaldem (GDAL) reads heights and stores slopes as 32-bit numbers: 500 m to 3e-5 m, hence the tolerance."""
    ours, theirs = 100 * horn(heights).steepness, _gdaldem_pct(heights, tmp_path)
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    np.testing.assert_allclose(ours, theirs, rtol=1e-5, atol=0.005)


@pytest.mark.parametrize("grid", [make_grid(60, 70, 2.0), make_grid(60, 70, 2.0, 3.0)], ids=["square", "oblong"])
def test_a_second_library_gives_the_same_slope(grid: Grid) -> None:
    """xarray-spatial's planar slope (Horn) reads heights as 32-bit numbers: 500 m to 3e-5 m."""
    heights = with_hole(rough(6, grid), 20, 20)
    array = xr.DataArray(heights.z, dims=["y", "x"], coords={"y": grid.ys, "x": grid.xs})
    array.attrs["res"] = (grid.cell_x, grid.cell_y)
    theirs = np.tan(np.radians(xrspatial_slope(array).values.astype(np.float64)))
    theirs[~np.isfinite(heights.z)] = np.nan  # it never reads the middle cell, so it gives a one-cell gap a slope
    ours = horn(heights).steepness
    inner = np.s_[1:-1, 1:-1]
    np.testing.assert_array_equal(np.isnan(ours[inner]), np.isnan(theirs[inner]))
    np.testing.assert_allclose(ours[inner], theirs[inner], rtol=1e-5, atol=1e-5)


# Percent, degrees and sloping surface per plan area, √(1 + g²): trigonometry.
FACTORS = [(18, 10.204, 1.01607), (35, 19.290, 1.05948), (50, 26.565, 1.11803), (100, 45.0, 1.41421)]


@pytest.mark.parametrize(("pct", "degrees", "factor"), FACTORS)
def test_percent_degrees_and_surface(pct: int, degrees: float, factor: float) -> None:
    heights = plane(pct / 100, 200.0)
    field = rectangle(heights.grid, 20, 20, 80, 60)
    figures = terrain_figures(field, heights, Settings())
    assert figures.mean_pct == pytest.approx(pct, abs=1e-9)
    assert math.degrees(math.atan(pct / 100)) == pytest.approx(degrees, abs=5e-4)
    assert figures.surface_m2 / figures.area_m2 == pytest.approx(factor, abs=5e-6)
    assert steep(pct / 100) == f"{pct} % ({round(degrees)}°)"


def test_height_noise_becomes_slope_noise_as_theory_has_it() -> None:
    """Independent height errors σ give each component of Horn's gradient (√3/4)·σ/L = 0.433 σ/L (its squared
    weights add up to 12/64). With σ 0.3 m and L 2 m: 6.50 percentage points."""
    grid = make_grid(1000, 1000, 2.0)
    noise = np.random.default_rng(27).normal(0, 0.3, grid.shape)
    heights = plane(0.35, 90.0, grid)
    off = horn(Heights(grid, heights.z + noise)).gx[1:-1, 1:-1] + 0.35
    assert off.std() == pytest.approx(math.sqrt(3) / 4 * 0.3 / 2.0, rel=0.01)
    assert 100 * off.std() == pytest.approx(6.50, abs=0.06)
    assert abs(off.mean()) < 0.001


def test_a_constant_or_tilted_error_changes_slope_by_nothing_or_the_tilt() -> None:
    """Correlated errors cancel (algebra)."""
    grid = make_grid(40, 40)
    ground, tilt = rough(8, grid), plane(0.02, 270.0, grid)
    inner = np.s_[1:-1, 1:-1]
    raised = horn(Heights(grid, ground.z + 5.0))
    tilted = horn(Heights(grid, ground.z + tilt.z))
    np.testing.assert_allclose(raised.gx, horn(ground).gx, atol=1e-12)
    np.testing.assert_allclose(tilted.gx[inner] - horn(ground).gx[inner], 0.02, atol=1e-12)
    np.testing.assert_allclose(tilted.gy[inner], horn(ground).gy[inner], atol=1e-12)
