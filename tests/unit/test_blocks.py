"""Blocks of cells as one: to the last digit what numpy's own reduction over blocks gives."""

from __future__ import annotations

import numpy as np
import pytest

from atlas.blocks import IN_TURN, folded, means

SHAPES = ((0, 0), (1, 1), (7, 5), (40, 3), (3, 40), (61, 59))


@pytest.mark.parametrize("down", [1, 2, 3, IN_TURN + 1])
@pytest.mark.parametrize("across", [1, 2, 3, 5, IN_TURN - 1, IN_TURN, IN_TURN + 3])
@pytest.mark.parametrize("shape", SHAPES)
def test_blocks_are_folded_as_numpy_does(shape: tuple[int, int], down: int, across: int) -> None:
    draw = np.random.default_rng(7)
    rows, cols = shape[0] // down, shape[1] // across
    for gaps in (0.0, 0.05):
        z = draw.normal(900.0, 200.0, shape)
        z[draw.random(shape) < gaps] = np.nan
        blocks = z[: rows * down, : cols * across].reshape(rows, down, cols, across)
        np.testing.assert_array_equal(means(z, down, across), blocks.mean(axis=(1, 3)))
        np.testing.assert_array_equal(folded(np.maximum, z, down, across), blocks.max(axis=(1, 3)))
        known = np.isfinite(blocks)
        np.testing.assert_array_equal(folded(np.logical_or, np.isfinite(z), down, across), known.any(axis=(1, 3)))
