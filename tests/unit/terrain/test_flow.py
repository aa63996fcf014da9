"""Flow's own promises: pits drain, turning turns it, gaps swallow water, more ground above means wetter below."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from made import bowl, gully, make_grid, middle_xy, plane, rough, with_hole

from atlas.grid import Heights
from atlas.terrain.d8 import steepest_down
from atlas.terrain.flow import (
    TINY_RISE,
    accumulation,
    contour_width,
    d8_accumulation,
    fill_pits,
    flow_directions,
    wetness_index,
)
from atlas.terrain.flow_kernel import flood_from_rim
from atlas.terrain.flow_plain import accumulate_plain, d_infinity_plain
from atlas.terrain.slope import horn


@given(seed=st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_filling_only_raises_and_only_what_is_shut_in(seed: int) -> None:
    heights = with_hole(rough(seed, make_grid(30, 40), relief_m=4.0), seed % 25, seed % 33, 3, 4)
    filled = fill_pits(heights).z
    known = np.isfinite(heights.z)
    np.testing.assert_array_equal(np.isfinite(filled), known)
    assert (filled[known] >= heights.z[known]).all()
    np.testing.assert_array_equal(fill_pits(Heights(heights.grid, filled)).z, filled)
    # filled with a rise, every cell but those at the rim or a gap has a lower neighbour
    to = steepest_down(fill_pits(heights, TINY_RISE)).to
    at_rim = np.pad(~known, 1, constant_values=True)
    touches = np.zeros_like(known)
    for dr in (-1, 0, 1):
        for dc in (-1, 0, 1):
            touches |= at_rim[1 + dr : 31 + dr, 1 + dc : 41 + dc]
    assert (to[known & ~touches] >= 0).all()


def test_a_bowl_fills_to_its_lowest_lip() -> None:
    heights = bowl(0.01, make_grid(41, 41))
    z = heights.z.copy()
    z[20, 0] -= 1.5  # a notch in the western lip
    filled = fill_pits(Heights(heights.grid, z)).z
    want = np.maximum(z, z[20, 1])  # the notch is one cell long: behind it stands its sill
    want[20, 0] = z[20, 0]
    np.testing.assert_array_equal(filled, want)


def test_the_flood_reaches_each_cell_once_and_outlets_first() -> None:
    heights = rough(4, make_grid(25, 30))
    filled, order = flood_from_rim(heights.z, TINY_RISE)
    assert sorted(order) == list(range(25 * 30))
    assert (np.diff(filled.ravel()[order]) >= 0).all()


@given(seed=st.integers(0, 10_000), cells=st.sampled_from([(1.0, 1.0), (1.0, 0.6), (0.5, 2.0)]))
@settings(max_examples=25, deadline=None)
def test_kernels_agree_with_their_slow_readings(seed: int, cells: tuple[float, float]) -> None:
    grid = make_grid(18, 21, *cells)
    heights = with_hole(fill_pits(rough(seed, grid), TINY_RISE), 4, 5, 2, 3)
    flow = flow_directions(heights)
    angle, gradient = d_infinity_plain(heights.z, *cells)
    np.testing.assert_allclose(flow.gradient, gradient, rtol=1e-9, atol=1e-12)
    apart = np.abs((flow.angle - angle + np.pi) % (2 * np.pi) - np.pi)
    np.testing.assert_array_equal(np.isnan(flow.angle), np.isnan(angle))
    assert np.nanmax(apart) < 1e-6
    valid = np.isfinite(heights.z)
    want = accumulate_plain(flow.first, flow.share, valid)
    np.testing.assert_allclose(accumulation(heights, flow), want, rtol=1e-9)


def test_water_follows_a_gully() -> None:
    grid = make_grid(80, 61)
    heights = gully(0.4, 0.1, grid)
    flow = flow_directions(heights)
    total = accumulation(heights, flow)
    assert (total[20:, 30] > 10 * total[20:, 10]).all()
    assert (total.argmax(axis=1)[5:] == 30).all()


def test_a_gap_swallows_what_runs_into_it() -> None:
    heights = with_hole(plane(0.2, 180.0, make_grid(40, 20)), 20, 0, 2, 20)
    total = accumulation(heights, flow_directions(heights))
    assert (total[19] == 20).all()
    assert (total[22] == 1).all()


@given(seed=st.integers(0, 10_000), turns=st.integers(1, 3))
@settings(max_examples=15, deadline=None)
def test_turning_the_terrain_turns_the_index(seed: int, turns: int) -> None:
    grid = make_grid(40, 40)
    _, y = middle_xy(grid)  # steep enough to leave no pits: what lies level may drain any way
    heights = with_hole(Heights(grid, rough(seed, grid, relief_m=3.0).z + 0.8 * y), 6, 20, 3, 2)
    assert (np.nan_to_num(fill_pits(heights).z) == np.nan_to_num(heights.z)).all()
    turned = Heights(grid, np.rot90(heights.z, turns).copy())
    here, there = wetness_index(heights, horn(heights)), wetness_index(turned, horn(turned))
    np.testing.assert_allclose(there, np.rot90(here, turns), atol=1e-6)


def test_more_ground_above_never_makes_it_drier() -> None:
    tall, short = plane(0.3, 180.0, make_grid(90, 30)), plane(0.3, 180.0, make_grid(40, 30))
    more, less = wetness_index(tall, horn(tall)), wetness_index(short, horn(short))
    assert (more[-20:, 5:-5] > less[-20:, 5:-5]).all()


def test_oblong_cells_measure_metres_not_cells() -> None:
    square, oblong = plane(0.3, 180.0, make_grid(40, 30)), plane(0.3, 180.0, make_grid(80, 30, 1.0, 0.5))
    a = [
        accumulation(h, f) * h.grid.cell_area / contour_width(f)
        for h, f in ((h, flow_directions(h)) for h in (square, oblong))
    ]
    np.testing.assert_allclose(a[1][1:-2:2, 5:-5], a[0][:-1, 5:-5])
    assert d8_accumulation(oblong, steepest_down(oblong))[-1, 10] == 80
