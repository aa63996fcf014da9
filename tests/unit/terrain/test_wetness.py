"""Likely wet places: where water gathers in made terrain, apart from each other and from what is marked."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import gully, make_grid, middle_xy, plane, rough, with_hole
from shapely.geometry import Point

from atlas.grid import Floats32, Grid, Heights
from atlas.terrain.slope import horn
from atlas.terrain.wetness import APART_M, AT_MOST, LikelyWet, box_mean_plain, likely_wet, smoothed

GRID = make_grid(120, 101)


def field(grid: Grid, margin: int = 20) -> Floats32:
    covered = np.zeros(grid.shape, dtype=np.float32)
    covered[margin:-margin, margin:-margin] = 1.0
    return covered


def found(heights: Heights, *marked: Point) -> tuple[LikelyWet, ...]:
    areas = [one.buffer(12.0) for one in marked]
    return likely_wet(heights, horn(heights), field(heights.grid), areas)


def test_the_floor_of_a_gully_comes_first() -> None:
    heights = gully(0.3, 0.1, GRID)
    places = found(heights)
    assert places
    middle = GRID.west + GRID.cols / 2
    assert all(abs(one.x - middle) < 3 for one in places)
    assert places[0].y < GRID.north - 80  # lowest of it first: most has gathered there


def test_of_two_hollows_the_one_with_more_ground_above_comes_first() -> None:
    x, y = middle_xy(GRID)
    two = 0.15 * y - 3.0 * np.exp(-(((x + 25) / 6) ** 2)) - 3.0 * np.exp(-(((x - 25) / 6) ** 2))
    shed = np.where((x > 0) & (y > 10), 6.0, 0.0)  # a step that leads water away above the eastern one
    places = found(Heights(GRID, 500 + two + shed * np.clip(x / 20, 0, 1)))
    assert places[0].x < GRID.west + GRID.cols / 2


def test_ranks_fall_with_the_index_and_places_lie_apart_inside_the_field() -> None:
    heights = rough(3, make_grid(200, 200))
    places = found(heights)
    assert [one.rank for one in places] == list(range(1, len(places) + 1))
    assert 2 <= len(places) <= AT_MOST
    assert all(a.index >= b.index for a, b in itertools.pairwise(places))
    for a, b in itertools.combinations(places, 2):
        assert np.hypot(a.x - b.x, a.y - b.y) >= APART_M
    inner = heights.grid.bounds.grown(-20)
    assert all(inner.west < one.x < inner.east and inner.south < one.y < inner.north for one in places)


def test_what_is_marked_already_is_not_suggested_again() -> None:
    heights = rough(3, make_grid(200, 200))
    first = found(heights)[0]
    others = found(heights, Point(first.x, first.y))
    assert others
    assert all(np.hypot(one.x - first.x, one.y - first.y) > 12.0 for one in others)


def test_a_bare_plane_suggests_its_foot_only() -> None:
    places = found(plane(0.2, 180.0, GRID))
    assert all(one.y < GRID.north - 90 for one in places)


def test_unmeasured_ground_and_a_field_outside_give_nothing() -> None:
    heights = with_hole(plane(0.2, 180.0, GRID), 0, 0, GRID.rows, GRID.cols)
    assert found(heights) == ()
    nowhere = np.zeros(GRID.shape, dtype=np.float32)
    assert likely_wet(gully(0.3, 0.1, GRID), horn(gully(0.3, 0.1, GRID)), nowhere) == ()


def test_level_ground_gives_finite_answers() -> None:
    assert all(np.isfinite(one.index) for one in found(plane(0.0, 0.0, GRID)))


@given(seed=st.integers(0, 1000), radius=st.sampled_from([1.0, 2.0, 4.0]))
@settings(max_examples=15, deadline=None)
def test_smoothing_agrees_with_its_slow_reading(seed: int, radius: float) -> None:
    heights = with_hole(rough(seed, make_grid(23, 31, 1.0, 0.5)), 4, 5, 3, 6)
    half_rows, half_cols = round(radius / 0.5), round(radius)
    np.testing.assert_allclose(
        smoothed(heights.z, heights.grid, radius), box_mean_plain(heights.z, half_rows, half_cols), rtol=1e-12
    )


def test_the_same_ground_gives_the_same_answer() -> None:
    heights = rough(8, make_grid(150, 150))
    assert found(heights) == found(heights)


@pytest.mark.parametrize("lift", [-400.0, 1000.0])
def test_height_above_the_sea_does_not_matter(lift: float) -> None:
    heights = rough(8, make_grid(150, 150))
    raised = found(Heights(heights.grid, heights.z + lift))
    assert [(one.x, one.y) for one in raised] == [(one.x, one.y) for one in found(heights)]
