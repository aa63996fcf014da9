"""The outline of a set of cells as an SVG path: exact, in whole cells, the same string here and in trace.js.

Each ring keeps its cells on the right-hand side; where two cells meet only at a corner the ring turns right, so
they stay apart. Holes run the other way round.
"""

from __future__ import annotations

from atlas.grid import Mask
from atlas.pages.picture_kernel import leaving, rings


def rings_path(mask: Mask) -> str:
    """Path data of every ring, "M col row h… v… z", row by row from the north-west; "" for an empty mask."""
    return rings(leaving(mask), mask.shape[1] + 1).tobytes().decode("ascii")
