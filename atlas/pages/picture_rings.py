"""The outline of a set of cells as an SVG path: exact, in whole cells, the same string here and in trace.js.

Each ring keeps its cells on the right-hand side; where two cells meet only at a corner the ring turns right, so
they stay apart. Holes run the other way round.
"""

from __future__ import annotations

import numpy as np

from atlas.grid import Bytes, Mask
from atlas.pages.picture_kernel import EAST, NORTH, SOUTH, WEST, rings


def rings_path(mask: Mask) -> str:
    """Path data of every ring, "M col row h… v… z", row by row from the north-west; "" for an empty mask."""
    return rings(leaving(mask), mask.shape[1] + 1).tobytes().decode("ascii")


def leaving(mask: Mask) -> Bytes:
    """For each corner the directions in which an edge leaves it, as bits, flat ((rows + 1) · (cols + 1))."""
    m = np.pad(mask, 1)
    here, up, left, diagonal = m[1:, 1:], m[:-1, 1:], m[1:, :-1], m[:-1, :-1]
    out = np.zeros(here.shape, dtype=np.uint8)
    out |= (here & ~up).astype(np.uint8) << EAST  # above a cell, eastwards
    out |= (left & ~here).astype(np.uint8) << SOUTH  # right of a cell, southwards
    out |= (diagonal & ~left).astype(np.uint8) << WEST  # below a cell, westwards
    out |= (up & ~diagonal).astype(np.uint8) << NORTH  # left of a cell, northwards
    return out.ravel()
