"""Masks of a field with 64 cells in one number, so that a disc is laid over all of them by shifting rows.

A mask (rows, cols) is packed into (rows, words): cell c of a row is bit c % 64 of word c // 64; bits past the last
column are 0. `half` is a disc of `reach_kernel.disc_rows`; the plain readings are that module's.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.driving.reach_kernel import Counts
from atlas.grid import Mask

WORD = 64
Bits = npt.NDArray[np.uint64]

ONE = np.uint64(1)
ALL = np.uint64(2**64 - 1)
TOP = np.uint64(63)


def pack(mask: Mask) -> Bits:
    rows, cols = mask.shape
    out = np.zeros((rows, -(-cols // WORD) * WORD // 8), dtype=np.uint8)
    out[:, : -(-cols // 8)] = np.packbits(mask, axis=1, bitorder="little")
    return out.view("<u8").astype(np.uint64, copy=False)


def unpack(bits: Bits, cols: int) -> Mask:
    in_bytes = np.ascontiguousarray(bits, dtype="<u8").view(np.uint8)
    return np.unpackbits(in_bytes, axis=1, count=cols, bitorder="little").view(np.bool_)


@njit(cache=True)
def grow(bits: Bits, half: Counts, cols: int) -> Bits:
    """Cells touched by the disc centred on any cell of the mask."""
    out = _laid(bits, half, np.uint64(0))
    _trim(out, cols)
    return out


@njit(cache=True)
def shrink(bits: Bits, half: Counts, cols: int) -> Bits:
    """Cells on which the disc fits into the mask; nothing fits past the array's edge."""
    out = ~_laid(~bits, half, ALL)
    out[: half.size - 1] = 0
    out[max(0, out.shape[0] - half.size + 1) :] = 0
    _trim(out, cols)
    return out


@njit(cache=True)
def _trim(bits: Bits, cols: int) -> None:
    if cols % WORD:
        bits[:, -1] &= (ONE << np.uint64(cols % WORD)) - ONE


@njit(cache=True)
def _laid(bits: Bits, half: Counts, beside: np.uint64) -> Bits:
    """The disc laid over every set bit; `beside` is what stands left and right of a row."""
    rows = bits.shape[0]
    wide, out = bits.copy(), np.zeros_like(bits)
    reach = 0
    for up in range(half.size - 1, -1, -1):  # rows of a disc widen towards its middle
        while reach < half[up]:
            by = min(half[up] - reach, 2 * reach + 1, WORD - 1)  # what is set is at least so long
            for r in range(rows):
                _widen(wide[r], np.uint64(by), beside)
            reach += by
        for r in range(rows):
            if r >= up:
                out[r - up] |= wide[r]
            if up > 0 and r + up < rows:
                out[r + up] |= wide[r]
    return out


@njit(cache=True)
def _widen(row: Bits, by: np.uint64, beside: np.uint64) -> None:
    """Every run of set bits longer by so many at both ends; for runs and `by` see `_laid`."""
    back = np.uint64(WORD) - by
    before, here = beside, row[0]
    for w in range(row.size):
        after = row[w + 1] if w + 1 < row.size else beside
        row[w] = here | (here << by) | (before >> back) | (here >> by) | (after << back)
        before, here = here, after


@njit(cache=True)
def flood(ground: Bits, seeds: Bits) -> Bits:
    """Cells of `ground` joined to a seed over sides or corners."""
    rows = ground.shape[0]
    out = ground & seeds
    for r in range(rows):
        _fill(ground[r], out[r])
    more = True
    while more:  # down and up, until nothing is new
        more = False
        for r in range(1, rows):
            more |= _join(ground[r], out[r], out[r - 1])
        for r in range(rows - 2, -1, -1):
            more |= _join(ground[r], out[r], out[r + 1])
    return out


@njit(cache=True)
def _join(ground: Bits, row: Bits, beside: Bits) -> bool:
    """Flood a row from the one beside it; whether that brought anything."""
    brought = False
    before, here = np.uint64(0), beside[0]
    for w in range(row.size):
        after = beside[w + 1] if w + 1 < row.size else np.uint64(0)
        near = here | (here << ONE) | (before >> TOP) | (here >> ONE) | (after << TOP)
        if near & ground[w] & ~row[w]:
            row[w] |= near & ground[w]
            brought = True
        before, here = here, after
    if brought:
        _fill(ground, row)
    return brought


@njit(cache=True)
def _fill(ground: Bits, row: Bits) -> None:
    """Set all of each run of ground that has a bit set: rightwards, then leftwards, doubling the step."""
    carry = np.uint64(0)
    for w in range(row.size):
        here, free = row[w] | (carry & ground[w]), ground[w]
        if here:
            for k in range(6):
                by = ONE << np.uint64(k)
                here |= free & (here << by)
                free &= free << by
        row[w] = here
        carry = here >> TOP
    carry = np.uint64(0)
    for w in range(row.size - 1, -1, -1):
        here, free = row[w] | (carry & ground[w]), ground[w]
        if here:
            for k in range(6):
                by = ONE << np.uint64(k)
                here |= free & (here >> by)
                free &= free >> by
        row[w] = here
        carry = here << TOP
