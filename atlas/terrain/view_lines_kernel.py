"""Hot loops over what a view shows: ridges joined to lines, the worst verdict of each pixel."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Floats

Numbers = npt.NDArray[np.int64]


@njit(cache=True)
def joined(points: Floats, columns: float, rows: float, share: float) -> Numbers:
    """The line each point belongs to, (n,), from points (n, 3) of column, row and metres, rising by column.

    A point goes on with the line that ends nearest in rows, at most `rows` and a `share` of its distance away; a
    line that has found none for more than `columns` has ended. Lines are numbered in the order in which they end.
    """
    line, last = np.empty(len(points), dtype=np.int64), np.empty(len(points), dtype=np.int64)
    growing, many, made = np.empty(len(points), dtype=np.int64), 0, 0
    place, ended = np.empty(len(points), dtype=np.int64), 0
    for i in range(len(points)):
        still = 0
        best, found = rows, -1
        for k in range(many):
            one = growing[k]
            end = last[one]
            if not points[i, 0] - points[end, 0] <= columns:
                place[one] = ended
                ended += 1
                continue
            growing[still] = one
            still += 1
            apart = abs(points[i, 1] - points[end, 1])
            near = abs(points[i, 2] - points[end, 2]) <= share * points[end, 2]
            if points[end, 0] < points[i, 0] and apart <= best and near:
                best, found = apart, one
        many = still
        if found < 0:
            found, made = made, made + 1
            growing[many] = found
            many += 1
        line[i], last[found] = found, i
    for k in range(many):
        place[growing[k]] = ended + k
    return place[line]


@njit(cache=True)
def largest_seen(pixels: Numbers, cells: Numbers, values: Bytes, size: int) -> Bytes:
    """The largest of `values` (by cell) in each of `size` pixels, 255 in one that shows none. Each of `pixels`
    shows the cell of `cells` beside it."""
    out = np.full(size, -1, dtype=np.int16)
    for i in range(pixels.size):
        value = np.int16(values[cells[i]])
        if value > out[pixels[i]]:
            out[pixels[i]] = value
    for k in range(size):
        if out[k] < 0:
            out[k] = 255
    return out.astype(np.uint8)


def joined_plain(points: Floats, columns: float, rows: float, share: float) -> list[list[int]]:
    """`joined`, as lists of the points of each line."""
    growing: list[list[int]] = []
    ended: list[list[int]] = []
    for i, (col, row, away) in enumerate(points.tolist()):
        ended += [line for line in growing if col - points[line[-1], 0] > columns]
        growing = [line for line in growing if col - points[line[-1], 0] <= columns]
        best, found = rows, None
        for line in growing:
            last_col, last_row, last_away = points[line[-1]].tolist()
            apart = abs(row - last_row)
            if last_col < col and apart <= best and abs(away - last_away) <= share * last_away:
                best, found = apart, line
        if found is None:
            growing.append([i])
        else:
            found.append(i)
    return ended + growing
