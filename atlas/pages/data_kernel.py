"""The hot loops over every choice's verdicts: the worst of each page cell; cells numbered by what they hold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Mask

Ints = npt.NDArray[np.int64]
OUTSIDE = 255  # zone, reason and flags of a page cell with nothing of the field
CUT_OFF, NO_TURN = 1, 2  # bits of a cell's flags
MOST = 256  # distinct verdicts that a byte can number


@njit(cache=True)
def worst_cells(
    zone: Bytes, reason: Bytes, cut_off: Bytes, no_turn: Bytes, covered: Mask, corner: tuple[int, int],
    zone_out: Bytes, reason_out: Bytes, flags_out: Bytes,
) -> None:  # fmt: skip
    """Fill what goes out, (rows, cols) of page cells: the worst zone of the terrain cells within, the largest
    reason that goes with it, and every flag.

    `covered` are terrain cells from `corner` (row, col) on, a whole number to each page cell, none of them True
    outside the terrain.
    """
    rows, cols = zone_out.shape
    down, across = covered.shape[0] // rows, covered.shape[1] // cols
    for i in range(rows):
        for j in range(cols):
            worst, why, flags = -1, 0, 0
            for r in range(i * down, (i + 1) * down):
                for c in range(j * across, (j + 1) * across):
                    if not covered[r, c]:
                        continue
                    row, col = corner[0] + r, corner[1] + c
                    here, cause = int(zone[row, col]), int(reason[row, col])
                    if here > worst or (here == worst and cause > why):
                        worst, why = here, cause
                    flags |= CUT_OFF * (cut_off[row, col] > 0) | NO_TURN * (no_turn[row, col] > 0)
            if worst < 0:
                worst, why, flags = OUTSIDE, OUTSIDE, OUTSIDE
            zone_out[i, j], reason_out[i, j], flags_out[i, j] = worst, why, flags


@njit(cache=True)
def symbols_of(zone: Bytes, reason: Bytes, flags: Bytes) -> tuple[Ints, Bytes]:
    """The distinct verdicts as zone · 2¹⁶ + reason · 2⁸ + flags, rising, and for each of (choices, cells) its
    place among them. It stops one past `MOST`: then there are that many and more, and the places mean nothing."""
    choices, cells = zone.shape
    found, count = np.empty(MOST + 1, dtype=np.int64), 0
    symbol = np.empty((choices, cells), dtype=np.uint8)
    last, place = np.int64(-1), 0
    for k in range(choices):
        for i in range(cells):
            code = np.int64(zone[k, i]) << 16 | np.int64(reason[k, i]) << 8 | np.int64(flags[k, i])
            if code != last:
                last, place = code, 0
                while place < count and found[place] != code:
                    place += 1
                if place == count:
                    found[count] = code
                    count += 1
                    if count > MOST:
                        return found, symbol
            symbol[k, i] = place
    order = np.argsort(found[:count])
    rank = np.empty(count, dtype=np.uint8)
    rank[order] = np.arange(count).astype(np.uint8)
    for k in range(choices):
        for i in range(cells):
            symbol[k, i] = rank[symbol[k, i]]
    return found[:count][order], symbol


@njit(cache=True)
def rows_of(symbol: Bytes, symbols: int) -> tuple[Ints, Ints]:
    """Cells numbered by what they hold for all choices together: per cell its number, rising with what it holds
    for the first choice, then the second …; and per number a cell that has it. `symbol` (choices, cells) is below
    `symbols`."""
    choices, cells = symbol.shape
    index, count = np.zeros(cells, dtype=np.int64), 1
    for k in range(choices):  # each choice splits the numbers so far; nothing is ever sorted
        if _given_before(symbol, k):
            continue
        place = np.full(count * symbols, -1, dtype=np.int64)
        for i in range(cells):
            index[i] = index[i] * symbols + symbol[k, i]
            place[index[i]] = 0
        count = 0
        for pair in range(place.size):
            if place[pair] == 0:
                place[pair] = count
                count += 1
        for i in range(cells):
            index[i] = place[index[i]]
    a_cell = np.zeros(count, dtype=np.int64)
    for i in range(cells):
        a_cell[index[i]] = i
    return index, a_cell


@njit(cache=True)
def _given_before(symbol: Bytes, choice: int) -> bool:
    """Whether an earlier choice holds the same everywhere: then it splits nothing."""
    for k in range(choice):
        i = 0
        while i < symbol.shape[1] and symbol[k, i] == symbol[choice, i]:
            i += 1
        if i == symbol.shape[1]:
            return True
    return False
