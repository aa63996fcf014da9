"""Blocks of cells as one cell: numpy's own way over two axes of a few cells each takes eight times as long."""

from __future__ import annotations

import numpy as np

IN_TURN = 8  # so many numbers in a row and more are added up by numpy as several sums side by side


def folded(by: np.ufunc, values: np.ndarray, down: int, across: int) -> np.ndarray:
    """Blocks of so many cells folded by a ufunc of two, as `np.add`, (rows // down, cols // across): the same
    numbers as `by.reduce` over blocks. Cells left over at the south and east are dropped."""
    rows, cols = values.shape[0] // down, values.shape[1] // across
    whole = values[: rows * down, : cols * across]
    if across >= IN_TURN or cols < 2:  # a single column is added up in another order too
        return np.asarray(by.reduce(whole.reshape(rows, down, cols, across), axis=(1, 3)))
    lines = []
    for row in range(down):
        line = whole[row::down, ::across].copy()
        for col in range(1, across):
            by(line, whole[row::down, col::across], out=line)
        lines.append(line)
    for line in lines[1:]:
        by(lines[0], line, out=lines[0])
    return lines[0]


def means(values: np.ndarray, down: int, across: int) -> np.ndarray:
    """The mean of each block, NaN where it has a gap."""
    return folded(np.add, values, down, across) / (down * across)
