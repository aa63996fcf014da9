"""Reach and turning: closed forms, the kernels against their slow readings, and what may never open."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import make_grid, plane, rough
from shapely.geometry import Point

from atlas.driving import bits_kernel as bits
from atlas.driving import reach_kernel as rk
from atlas.driving.reach import cut_off, no_turn, ways_up_and_down
from atlas.grid import Floats, Grid, Mask
from atlas.terrain.d8 import step_lengths

GRID = make_grid(60, 50)


def ground(rows: slice, cols: slice, grid: Grid = GRID) -> Mask:
    out = np.zeros(grid.shape, dtype=np.bool_)
    out[rows, cols] = True
    return out


def at(row: float, col: float, grid: Grid = GRID) -> Point:
    """The outer corner of a cell, or a place between."""
    return Point(grid.west + col * grid.cell_x, grid.north - row * grid.cell_y)


@pytest.mark.parametrize("width", [0.5, 1.0, 2.3, 3.0, 5.0])
def test_a_field_with_a_gate_is_reached_into_its_corners(width: float) -> None:
    field = ground(slice(10, 50), slice(10, 40))
    lost = cut_off(field, GRID, [at(10, 20)], width)
    assert lost is not None
    assert not lost.any()


def test_without_ways_in_nothing_is_said() -> None:
    assert cut_off(ground(slice(10, 50), slice(10, 40)), GRID, [], 2.3) is None


@pytest.mark.parametrize(("north_of_field", "reached"), [(0.0, True), (4.9, True), (5.1, False), (12.0, False)])
def test_a_way_in_counts_within_five_metres(north_of_field: float, reached: bool) -> None:
    field = ground(slice(20, 50), slice(10, 40))
    lost = cut_off(field, GRID, [at(20 - north_of_field, 25)], 2.0)
    assert lost is not None
    assert lost.any() != reached
    assert (lost == field).all() != reached


def test_a_ridge_cuts_a_field_in_two() -> None:
    field = ground(slice(5, 55), slice(5, 45))
    ridge = ground(slice(28, 31), slice(0, 50))
    lost = cut_off(field & ~ridge, GRID, [at(5, 20)], 2.3)
    assert lost is not None
    np.testing.assert_array_equal(lost, field & ground(slice(31, 60), slice(0, 50)))
    both = cut_off(field & ~ridge, GRID, [at(5, 20), at(55, 20)], 2.3)
    assert both is not None
    assert not both.any()


@pytest.mark.parametrize("thick", [1, 2])
def test_even_a_thin_barrier_cuts(thick: int) -> None:
    field = ground(slice(5, 55), slice(5, 45))
    field[30 : 30 + thick] = False
    lost = cut_off(field, GRID, [at(5, 20)], 4.0)
    assert lost is not None
    np.testing.assert_array_equal(lost, field & ground(slice(30, 60), slice(0, 50)))


@pytest.mark.parametrize(
    ("neck_cells", "width", "passes"),
    [(3, 2.9, True), (3, 3.0, True), (3, 3.1, False), (1, 0.9, True), (5, 5.1, False)],
)
def test_a_neck_lets_through_what_is_no_wider(neck_cells: int, width: float, passes: bool) -> None:
    field = ground(slice(5, 25), slice(5, 45)) | ground(slice(35, 55), slice(5, 45))
    field |= ground(slice(25, 35), slice(20, 20 + neck_cells))
    lost = cut_off(field, GRID, [at(5, 20)], width)
    assert lost is not None
    beyond = ground(slice(40, 55), slice(5, 45))
    assert (lost & beyond).any() != passes
    assert lost[beyond].all() != passes


def test_a_strip_too_narrow_leads_nowhere() -> None:
    field = ground(slice(5, 25), slice(5, 45)) | ground(slice(25, 55), slice(20, 22))
    lost = cut_off(field, GRID, [at(5, 20)], 2.3)
    assert lost is not None
    assert lost[30:55, 20:22].all()
    assert not lost[5:25].any()


def strip_field(turning_rows: int, turning_cols: int) -> tuple[Mask, Mask, Floats]:
    """A strip 6 m wide that falls south, driven straight up and down, with open ground at its foot."""
    up_down = ground(slice(10, 40), slice(20, 26))
    any_way = ground(slice(40, 40 + turning_rows), slice(23 - turning_cols // 2, 23 + (turning_cols + 1) // 2))
    return up_down, any_way, plane(0.3, 180.0, GRID).z


@pytest.mark.parametrize(("rows", "cols", "room"), [(9, 9, True), (11, 13, True), (8, 20, False), (20, 7, False)])
def test_a_strip_with_and_without_a_turning_place(rows: int, cols: int, room: bool) -> None:
    up_down, any_way, z = strip_field(rows, cols)
    stuck = no_turn(up_down, any_way, z, GRID, 4.5)
    np.testing.assert_array_equal(stuck, np.zeros_like(up_down) if room else up_down)


def test_a_turning_place_at_the_top_serves_as_well() -> None:
    up_down = ground(slice(20, 50), slice(20, 26))
    any_way = ground(slice(9, 20), slice(17, 29))
    assert not no_turn(up_down, any_way, plane(0.3, 180.0, GRID).z, GRID, 4.5).any()


def test_a_turning_place_beside_the_way_down_does_not() -> None:
    up_down = ground(slice(10, 40), slice(20, 26))
    any_way = ground(slice(41, 55), slice(17, 29))  # a row of closed ground between
    np.testing.assert_array_equal(no_turn(up_down, any_way, plane(0.3, 180.0, GRID).z, GRID, 4.5), up_down)


def test_only_part_of_a_slope_leads_to_the_turning_place() -> None:
    up_down = ground(slice(10, 40), slice(10, 40))
    any_way = ground(slice(40, 52), slice(10, 25))
    stuck = no_turn(up_down, any_way, plane(0.3, 180.0, GRID).z, GRID, 4.5)
    # the circle swept in the turning place leaves its corners, so the last columns run past it
    assert not stuck[:, 10:20].any()
    assert stuck[10:40, 25:40].all()


def test_a_turning_circle_of_nothing_needs_a_cell() -> None:
    up_down, any_way, z = strip_field(1, 6)
    assert not no_turn(up_down, any_way, z, GRID, 0.0).any()
    np.testing.assert_array_equal(no_turn(up_down, any_way & False, z, GRID, 0.0), up_down)


def test_no_steep_ground_no_answer_needed() -> None:
    nothing = np.zeros(GRID.shape, dtype=np.bool_)
    assert not no_turn(nothing, ~nothing, plane(0.1, 90.0, GRID).z, GRID, 4.5).any()


def patchy(seed: int, grid: Grid, share: float, size: int = 6) -> Mask:
    draw = np.random.default_rng(seed)
    blocks = draw.random((grid.rows // size + 1, grid.cols // size + 1)) < share
    return np.kron(blocks, np.ones((size, size), dtype=np.bool_))[: grid.rows, : grid.cols].astype(np.bool_)


@given(
    seed=st.integers(0, 10_000),
    radius=st.one_of(st.just(0.0), st.floats(0.1, 6.0), st.sampled_from([0.5, 1.0, 1.5, 2.0])),
    cells=st.sampled_from([(1.0, 1.0), (0.5, 1.0), (2.0, 0.7), (0.5, 0.5)]),
    shape=st.sampled_from([(30, 33), (1, 1), (3, 64), (20, 63), (7, 65), (25, 128), (9, 193)]),
)
@settings(max_examples=80, deadline=None)
def test_discs_agree_with_their_slow_readings(
    seed: int, radius: float, cells: tuple[float, float], shape: tuple[int, int]
) -> None:
    grid = make_grid(*shape, *cells)
    mask = patchy(seed, grid, 0.7) ^ (np.random.default_rng(seed).random(grid.shape) < 0.02)
    half, disc = rk.disc_rows(radius, *cells), rk.disc_plain(radius, *cells)
    packed, cols = bits.pack(mask), grid.cols
    np.testing.assert_array_equal(bits.unpack(packed, cols), mask)
    np.testing.assert_array_equal(bits.unpack(bits.shrink(packed, half, cols), cols), rk.shrink_plain(mask, disc))
    np.testing.assert_array_equal(bits.unpack(bits.grow(packed, half, cols), cols), rk.grow_plain(mask, disc))


@given(seed=st.integers(0, 10_000), shape=st.sampled_from([(26, 31), (2, 3), (40, 64), (12, 65), (9, 200)]))
@settings(max_examples=50, deadline=None)
def test_floods_and_paths_agree_with_their_slow_readings(seed: int, shape: tuple[int, int]) -> None:
    grid = make_grid(*shape, 1.0, 0.8)
    mask, seeds = patchy(seed, grid, 0.6, 3), patchy(seed + 1, grid, 0.1, 2)
    flooded = bits.unpack(bits.flood(bits.pack(mask), bits.pack(seeds)), grid.cols)
    np.testing.assert_array_equal(flooded, rk.flood_plain(mask, seeds))
    asked = patchy(seed + 2, grid, 0.5, 2)
    z, length = rough(seed, grid).z, step_lengths(grid)
    for to, sign in zip(ways_up_and_down(z, grid), (1.0, -1.0), strict=True):
        found = rk.reaches(to, mask, seeds & mask, np.flatnonzero(asked))
        np.testing.assert_array_equal(found, rk.reaches_plain(z, mask, seeds & mask, length, sign) & asked)


def test_a_flood_follows_a_winding_way_across_words() -> None:
    """One cell wide, back and forth over rows of three words and up again: every turn asks for another sweep."""
    way = np.zeros((41, 150), dtype=np.bool_)
    way[::2] = True
    way[1::4, -1] = way[3::4, 0] = True
    way[:, 70:74] = False
    way[::8, 70:74] = True
    start = np.zeros_like(way)
    start[0, 0] = True
    found = bits.unpack(bits.flood(bits.pack(way), bits.pack(start)), 150)
    np.testing.assert_array_equal(found, rk.flood_plain(way, start))
    assert 0 < found.sum() < way.sum()


@given(seed=st.integers(0, 10_000), width=st.floats(0.5, 5.0), row=st.integers(0, 59), col=st.integers(0, 49))
@settings(max_examples=40, deadline=None)
def test_closing_more_ground_never_brings_ground_into_reach(seed: int, width: float, row: int, col: int) -> None:
    drivable = patchy(seed, GRID, 0.75)
    fewer = drivable & ~ground(slice(row, row + 7), slice(col, col + 7))
    gates = [at(3, 3), at(50, 45)]
    before, after = cut_off(drivable, GRID, gates, width), cut_off(fewer, GRID, gates, width)
    assert before is not None
    assert after is not None
    assert not (before & fewer & ~after).any()


@given(seed=st.integers(0, 10_000), radius=st.floats(0.5, 6.0), row=st.integers(0, 59), col=st.integers(0, 49))
@settings(max_examples=30, deadline=None)
def test_closing_more_ground_never_makes_room_to_turn(seed: int, radius: float, row: int, col: int) -> None:
    any_way, z = patchy(seed, GRID, 0.6), rough(seed, GRID).z
    up_down = patchy(seed + 1, GRID, 0.6) & ~any_way
    gone = ground(slice(row, row + 7), slice(col, col + 7))
    before, after = (
        no_turn(up_down, any_way, z, GRID, radius),
        no_turn(up_down & ~gone, any_way & ~gone, z, GRID, radius),
    )
    assert not (before & ~gone & ~after).any()


@given(seed=st.integers(0, 10_000), turns=st.integers(1, 3))
@settings(max_examples=15, deadline=None)
def test_turning_the_terrain_turns_reach_and_room(seed: int, turns: int) -> None:
    grid = make_grid(40, 40)
    z, any_way = rough(seed, grid).z, patchy(seed, grid, 0.7)
    up_down = patchy(seed + 1, grid, 0.5) & ~any_way
    gate = (4.0, 17.0)
    angle = np.radians(90 * turns)  # np.rot90 turns counter-clockwise
    turned = (gate[0] * np.cos(angle) - gate[1] * np.sin(angle), gate[0] * np.sin(angle) + gate[1] * np.cos(angle))
    mid_x, mid_y = grid.west + grid.cols / 2, grid.north - grid.rows / 2
    here = cut_off(any_way, grid, [Point(mid_x + gate[0], mid_y + gate[1])], 2.3)
    there = cut_off(np.rot90(any_way, turns).copy(), grid, [Point(mid_x + turned[0], mid_y + turned[1])], 2.3)
    assert here is not None
    assert there is not None
    np.testing.assert_array_equal(there, np.rot90(here, turns))
    stuck = no_turn(up_down, any_way, z, grid, 3.0)
    stuck_there = no_turn(
        np.rot90(up_down, turns).copy(), np.rot90(any_way, turns).copy(), np.rot90(z, turns).copy(), grid, 3.0
    )
    np.testing.assert_array_equal(stuck_there, np.rot90(stuck, turns))
