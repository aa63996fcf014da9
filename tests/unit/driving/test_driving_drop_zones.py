"""What drops close and how they are drawn: distances and sides in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from made import make_grid, middle_xy, plane, rectangle, rough, step, terrace_above_wall, with_hole

from atlas.driving.drop_zones import Closures, close_kernel, close_plain, drop_closures, drop_lines
from atlas.driving.records import Reason
from atlas.grid import Floats, Heights, Mask
from atlas.terrain.drops import DropMap, find_drops
from atlas.terrain.slope import horn

GRID = make_grid(60, 50)
WALL_ROW = 29


def found(heights: Heights, limit: float = 0.8, walls: Mask | None = None) -> DropMap:
    none = np.zeros(heights.grid.shape, dtype=np.bool_)
    return find_drops(heights, horn(heights), none if walls is None else walls, limit, 20.0, 1.0)


def closed_rows(closures: Closures) -> list[int]:
    return [int(r) for r in np.flatnonzero(closures.keep_out[:, 25])]


@pytest.mark.parametrize(
    ("wall_m", "half_extent_m", "rows_up"),
    [(2.0, 0.5, 2), (2.0, 1.5, 2), (2.0, 2.2, 3), (2.0, 4.0, 5), (4.9, 1.0, 4), (5.0, 1.0, 5), (9.0, 1.0, 5)],
)
def test_the_larger_of_half_the_machine_and_a_metre_or_the_height(
    wall_m: float, half_extent_m: float, rows_up: int
) -> None:
    closures = drop_closures(found(step(wall_m, GRID)), half_extent_m)
    assert closed_rows(closures) == list(range(WALL_ROW - rows_up, WALL_ROW + 1))


def test_the_ground_at_the_foot_of_a_wall_stays_as_it_was() -> None:
    closures = drop_closures(found(terrace_above_wall(0.2, 3.0, GRID)), 3.0)
    assert closures.keep_out[WALL_ROW].all()
    assert not closures.keep_out[WALL_ROW + 1 :].any()
    assert set(np.unique(closures.keep_out_reason)) == {0, Reason.DROP}


def test_ground_whose_straight_way_down_ends_at_a_drop_is_named_as_such() -> None:
    closures = drop_closures(found(terrace_above_wall(0.2, 3.0, GRID)), 1.0)
    assert closures.falls_to_drop[WALL_ROW - 20 : WALL_ROW + 1].all()
    assert not closures.falls_to_drop[: WALL_ROW - 20].any()
    assert (closures.falls_reason[closures.falls_to_drop] == Reason.DROP_BELOW).all()


def test_an_unknown_edge_closes_as_a_drop_of_unknown_height() -> None:
    closures = drop_closures(found(with_hole(plane(0.2, 180.0, GRID), 40, 0, 20, GRID.cols)), 1.0)
    assert closed_rows(closures) == list(range(34, 40))
    assert (closures.keep_out_reason[closures.keep_out] == Reason.UNKNOWN_EDGE).all()
    assert (closures.falls_reason[19:40] == Reason.UNKNOWN_EDGE).all()


def test_a_road_cut_past_the_edge_closes_ground_in_the_field() -> None:
    # the field's south edge lies at row 40; the cut, 2 m deep and 4 m wide, lies `past` metres south of it
    field = np.zeros(GRID.shape, dtype=np.bool_)
    field[5:40] = True

    def inside(past: int) -> tuple[int, int]:
        z = plane(0.2, 180.0, GRID).z
        z[40 + past : 44 + past] -= 2.0
        closures = drop_closures(found(Heights(GRID, z)), 1.5)
        return int((closures.keep_out & field).any(axis=1).sum()), int(
            (closures.falls_to_drop & field).any(axis=1).sum()
        )

    assert inside(1) == (2, 20)  # the drop's own row is past the edge: two rows of 2.5 m, 20 that lead there
    assert inside(2) == (1, 19)
    assert inside(12) == (0, 9)


@given(seed=st.integers(0, 5_000), small=st.floats(0.3, 4.0), more=st.floats(0.0, 3.0))
@settings(max_examples=20, deadline=None)
def test_a_larger_machine_never_opens_ground(seed: int, small: float, more: float) -> None:
    drops = found(rough(seed, make_grid(40, 40)), 0.25)
    assert not (drop_closures(drops, small).keep_out & ~drop_closures(drops, small + more).keep_out).any()


@given(seed=st.integers(0, 5_000), deeper=st.floats(0.0, 6.0))
@settings(max_examples=25, deadline=None)
def test_a_deeper_bank_never_opens_the_ground_above_it(seed: int, deeper: float) -> None:
    grid = make_grid(40, 40)
    _, y = middle_xy(grid)
    z = rough(seed, grid, relief_m=4.0).z + 0.25 * y
    before = drop_closures(found(Heights(grid, z - np.where(y < 0, 1.5, 0.0))), 1.0)
    after = drop_closures(found(Heights(grid, z - np.where(y < 0, 1.5 + deeper, 0.0))), 1.0)
    assert not (before.keep_out & ~after.keep_out & (y > 0)).any()
    assert not (before.falls_to_drop & ~after.falls_to_drop & (y > 0)).any()


@given(seed=st.integers(0, 5_000), turns=st.integers(1, 3))
@settings(max_examples=15, deadline=None)
def test_turning_the_terrain_turns_what_is_closed(seed: int, turns: int) -> None:
    grid = make_grid(40, 40)
    heights = with_hole(rough(seed, grid), 12, 3, 4, 2)
    here = drop_closures(found(heights, 0.25), 1.3)
    there = drop_closures(found(Heights(grid, np.rot90(heights.z, turns).copy()), 0.25), 1.3)
    np.testing.assert_array_equal(there.keep_out_reason, np.rot90(here.keep_out_reason, turns))
    np.testing.assert_array_equal(there.falls_reason, np.rot90(here.falls_reason, turns))


def test_a_missing_height_never_opens_ground() -> None:
    heights = terrace_above_wall(0.2, 2.0, GRID)
    before = drop_closures(found(heights), 1.5)
    for row, col in ((20, 20), (WALL_ROW, 10), (WALL_ROW + 1, 30)):
        holed = with_hole(heights, row, col)
        after = drop_closures(found(holed), 1.5)
        assert not (before.keep_out & ~after.keep_out & ~np.isnan(holed.z)).any()


def test_lines_run_along_the_top_with_the_drop_on_the_right() -> None:
    heights = terrace_above_wall(0.2, 2.0, GRID)
    field = rectangle(GRID, 21.0, 25.0, 29.0, 55.0)
    lines = drop_lines(found(heights), field)
    (line,) = lines.drops
    assert lines.figures.length_m == pytest.approx(line.length)
    assert lines.figures.length_m == pytest.approx(8 + 2 * np.sqrt(20**2 - 0**2), abs=0.5)  # 20 m past each side
    assert not lines.unknown
    assert lines.figures.unknown_m == 0
    (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
    assert y0 == y1 == pytest.approx(GRID.north - WALL_ROW)
    assert x0 < x1  # eastwards: the right hand is south, where it falls


@pytest.mark.parametrize("towards", [0.0, 45.0, 90.0, 160.0, 225.0, 300.0])
def test_teeth_point_down_whichever_way_the_wall_faces(towards: float) -> None:
    grid = make_grid(80, 80)
    x, y = middle_xy(grid)
    along = x * np.sin(np.radians(towards)) + y * np.cos(np.radians(towards))  # grows downhill
    heights = Heights(grid, 500 - 0.1 * along - np.where(along > 0, 3.0, 0.0))
    lines = drop_lines(found(heights), rectangle(grid, 30.0, 30.0, 50.0, 50.0))
    assert lines.drops
    for line in lines.drops:
        right = shapely.offset_curve(line, -1.2).centroid
        left = shapely.offset_curve(line, 1.2).centroid
        assert _down(right.x, grid.west, right.y, grid.north, towards) > _down(
            left.x, grid.west, left.y, grid.north, towards
        )
    total = lines.figures.length_m
    assert total == pytest.approx(20 + 40, rel=0.45)
    assert total >= 45


def _down(x: float, west: float, y: float, north: float, towards: float) -> float:
    return float((x - west) * np.sin(np.radians(towards)) + (y - north) * np.cos(np.radians(towards)))


def test_unknown_edges_are_measured_only_near_the_field() -> None:
    heights = with_hole(plane(0.2, 180.0, GRID), 45, 0, 15, GRID.cols)
    near = drop_lines(found(heights), rectangle(GRID, 20.0, 20.0, 30.0, 50.0))
    assert near.figures.unknown_m > 10
    far = drop_lines(found(heights), rectangle(GRID, 20.0, 40.0, 30.0, 50.0))
    assert far.figures.unknown_m == 0


def test_no_drops_no_lines() -> None:
    lines = drop_lines(found(plane(0.2, 180.0, GRID)), rectangle(GRID, 10.0, 10.0, 30.0, 30.0))
    assert lines.drops == ()
    assert lines.figures.length_m == 0


@given(seed=st.integers(0, 5_000), beside=st.floats(0.5, 6.0), cells=st.sampled_from([(1.0, 1.0), (0.5, 0.8)]))
@settings(max_examples=20, deadline=None)
def test_the_kernel_agrees_with_its_slow_reading(seed: int, beside: float, cells: tuple[float, float]) -> None:
    grid = make_grid(30, 34, *cells)
    drops = found(with_hole(rough(seed, grid), 3, 20, 3, 2), 0.3)
    args = (drops.z, drops.drop, drops.height_m, drops.unknown, beside, 5.0, *cells)
    np.testing.assert_array_equal(close_kernel(*args), close_plain(*args))


def test_heights_are_not_changed() -> None:
    heights = with_hole(rough(5, GRID), 4, 4)
    kept: Floats = heights.z.copy()
    drop_closures(found(heights), 2.0)
    np.testing.assert_array_equal(heights.z, kept)
