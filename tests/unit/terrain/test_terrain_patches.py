"""Which patch joins which: small pictures worked out by hand, and the plain reading on random ground."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import irregular, make_grid, rough
from rasterio import features

from atlas.grid import Bytes, Floats, Grid
from atlas.terrain.classes import UNKNOWN, ClassTable
from atlas.terrain.coverage import covered_fractions
from atlas.terrain.patches import merge_plain, merge_small
from atlas.terrain.patches_kernel import label
from atlas.terrain.slope import horn


def picture(*rows: str) -> Bytes:
    """Classes from digits; '?' is unknown."""
    return np.array([[UNKNOWN if mark == "?" else int(mark) for mark in row] for row in rows], dtype=np.uint8)


def merged(classes: Bytes, least: float, cell_x: float = 1.0, cell_y: float = 1.0) -> list[str]:
    grid = make_grid(classes.shape[0], classes.shape[1], cell_x, cell_y)
    found = merge_small(classes, np.ones(classes.shape), grid, least)
    return ["".join("?" if kind == UNKNOWN else str(kind) for kind in row) for row in found]


def test_a_small_patch_joins_the_neighbour_with_the_longest_border() -> None:
    assert merged(picture("000222", "001222", "000222"), 2) == ["000222", "000222", "000222"]
    assert merged(picture("002222", "001222", "002222"), 2) == ["002222", "002222", "002222"]


def test_on_a_tie_it_joins_the_steeper() -> None:
    assert merged(picture("000", "000", "111", "222", "222"), 4) == ["000", "000", "222", "222", "222"]


def test_border_length_is_measured_in_metres_not_cells() -> None:
    classes = picture("222", "001")  # one cell side with the 2s above, one with the 0s on the left
    assert merged(classes, 1.5) == ["222", "002"]
    assert merged(classes, 4, cell_x=1.0, cell_y=3.0) == ["222", "000"]
    assert merged(classes, 4, cell_x=3.0, cell_y=1.0) == ["222", "002"]


def test_the_smallest_goes_first_and_may_save_the_next() -> None:
    # seven cells of 2 are too few, but the single 1 goes before them and makes them eight
    assert merged(picture("0000000", "0222200", "0212200"), 8) == ["0000000", "0222200", "0222200"]
    assert merged(picture("0000000", "0222200", "0212200"), 9) == ["0000000", "0000000", "0000000"]


def test_patches_touching_at_a_corner_are_two() -> None:
    assert merged(picture("10000", "01000", "00000"), 2) == ["00000", "00000", "00000"]


def test_ground_of_unknown_slope_neither_joins_nor_is_joined() -> None:
    assert merged(picture("0000", "0?00", "0000"), 3) == ["0000", "0?00", "0000"]
    assert merged(picture("???", "?1?", "???"), 5) == ["???", "?1?", "???"]


def test_a_field_smaller_than_a_patch_stays_as_it_is() -> None:
    assert merged(picture("11", "11"), 100) == ["11", "11"]


def test_the_area_of_a_patch_is_what_the_field_covers_of_it() -> None:
    classes = picture("000", "010", "000", "000")
    covered = np.ones(classes.shape)
    covered[1, 1] = 0.5
    grid = make_grid(*classes.shape)
    assert merge_small(classes, covered, grid, 0.5)[1, 1] == 1
    assert merge_small(classes, covered, grid, 0.6)[1, 1] == 0


def test_cells_outside_the_field_link_nothing() -> None:
    classes = picture("11011", "00000")
    covered = np.ones(classes.shape)
    covered[1] = 0  # nothing but the top row is field
    covered[0, 2] = 0
    grid = make_grid(*classes.shape)
    assert merge_small(classes, covered, grid, 3)[0].tolist() == [1, 1, 0, 1, 1]


def test_no_least_size_changes_nothing() -> None:
    classes = picture("010", "202")
    assert merged(classes, 0) == ["010", "202"]


def _field(seed: int, grid: Grid, hectares: float) -> tuple[Bytes, Floats]:
    classes = ClassTable((8.0, 16.0, 24.0)).sort(horn(rough(seed, grid, relief_m=8)).steepness)
    return classes, covered_fractions(irregular(seed, grid, hectares, holes=seed % 3), grid)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), least=st.sampled_from([5.0, 20.0, 100.0]))
def test_the_kernel_reads_as_the_plain_sum_and_keeps_the_total(seed: int, least: float) -> None:
    grid = make_grid(36, 40)
    classes, covered = _field(seed, grid, 0.06)
    fast = merge_small(classes, covered, grid, least)
    np.testing.assert_array_equal(fast, merge_plain(classes, covered, grid, least))
    assert ((fast == UNKNOWN) == (classes == UNKNOWN)).all()


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_on_random_specks_too(seed: int) -> None:
    draw = np.random.default_rng(seed)
    classes = draw.choice(np.array([0, 1, 2, UNKNOWN], dtype=np.uint8), (9, 11), p=[0.4, 0.3, 0.2, 0.1])
    covered = draw.choice([0.0, 0.25, 1.0], (9, 11), p=[0.1, 0.2, 0.7])
    grid = make_grid(9, 11, 1.0, 2.0)
    np.testing.assert_array_equal(merge_small(classes, covered, grid, 10), merge_plain(classes, covered, grid, 10))


def test_no_small_patch_is_left_that_has_a_neighbour() -> None:
    grid = make_grid(120, 140)
    classes, covered = _field(5, grid, 0.9)
    found = merge_small(classes, covered, grid, 100)
    np.testing.assert_array_equal(merge_small(found, covered, grid, 100), found)
    assert (found != classes).any()
    assert np.bincount(found.ravel(), covered.ravel()).sum() == pytest.approx(covered.sum())


def test_patches_are_those_another_library_finds() -> None:
    """Rasterio's (GDAL's) outlines of equal 4-connected cells, drawn back onto the grid."""
    grid = make_grid(70, 80)
    for seed in range(5):
        classes, covered = _field(seed, grid, 0.3)
        labels, count = label(classes, covered)
        outlines = [shape for shape, _ in features.shapes(classes, mask=covered > 0, connectivity=4)]
        theirs = features.rasterize(
            [(shape, i + 1) for i, shape in enumerate(outlines)], grid.shape, dtype="int32"
        )
        assert count == len(outlines)
        assert (labels[covered == 0] == -1).all()
        pairs = np.unique(np.column_stack([labels.ravel(), theirs.ravel()]), axis=0)
        assert len(pairs) == count + 1  # one to one, and outside to outside
        firsts = np.unique(labels, return_index=True)[1][1:]
        assert (np.diff(firsts) > 0).all()
