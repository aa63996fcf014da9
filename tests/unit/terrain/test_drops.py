"""Drops: closed forms either side of each rule, kernels against their slow readings, and what may never open."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import bank, make_grid, middle_xy, plane, rough, step, terrace_above_wall, with_hole

from atlas.grid import Heights, Mask
from atlas.terrain.d8 import steepest_down, steepest_kernel, steepest_plain, step_lengths
from atlas.terrain.drops import DropMap, find_drops
from atlas.terrain.drops_kernel import mark_drops, mark_drops_plain, mark_unknown, trace_down_plain, trace_up
from atlas.terrain.slope import horn

SMALL = make_grid(60, 50)
WALL_ROW = 29  # the last row north of the middle of SMALL
AZIMUTHS = (0.0, 11.0, 22.5, 45.0, 77.0, 90.0, 131.0, 180.0, 202.5, 270.0, 333.0)


def found(heights: Heights, limit: float = 0.8, fall_m: float = 1.0, walls: Mask | None = None) -> DropMap:
    none = np.zeros(heights.grid.shape, dtype=np.bool_)
    return find_drops(heights, horn(heights), none if walls is None else walls, limit, 20.0, fall_m)


def rows_of(mask: Mask) -> list[int]:
    """Rows that the mask fills from side to side; a row filled in part would be a surprise."""
    full, some = mask.all(axis=1), mask.any(axis=1)
    assert (full == some).all()
    return [int(r) for r in np.flatnonzero(full)]


def test_a_wall_inside_a_field_is_a_drop_within_its_cell() -> None:
    # Horn sees (1.3 + 2·0.1)/2 = 75 % in the two rows that touch the wall, under the limit; the step is 140 %
    drops = found(terrace_above_wall(0.1, 1.3, SMALL))
    assert rows_of(drops.drop) == [WALL_ROW]
    assert drops.height_m[WALL_ROW] == pytest.approx(1.4, abs=1e-6)
    assert rows_of(drops.ends_at >= 0) == list(range(WALL_ROW - 20, WALL_ROW + 1))
    assert drops.run_m[WALL_ROW - 7] == pytest.approx(7.0)
    assert (drops.ends_at[WALL_ROW - 7] == WALL_ROW * SMALL.cols + np.arange(SMALL.cols)).all()


@pytest.mark.parametrize(("wall_m", "is_drop"), [(0.88, False), (0.92, True)])
def test_a_drop_falls_at_least_the_set_fall(wall_m: float, is_drop: bool) -> None:
    assert found(terrace_above_wall(0.1, wall_m, SMALL)).drop.any() == is_drop


@pytest.mark.parametrize(("gradient", "is_drop"), [(0.79, False), (0.8, False), (0.81, True)])
def test_a_bank_is_a_drop_only_past_the_limit_of_hand_work(gradient: float, is_drop: bool) -> None:
    assert found(bank(8.1 * gradient, gradient, SMALL)).drop.any() == is_drop


@pytest.mark.parametrize("towards", AZIMUTHS)
@pytest.mark.parametrize("gradient", [0.05, 0.5, 0.78, 0.82, 1.0])
def test_a_plane_is_a_drop_wherever_it_faces(gradient: float, towards: float) -> None:
    inner = found(plane(gradient, towards, SMALL)).drop[5:-5, 5:-5]
    assert inner.all() if gradient > 0.8 else not inner.any()


@pytest.mark.parametrize(("fall", "counted"), [(1.5, 1.5), (4.9, 4.9), (5.0, 5.0), (5.1, 5.0), (40.0, 5.0)])
def test_a_drop_counts_up_to_five_metres(fall: float, counted: float) -> None:
    drops = found(terrace_above_wall(0.0, fall, SMALL))
    assert drops.height_m.max() == pytest.approx(counted, abs=1e-6)


def test_steps_that_ease_in_between_are_not_added_up() -> None:
    _, y = middle_xy(SMALL)
    stairs = Heights(SMALL, 500 + 0.9 * np.floor(y / 2))  # 0.9 m falls with a level cell between
    assert not found(stairs).drop.any()
    assert found(stairs, fall_m=0.9).drop.any()


def test_ground_below_and_level_ground_above_a_wall_lead_to_no_drop() -> None:
    assert not (found(terrace_above_wall(0.1, 1.3, SMALL)).ends_at[WALL_ROW + 1 :] >= 0).any()
    level = found(step(2.0, SMALL))
    assert rows_of(level.ends_at >= 0) == [WALL_ROW]  # nothing slides on level ground


def test_ground_that_falls_away_from_the_wall_does_not_lead_to_it() -> None:
    _, y = middle_xy(SMALL)
    away = Heights(SMALL, 500 - 0.3 * y + np.where(y > 0, 30.0, 0.0))
    assert rows_of(found(away).ends_at >= 0) == [WALL_ROW]


def test_a_marked_wall_is_a_drop_for_what_would_run_into_it() -> None:
    walls = np.zeros(SMALL.shape, dtype=np.bool_)
    walls[30:33, 20:26] = True
    drops = found(plane(0.3, 180.0, SMALL), walls=walls)
    at = np.argwhere(drops.drop)
    assert sorted(map(tuple, at)) == [(29, c) for c in range(20, 26)]
    assert not drops.height_m.any()
    assert (drops.ends_at[9:30, 20:26] >= 0).all()
    assert (drops.ends_at >= 0).sum() == 21 * 6


@pytest.mark.parametrize(("limit", "is_drop"), [(0.8, False), (0.5, True)])
def test_slippery_ground_counts_gentler_banks(limit: float, is_drop: bool) -> None:
    assert found(bank(6.0, 0.6, SMALL), limit=limit).drop.any() == is_drop


def test_an_edge_of_measured_ground_is_unknown_and_leads_like_a_drop() -> None:
    drops = found(with_hole(plane(0.2, 180.0, SMALL), 40, 0, 20, SMALL.cols))
    assert rows_of(drops.unknown) == [39]
    assert rows_of(drops.ends_at >= 0) == list(range(19, 40))
    assert not drops.drop.any()


@given(seed=st.integers(0, 10_000), limit=st.sampled_from([0.1, 0.2, 0.5]))
@settings(max_examples=25, deadline=None)
def test_kernels_agree_with_their_slow_readings(seed: int, limit: float) -> None:
    grid = make_grid(24, 31, 1.0, 0.8)
    heights = with_hole(rough(seed, grid), seed % 20, seed % 27, 3, 4)
    length = step_lengths(grid)
    to, fall = steepest_kernel(heights.z, length)
    plain_to, plain_fall = steepest_plain(heights.z, length)
    assert (to == plain_to).all()
    np.testing.assert_array_equal(fall, plain_fall)
    walls = np.random.default_rng(seed).random(grid.shape) < 0.02
    args = (heights.z, to, fall > limit, walls, length, 9.0, 0.3, 5.0)
    drop, height = mark_drops(*args)
    plain_drop, plain_height = mark_drops_plain(*args)
    assert (drop == plain_drop).all()
    np.testing.assert_array_equal(height, plain_height)
    ends = drop | mark_unknown(heights.z)
    for got, want in zip(trace_up(ends, to, length, 9.0), trace_down_plain(ends, to, length, 9.0), strict=True):
        np.testing.assert_array_equal(got, want)


@given(
    gradient=st.floats(0.05, 0.6),
    across=st.floats(-0.04, 0.04),
    deeper=st.floats(0.0, 6.0),
    wall=st.floats(0.0, 3.0),
)
@settings(max_examples=60, deadline=None)
def test_a_deeper_bank_never_unmarks_the_ground_above_it(
    gradient: float, across: float, deeper: float, wall: float
) -> None:
    """On even slopes. On rough ground a deeper bank may draw the steepest way, and with it a drop, elsewhere:
    4 of 600 random grounds moved one, by 3 m at most. DEVELOPERS.md names it among the limits."""
    grid = make_grid(40, 40)
    x, y = middle_xy(grid)
    z = gradient * y + across * x
    before = found(Heights(grid, z - np.where(y < 0, wall, 0.0)))
    after = found(Heights(grid, z - np.where(y < 0, wall + deeper, 0.0)))
    above = y > 0
    assert not (before.drop & ~after.drop & above).any()
    assert not ((before.ends_at >= 0) & (after.ends_at < 0) & above).any()
    assert (after.height_m[before.drop & above] >= before.height_m[before.drop & above] - 1e-5).all()


@given(seed=st.integers(0, 10_000), row=st.integers(0, 36), col=st.integers(0, 36))
@settings(max_examples=25, deadline=None)
def test_one_more_wall_never_unmarks_ground(seed: int, row: int, col: int) -> None:
    grid = make_grid(40, 40)
    heights = rough(seed, grid)
    walls = np.zeros(grid.shape, dtype=np.bool_)
    walls[row : row + 4, col : col + 4] = True
    before, after = found(heights, 0.3, 0.3), found(heights, 0.3, 0.3, walls)
    outside = ~walls
    assert not ((before.ends_at >= 0) & (after.ends_at < 0) & outside).any()


@given(seed=st.integers(0, 10_000), turns=st.integers(1, 3))
@settings(max_examples=20, deadline=None)
def test_turning_the_terrain_turns_the_drops(seed: int, turns: int) -> None:
    grid = make_grid(40, 40)
    heights = with_hole(rough(seed, grid), 5, 30, 2, 3)
    here = found(heights, 0.25, 0.4)
    there = found(Heights(grid, np.rot90(heights.z, turns).copy()), 0.25, 0.4)
    for name in ("drop", "unknown", "height_m", "run_m"):
        np.testing.assert_allclose(getattr(there, name), np.rot90(getattr(here, name), turns), rtol=1e-6)


def test_the_stretch_looked_at_ends_where_it_is_set_to() -> None:
    heights = plane(0.3, 180.0, SMALL)
    walls = np.zeros(SMALL.shape, dtype=np.bool_)
    walls[30] = True
    for within in (0.0, 1.0, 7.5):
        drops = find_drops(heights, horn(heights), walls, 0.8, within, 1.0)
        assert rows_of(drops.ends_at >= 0) == list(range(29 - math.floor(within), 30))


def test_steepest_way_can_be_handed_in() -> None:
    heights = rough(3, SMALL)
    none = np.zeros(SMALL.shape, dtype=np.bool_)
    once = find_drops(heights, horn(heights), none, 0.3, 20.0, 0.5, steepest_down(heights))
    np.testing.assert_array_equal(once.ends_at, found(heights, 0.3, 0.5).ends_at)
