"""The outline of a set of cells as an SVG path: exact, in whole cells, the same string here and in trace.js.

Each ring keeps its cells on the right-hand side; where two cells meet only at a corner the ring turns right, so
they stay apart. Holes run the other way round.
"""

from __future__ import annotations

import numpy as np

from atlas.grid import Mask

EAST, SOUTH, WEST, NORTH = 0, 1, 2, 3


def rings_path(mask: Mask) -> str:
    """Path data of every ring, "M col row h… v… z", row by row from the north-west; "" for an empty mask."""
    width = mask.shape[1] + 1
    leaving = _edges(mask)
    starts = np.flatnonzero(leaving & 1)
    edges = bytearray(leaving.tobytes())
    step = (1, width, -1, -width)
    parts: list[str] = []
    for start in starts.tolist():
        if edges[start] & 1:
            parts.append(f"M{start % width} {start // width}{_ring(edges, start, step)}z")
    return "".join(parts)


def _edges(mask: Mask) -> np.ndarray:
    """For each corner the directions in which an edge leaves it, as bits, flat ((rows + 1) · (cols + 1))."""
    m = np.pad(mask, 1)
    here, up, left, diagonal = m[1:, 1:], m[:-1, 1:], m[1:, :-1], m[:-1, :-1]
    out = np.zeros(here.shape, dtype=np.uint8)
    out |= (here & ~up).astype(np.uint8) << EAST  # above a cell, eastwards
    out |= (left & ~here).astype(np.uint8) << SOUTH  # right of a cell, southwards
    out |= (diagonal & ~left).astype(np.uint8) << WEST  # below a cell, westwards
    out |= (up & ~diagonal).astype(np.uint8) << NORTH  # left of a cell, northwards
    return out.ravel()


def _ring(edges: bytearray, start: int, step: tuple[int, int, int, int]) -> str:
    """Walk one ring off `edges`, clearing what is walked; the closing side is left to "z"."""
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
