"""A field's figures: the one-pass kernel against its plain reading, and the definitions one by one."""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import cone, irregular, make_grid, plane, ridge, rough, with_hole

from atlas.grid import Floats, Heights
from atlas.terrain.classes import ClassTable
from atlas.terrain.coverage import covered_fractions
from atlas.terrain.slope import horn
from atlas.terrain.statistics import Tally, facing, tally, tally_plain

TABLE = ClassTable((8.0, 16.0, 24.0))


def counted(heights: Heights, covered: Floats, table: ClassTable = TABLE) -> Tally:
    return tally(heights, horn(heights), covered, table)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), holes=st.integers(0, 2))
def test_the_kernel_reads_as_the_plain_sum(seed: int, holes: int) -> None:
    grid = make_grid(40, 50, 1.0, 1.5)
    heights = with_hole(rough(seed, grid), 18, 20, 1 + seed % 3, 2)
    covered = covered_fractions(irregular(seed, grid, 0.15, holes=holes), grid)
    fast, plain = counted(heights, covered), tally_plain(heights, horn(heights), covered, TABLE)
    np.testing.assert_array_equal(fast.classes, plain.classes)
    for field in fields(Tally)[1:]:
        np.testing.assert_allclose(
            getattr(fast, field.name), getattr(plain, field.name), rtol=1e-10, atol=1e-9, err_msg=field.name
        )


def test_nothing_measured_counts_nothing() -> None:
    grid = make_grid(10, 10)
    heights = Heights(grid, np.full(grid.shape, np.nan))
    found = counted(heights, np.ones(grid.shape))
    assert found.weight == 0
    assert math.isnan(found.p95)
    assert found.per_class.tolist() == [0, 0, 0, 0, 100]
    assert facing(found) is None


def _steps(steepness: list[float]) -> tuple[Heights, Floats]:
    """One cell of known slope per value, each in the middle of its own tilted block, all of one covered weight."""
    grid = make_grid(3, 3 * len(steepness))
    z = np.zeros(grid.shape)
    covered = np.zeros(grid.shape)
    for k, g in enumerate(steepness):
        z[:, 3 * k : 3 * k + 3] = g * np.array([[2.0], [1.0], [0.0]])
        covered[1, 3 * k + 1] = 1.0
    return Heights(grid, z), covered


@pytest.mark.parametrize(("count", "expected"), [(20, 19), (100, 95), (10, 10), (21, 20), (1, 1)])
def test_the_95th_percentile_is_the_smallest_slope_that_covers_95_percent(count: int, expected: int) -> None:
    heights, covered = _steps([k / 1000 for k in range(1, count + 1)])
    assert counted(heights, covered).p95 == pytest.approx(expected / 1000, rel=1e-12)


def test_the_percentile_goes_by_covered_weight_not_by_cells() -> None:
    heights, covered = _steps([0.1, 0.2, 0.9])
    covered[covered > 0] = [0.90, 0.90, 0.05]
    assert counted(heights, covered).p95 == pytest.approx(0.2, rel=1e-12)
    covered[covered > 0] = [0.90, 0.90, 0.20]
    assert counted(heights, covered).p95 == pytest.approx(0.9, rel=1e-12)


def test_cells_covered_under_1_percent_count_in_areas_but_not_in_statistics() -> None:
    heights, covered = _steps([0.1, 0.9])
    covered[covered > 0] = [1.0, 0.009]
    found = counted(heights, covered)
    assert found.top == pytest.approx(0.1)
    assert found.sum_steep / found.weight == pytest.approx(0.1)
    assert found.per_class[3] == 0.009
    covered[covered > 0] = [1.0, 0.01]
    assert counted(heights, covered).top == pytest.approx(0.9)


@pytest.mark.parametrize("downhill", [0.0, 45.0, 180.0, 301.5])
def test_a_field_faces_where_it_falls(downhill: float) -> None:
    heights = plane(0.2, downhill)
    facing_deg = facing(counted(heights, np.ones(heights.grid.shape)))
    assert facing_deg == pytest.approx(downhill, abs=1e-6)


@pytest.mark.parametrize("heights", [plane(0.0), plane(0.009, 90.0), cone(0.4), ridge(0.4)])
def test_level_ground_a_round_hill_and_a_ridge_face_nowhere(heights: Heights) -> None:
    assert facing(counted(heights, np.ones(heights.grid.shape))) is None
