"""The hot loops of drawing cells, and the same drawings in plain Python that the tests hold them to.

A sheet traces millions of cell sides, so the outlines are written as letters of path data while they are walked.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Mask

EAST, SOUTH, WEST, NORTH = 0, 1, 2, 3
LONGEST = 64  # letters that one step may take, with room to spare
M, H, V, Z, L, MINUS, SPACE, NOUGHT, DOT = (ord(letter) for letter in "Mhvzl- 0.")

Places = npt.NDArray[np.int64]


@njit(cache=True)
def leaving(mask: Mask) -> Bytes:
    """For each corner the directions in which an edge leaves it, as bits, flat ((rows + 1) · (cols + 1))."""
    rows, cols = mask.shape
    out = np.zeros((rows + 1) * (cols + 1), dtype=np.uint8)
    for row in range(rows + 1):
        left = diagonal = False
        for col in range(cols + 1):
            here = row < rows and col < cols and mask[row, col]
            up = row > 0 and col < cols and mask[row - 1, col]
            if here != up or left != diagonal or here != left:
                east, south = here and not up, left and not here  # above a cell, right of one
                west, north = diagonal and not left, up and not diagonal  # below a cell, left of one
                out[row * (cols + 1) + col] = east << EAST | south << SOUTH | west << WEST | north << NORTH
            left, diagonal = here, up
    return out


@njit(cache=True)
def rings(leaving: Bytes, width: int) -> Bytes:
    """Path data of all rings as letters (ASCII), from the directions (bits) in which edges leave each corner.

    `leaving` is flat, `width` corners to a row; it is used up.
    """
    step = np.array([1, width, -1, -width])
    out, size = np.empty(1 << 12, dtype=np.uint8), 0
    for start in range(leaving.size):
        if not leaving[start] & 1:
            continue
        out = _roomy(out, size)
        out[size] = M
        size = _number(out, size + 1, start % width)
        out[size] = SPACE
        size = _number(out, size + 1, start // width)
        corner, heading, run = start, EAST, 0
        while True:
            leaving[corner] &= ~(1 << heading) & 15
            corner += step[heading]
            run += 1
            if corner == start and not leaving[corner] & (1 << ((heading + 1) & 3)):
                break
            ahead = (heading + 1) & 3  # right, else straight on, else left
            if not leaving[corner] & (1 << ahead):
                ahead = heading if leaving[corner] & (1 << heading) else (heading + 3) & 3
            if ahead != heading:
                out = _roomy(out, size)
                out[size] = H if heading in (EAST, WEST) else V
                size = _number(out, size + 1, run if heading < WEST else -run)
                heading, run = ahead, 0
        out = _roomy(out, size)
        out[size] = Z
        size += 1
    return out[:size]


@njit(cache=True)
def _roomy(out: Bytes, size: int) -> Bytes:
    if size + LONGEST <= out.size:
        return out
    return np.concatenate((out, np.empty_like(out)))


@njit(cache=True)
def _number(out: Bytes, at: int, value: int) -> int:
    """Write a whole number; where the next letter goes."""
    if value < 0:
        out[at] = MINUS
        at, value = at + 1, -value
    digits = 1
    while value >= 10**digits:
        digits += 1
    for k in range(digits):
        out[at + digits - 1 - k] = NOUGHT + value % 10
        value //= 10
    return at + digits


@njit(cache=True)
def polylines(tenths: Places, ends: Places, lone: bool) -> Bytes:
    """Path data of lines as letters (ASCII), from places (n, 2) in whole tenths: "M12.5 3l0.5 …" each, in steps
    from place to place. `ends` (lines) is where each line's places end; one that goes nowhere is left out, or with
    `lone` stands as its beginning only."""
    out, size, start = np.empty(1 << 10, dtype=np.uint8), 0, 0
    for end in ends:
        begin, moved = size, False
        if start < end:
            out = _roomy(out, size)
            out[size] = M
            size = _pair(out, size + 1, tenths[start, 0], tenths[start, 1])
        for i in range(start + 1, end):
            dx, dy = tenths[i, 0] - tenths[i - 1, 0], tenths[i, 1] - tenths[i - 1, 1]
            if dx == 0 and dy == 0:
                continue
            out = _roomy(out, size)
            out[size] = SPACE if moved else L
            size = _pair(out, size + 1, dx, dy)
            moved = True
        if not moved and not lone:
            size = begin
        start = end
    return out[:size]


@njit(cache=True)
def _pair(out: Bytes, at: int, x: int, y: int) -> int:
    at = _tenths(out, at, x)
    out[at] = SPACE
    return int(_tenths(out, at + 1, y))


@njit(cache=True)
def _tenths(out: Bytes, at: int, value: int) -> int:
    """Write a number of tenths, as short as it goes; where the next letter goes."""
    if value < 0:
        out[at] = MINUS
        at, value = at + 1, -value
    at = _number(out, at, value // 10)
    if value % 10:
        out[at], out[at + 1] = DOT, NOUGHT + value % 10
        at += 2
    return at


@njit(cache=True)
def strokes(ground: Mask, every: int, apart: int) -> Places:
    """(row, col) of each stroke, (n, 2): on a lattice first, then wherever ground has none in its bucket of
    `apart` cells or the eight beside it."""
    rows, cols = ground.shape
    taken = np.zeros((rows // apart + 3, cols // apart + 3), dtype=np.bool_)  # one bucket of margin
    out, count = np.empty((max(1, ground.sum()), 2), dtype=np.int64), 0
    first = every // 2
    for row in range(first, rows, every):
        for col in range(first, cols, every):
            if ground[row, col]:
                out[count, 0], out[count, 1] = row, col
                count += 1
                taken[row // apart + 1, col // apart + 1] = True
    for row in range(rows):
        for col in range(cols):
            if ground[row, col]:
                i, j = row // apart, col // apart
                if not taken[i : i + 3, j : j + 3].any():
                    out[count, 0], out[count, 1] = row, col
                    count += 1
                    taken[i + 1, j + 1] = True
    return out[:count]


def polyline_plain(tenths: Places) -> str:
    """`polylines` of one line, without what goes nowhere left out."""
    x, y = tenths[0].tolist()
    steps: list[tuple[int, int]] = np.diff(tenths, axis=0).tolist()
    ways = [f"{dx / 10:.12g} {dy / 10:.12g}" for dx, dy in steps if dx or dy]
    return f"M{x / 10:.12g} {y / 10:.12g}" + ("l" + " ".join(ways) if ways else "")


def leaving_plain(mask: Mask) -> Bytes:
    """`leaving`, direction by direction."""
    m = np.pad(mask, 1)
    here, up, left, diagonal = m[1:, 1:], m[:-1, 1:], m[1:, :-1], m[:-1, :-1]
    sides = {EAST: here & ~up, SOUTH: left & ~here, WEST: diagonal & ~left, NORTH: up & ~diagonal}
    return np.sum([side.astype(np.uint8) << bit for bit, side in sides.items()], axis=0, dtype=np.uint8).ravel()


def rings_plain(leaving: Bytes, width: int) -> str:
    """`rings`, corner by corner."""
    starts = np.flatnonzero(leaving & 1)
    edges = bytearray(leaving.tobytes())
    parts: list[str] = []
    for start in starts.tolist():
        if edges[start] & 1:
            parts.append(f"M{start % width} {start // width}{_ring_plain(edges, start, width)}z")
    return "".join(parts)


def _ring_plain(edges: bytearray, start: int, width: int) -> str:
    """Walk one ring off `edges`, clearing what is walked; the closing side is left to "z"."""
    step = (1, width, -1, -width)
    corner, heading, run = start, EAST, 0
    out: list[str] = []
    while True:
        edges[corner] &= ~(1 << heading) & 15
        corner += step[heading]
        run += 1
        if corner == start and not edges[corner] & (1 << ((heading + 1) & 3)):
            return "".join(out)
        turns = ((heading + turn) & 3 for turn in (1, 0, 3))  # right, straight on, left
        ahead = next(way for way in turns if edges[corner] & (1 << way))
        if ahead != heading:
            out.append(f"{'hvhv'[heading]}{run if heading < WEST else -run}")
            heading, run = ahead, 0


def strokes_plain(ground: Mask, every: int, apart: int) -> list[tuple[int, int]]:
    """`strokes`, place by place."""
    places = [(row, col) for row, col in np.argwhere(ground).tolist() if row % every == col % every == every // 2]
    taken = {(row // apart, col // apart) for row, col in places}
    for row, col in np.argwhere(ground).tolist():
        i, j = row // apart, col // apart
        if not any((i + di, j + dj) in taken for di in (-1, 0, 1) for dj in (-1, 0, 1)):
            places.append((row, col))
            taken.add((i, j))
    return places
