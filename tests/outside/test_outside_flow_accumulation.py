"""Water on terrain, against published grids, closed forms and an independent library.

Sources beside each check. References that were only recalled say "from memory".
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from made import METRIC, cone, make_grid, middle_xy, plane, rough, step, with_hole
from skimage.morphology import reconstruction
from test_outside_flow_directions import FIRST, read

from atlas.grid import Floats, Grid, Heights, Mask
from atlas.terrain.d8 import NOWHERE, steepest_down
from atlas.terrain.flow import (
    LEAST_TAN,
    TINY_RISE,
    accumulation,
    contour_width,
    d8_accumulation,
    fill_pits,
    flow_directions,
    wetness_index,
)
from atlas.terrain.slope import horn

# for the first grid of test_outside_flow_directions: cells that drain through each cell, its own included
FIRST_ACCUMULATION = """1 1 1 1 1 1
1 2 2 3 3 1
1 4 8 6 5 1
1 1 1 21 1 2
1 1 1 2 25 1
1 3 5 8 36 2"""
TURNS = (0.0, 7.0, 15.0, 22.5, 30.0, 45.0, 61.0, 90.0, 118.0, 180.0, 205.0, 247.5, 270.0, 333.0)


def upslope_m(heights: Heights) -> Floats:
    """Upslope area per metre of contour, (rows, cols)."""
    flow = flow_directions(heights)
    area: Floats = accumulation(heights, flow) * heights.grid.cell_area / contour_width(flow)
    return area


def test_published_accumulation() -> None:
    heights = Heights(Grid(METRIC, 0.0, 60.0, 10.0, 10.0, 6, 6), read(FIRST))
    total = d8_accumulation(heights, steepest_down(heights))
    np.testing.assert_array_equal(total, read(FIRST_ACCUMULATION))


@pytest.mark.parametrize("downhill", TURNS)
@pytest.mark.parametrize("cells", [(1.0, 1.0), (1.0, 0.6)])
def test_d_infinity_faces_as_a_plane_does(downhill: float, cells: tuple[float, float]) -> None:
    """Tarboton 1997, Water Resources Research 33(2):309–319 (from memory): exact on a plane at any turn."""
    flow = flow_directions(plane(0.35, downhill, make_grid(20, 20, *cells)))
    towards = (90.0 - np.degrees(flow.angle[2:-2, 2:-2])) % 360.0
    assert np.abs((towards - downhill + 180.0) % 360.0 - 180.0).max() < 1e-6
    np.testing.assert_allclose(flow.gradient[2:-2, 2:-2], 0.35, rtol=1e-9)


def test_d8_is_off_by_up_to_half_a_wind_on_a_plane() -> None:
    heights = plane(0.35, 200.0, make_grid(20, 20))
    assert (steepest_down(heights).to[2:-2, 2:-2] == 2).all()  # due south: 20° off, which D-infinity is not


@pytest.mark.parametrize("downhill", TURNS)
def test_upslope_area_on_a_plane_is_the_distance_from_its_top(downhill: float) -> None:
    """An inclined plane whose top edge is a contour: a is the distance from it, in closed form."""
    grid = make_grid(301, 301)
    heights = plane(0.35, downhill, grid)
    x, y = middle_xy(grid)
    turn = math.radians(downhill)
    down = x * math.sin(turn) + y * math.cos(turn) + 60.0  # metres below a top edge 60 m above the middle
    across = x * math.cos(turn) - y * math.sin(turn)
    top = Heights(grid, np.where(down > 0, heights.z, np.nan))
    looked_at = (down > 40) & (down < 80) & (np.abs(across) < 8)
    a = upslope_m(top)
    assert a[looked_at].mean() == pytest.approx(down[looked_at].mean(), rel=0.015)
    np.testing.assert_allclose(a[looked_at], down[looked_at], rtol=0.06)


def test_index_on_a_plane_in_closed_form() -> None:
    """Beven and Kirkby 1979, Hydrol. Sci. Bull. 24(1):43–69: ln(a / tan β); 100 m down a plane of 35 % it is
    ln(100 / 0.35) = 5.65499."""
    heights = plane(0.35, 180.0, make_grid(120, 60))
    index = wetness_index(heights, horn(heights))
    np.testing.assert_allclose(index[99, 20:40], 5.65499, atol=1e-5)  # the hundredth row drains 100 m


def ring(grid: Grid, low: float, high: float) -> tuple[Floats, Mask]:
    x, y = middle_xy(grid)
    far = np.hypot(x, y)
    return far, (far > low) & (far < high)


def test_a_cone_that_sheds_water() -> None:
    """a = r/2, as π r² drains over 2 π r of contour; 50 m from the tip at 50 % that is ln 50 = 3.91202."""
    heights = cone(0.5, make_grid(201, 201))
    far, here = ring(heights.grid, 40.0, 60.0)
    assert (upslope_m(heights)[here] / (far[here] / 2)).mean() == pytest.approx(1.0, abs=0.03)
    index = wetness_index(heights, horn(heights))
    assert index[ring(heights.grid, 49.0, 51.0)[1]].mean() == pytest.approx(3.91202, abs=0.04)


def test_a_cone_that_gathers_water() -> None:
    """a = (R² − r²) / 2r inside a cone of radius R (240 m at 20 m of 100 m)."""
    grid = make_grid(221, 221)
    far, here = ring(grid, 15.0, 60.0)
    heights = Heights(grid, np.where(far < 100.0, 500.0 + 0.5 * far, np.nan))
    want = (100.0**2 - far[here] ** 2) / (2 * far[here])
    got = upslope_m(heights)
    assert (got[here] / want).mean() == pytest.approx(1.0, abs=0.03)
    assert got[ring(grid, 19.0, 21.0)[1]].mean() == pytest.approx(240.0, rel=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_all_that_falls_runs_out(seed: int) -> None:
    """Conservation: what gathers at the outlets is every cell that has a height, by either routing."""
    heights = fill_pits(with_hole(rough(seed, make_grid(70, 90)), 20, 30, 5, 9), TINY_RISE)
    cells = np.isfinite(heights.z).sum()
    steepest = steepest_down(heights)
    eight = d8_accumulation(heights, steepest)
    assert eight[(steepest.to == NOWHERE) & np.isfinite(heights.z)].sum() == pytest.approx(cells, rel=1e-12)
    flow = flow_directions(heights)
    total = accumulation(heights, flow)
    assert total[(flow.first < 0) & np.isfinite(heights.z)].sum() == pytest.approx(cells, rel=1e-9)
    inner = np.zeros(heights.grid.shape, dtype=np.bool_)
    inner[1:-1, 1:-1] = True
    beside_hole = np.zeros_like(inner)
    beside_hole[19:26, 29:40] = True
    assert (flow.first[inner & ~beside_hole & np.isfinite(heights.z)] >= 0).all()  # nothing stays in a pit


@pytest.mark.parametrize("seed", range(6))
def test_pits_are_filled_as_an_independent_library_fills_them(seed: int) -> None:
    """scikit-image's reconstruction by erosion, from a flood that stands everywhere but on the rim."""
    heights = rough(seed, make_grid(80, 110), relief_m=5.0)
    flooded = np.full(heights.grid.shape, heights.z.max())
    rim = np.ones(heights.grid.shape, dtype=np.bool_)
    rim[1:-1, 1:-1] = False
    flooded[rim] = heights.z[rim]
    ring_of_eight = np.ones((3, 3))
    want = reconstruction(flooded, heights.z, method="erosion", footprint=ring_of_eight)  # type: ignore[no-untyped-call]
    got = fill_pits(heights).z
    np.testing.assert_array_equal(got, want)
    assert (got > heights.z).any()


def test_flat_ground_gives_no_infinities() -> None:
    for heights in (plane(0.0, 0.0, make_grid(40, 40)), step(2.0, make_grid(40, 40))):
        index = wetness_index(heights, horn(heights))
        assert np.isfinite(index).all()
        assert index.max() <= math.log(1600.0 / LEAST_TAN)
    holed = with_hole(plane(0.0, 0.0, make_grid(40, 40)), 10, 10, 6, 6)
    index = wetness_index(holed, horn(holed))
    np.testing.assert_array_equal(np.isnan(index), np.isnan(holed.z))
    assert not np.isinf(index).any()
