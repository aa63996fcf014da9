"""Horn's gradient held to algebra, to its plain reading and to what must not change it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import bank, bowl, cone, make_grid, plane, rough, saddle, step, with_hole

from atlas.grid import Grid, Heights
from atlas.terrain.slope import horn, horn_plain

OBLONG = make_grid(40, 50, 2.0, 3.0)


@pytest.mark.parametrize("grid", [make_grid(), OBLONG], ids=["square", "oblong"])
@pytest.mark.parametrize("gradient", [0.0, 0.18, 0.35, 1.0])
@pytest.mark.parametrize("downhill", [0.0, 90.0, 200.0, 333.0])
def test_a_plane_has_its_own_gradient_in_every_inner_cell(grid: Grid, gradient: float, downhill: float) -> None:
    found = horn(plane(gradient, downhill, grid))
    inner = np.s_[1:-1, 1:-1]
    turn = np.radians(downhill)
    np.testing.assert_allclose(found.gx[inner], -gradient * np.sin(turn), atol=1e-12)
    np.testing.assert_allclose(found.gy[inner], -gradient * np.cos(turn), atol=1e-12)
    np.testing.assert_allclose(found.steepness[inner], gradient, atol=1e-12)


@pytest.mark.parametrize("heights", [bowl(0.01, OBLONG), saddle(0.01, OBLONG)], ids=["bowl", "saddle"])
def test_a_curved_surface_of_second_degree_is_exact(heights: Heights) -> None:
    x = OBLONG.xs - OBLONG.xs.mean()
    y = OBLONG.ys - OBLONG.ys.mean()
    expected = 0.01 * np.hypot(*np.meshgrid(x, y))
    np.testing.assert_allclose(horn(heights).steepness[1:-1, 1:-1], expected[1:-1, 1:-1], atol=1e-12)


def test_a_cone_is_as_steep_on_every_side_away_from_its_tip() -> None:
    found = horn(cone(0.4)).steepness[1:-1, 1:-1]
    far = np.hypot(*np.meshgrid(np.arange(98) - 48.5, np.arange(78) - 38.5)) > 20
    assert np.abs(found[far] - 0.4).max() < 0.001


def test_a_step_shows_in_the_two_rows_beside_it_and_nowhere_else() -> None:
    found = horn(step(2.0)).steepness[1:-1, 1:-1]
    assert np.flatnonzero(found[:, 0]).tolist() == [38, 39]
    np.testing.assert_allclose(found[38:40], 2.0 / (2 * 1.0), atol=1e-12)


def test_a_bank_has_its_gradient_on_its_face_and_none_beside_it() -> None:
    found = horn(bank(4.0, 0.5)).steepness
    np.testing.assert_allclose(found[38:42, 5], 0.5, atol=1e-12)
    np.testing.assert_allclose(found[[10, 70], 5], 0.0, atol=1e-12)


def test_a_missing_height_takes_the_slope_of_all_nine_cells_around_it_and_no_more() -> None:
    found = horn(with_hole(plane(0.3), 20, 30)).steepness
    assert np.isnan(found[19:22, 29:32]).all()
    assert np.isnan(found[1:-1, 1:-1]).sum() == 9
    infinite = plane(0.3)
    infinite.z[20, 30] = np.inf
    assert np.isnan(horn(infinite).steepness[19:22, 29:32]).all()


def test_the_outer_ring_has_no_slope() -> None:
    found = horn(plane(0.3, grid=make_grid(5, 6))).steepness
    assert np.isfinite(found).sum() == 3 * 4


@pytest.mark.parametrize(("rows", "cols"), [(0, 0), (0, 5), (5, 0), (1, 5), (5, 2)])
def test_a_grid_too_small_for_neighbours_has_no_slope(rows: int, cols: int) -> None:
    grid = make_grid(rows, cols)
    found = horn(Heights(grid, np.full(grid.shape, 500.0)))
    assert found.gx.shape == found.gy.shape == (rows, cols)
    assert np.isnan(found.steepness).all()


def test_the_kernel_reads_as_the_plain_sum() -> None:
    heights = with_hole(rough(3, OBLONG), 7, 9, 3, 2)
    fast, plain = horn(heights), horn_plain(heights)
    np.testing.assert_allclose(fast.gx, plain.gx, rtol=0, atol=1e-12)
    np.testing.assert_allclose(fast.gy, plain.gy, rtol=0, atol=1e-12)


@settings(max_examples=25, deadline=None)
@given(shift=st.floats(-4000, 4000), seed=st.integers(0, 1000))
def test_a_constant_error_in_height_changes_nothing(shift: float, seed: int) -> None:
    """A constant error cancels (algebra)."""
    heights = rough(seed, make_grid(12, 14))
    moved = Heights(heights.grid, heights.z + shift)
    np.testing.assert_allclose(horn(moved).steepness, horn(heights).steepness, atol=1e-10)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 1000))
def test_terrain_turned_by_a_right_angle_turns_its_gradient(seed: int) -> None:
    heights = rough(seed, make_grid(12, 12))
    turned = horn(Heights(heights.grid, np.rot90(heights.z)))  # anticlockwise: east becomes north
    straight = horn(heights)
    np.testing.assert_allclose(turned.gy, np.rot90(straight.gx), atol=1e-12)
    np.testing.assert_allclose(turned.gx, -np.rot90(straight.gy), atol=1e-12)
