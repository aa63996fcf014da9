"""Cell outlines: what is traced encloses exactly the cells it was made from."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from atlas.grid import Mask
from atlas.pages.picture_kernel import (
    leaving,
    leaving_plain,
    polyline_plain,
    polylines,
    rings_plain,
    strokes,
    strokes_plain,
)
from atlas.pages.picture_rings import rings_path

TENTHS = st.integers(-3, 3) | st.integers(-99999, 99999)


def cells_inside(path: str, rows: int, cols: int) -> Mask:
    """Even-odd filling by another road: every upright side flips all cells to its right."""
    flips = np.zeros((rows, cols + 1), dtype=np.int64)
    for ring in re.findall(r"M(\d+) (\d+)([^Mz]*)z", path):
        col, row = start_col, start_row = int(ring[0]), int(ring[1])
        steps = [(kind, int(n)) for kind, n in re.findall(r"([hv])(-?\d+)", ring[2])]
        for kind, by in steps:
            if kind == "h":
                col += by
            else:
                flips[min(row, row + by) : max(row, row + by), col] += 1
                row += by
        assert col == start_col, "the side that z closes must be upright"
        flips[min(row, start_row) : max(row, start_row), col] += 1
    return np.asarray(np.cumsum(flips, axis=1)[:, :cols] % 2 == 1)


@given(arrays(np.bool_, st.tuples(st.integers(1, 9), st.integers(1, 9))))
@settings(max_examples=300, deadline=None)
def test_outlines_enclose_the_cells_they_came_from(mask: Mask) -> None:
    assert np.array_equal(cells_inside(rings_path(mask), *mask.shape), mask)


@given(
    st.lists(
        arrays(np.int64, st.tuples(st.integers(1, 8), st.just(2)), elements=TENTHS),
        min_size=1, max_size=4,
    )
)  # fmt: skip
@settings(max_examples=300, deadline=None)
def test_lines_are_written_as_the_plain_reading_writes_them(lines: list[np.ndarray]) -> None:
    plain = [polyline_plain(line) for line in lines]
    ends = np.cumsum([len(line) for line in lines])
    for lone, kept in ((True, plain), (False, [p for p in plain if "l" in p])):
        assert polylines(np.concatenate(lines), ends, lone).tobytes().decode() == "".join(kept)


@given(arrays(np.bool_, st.tuples(st.integers(0, 9), st.integers(0, 9))))
@settings(max_examples=300, deadline=None)
def test_edges_leave_corners_as_the_plain_reading_says(mask: Mask) -> None:
    assert np.array_equal(leaving(mask), leaving_plain(mask))


def test_a_large_speckled_mask() -> None:
    mask = np.random.default_rng(7).random((180, 230)) < 0.5
    assert np.array_equal(cells_inside(rings_path(mask), *mask.shape), mask)


@pytest.mark.parametrize(
    ("rows", "path"),
    [
        (["....", "...."], ""),
        (["#"], "M0 0h1v1h-1z"),
        (["##", "##"], "M0 0h2v2h-2z"),
        (["#.", ".#"], "M0 0h1v1h-1zM1 1h1v1h-1z"),  # cells that meet at a corner stay apart
        ([".#", "#."], "M1 0h1v1h-1zM0 1h1v1h-1z"),
        (["###", "#.#", "###"], "M0 0h3v3h-3zM1 2h1v-1h-1z"),  # a hole runs the other way round
    ],
)
def test_known_outlines(rows: list[str], path: str) -> None:
    mask = np.array([[c == "#" for c in row] for row in rows])
    assert rings_path(mask) == path


def test_each_ring_keeps_to_cells_joined_by_a_side() -> None:
    """A chequerboard is as many rings as it has cells."""
    mask = np.indices((6, 6)).sum(axis=0) % 2 == 0
    assert rings_path(mask).count("M") == 18


@given(arrays(np.bool_, st.tuples(st.integers(1, 12), st.integers(1, 12))))
@settings(max_examples=200, deadline=None)
def test_the_kernel_writes_what_the_plain_walk_writes(mask: Mask) -> None:
    assert rings_path(mask) == rings_plain(leaving(mask), mask.shape[1] + 1)


def test_the_kernel_writes_long_runs_and_many_rings_like_the_plain_walk() -> None:
    mask = np.random.default_rng(8).random((150, 1200)) < 0.5
    mask[20:40, 3:1100] = True
    assert rings_path(mask) == rings_plain(leaving(mask), 1201)


@given(arrays(np.bool_, st.tuples(st.integers(1, 20), st.integers(1, 20))), st.integers(2, 9))
@settings(max_examples=200, deadline=None)
def test_strokes_stand_where_the_plain_reading_puts_them(ground: Mask, every: int) -> None:
    found = strokes(ground, every, max(1, every // 2))
    assert [tuple(place) for place in found.tolist()] == strokes_plain(ground, every, max(1, every // 2))
