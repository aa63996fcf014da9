"""The lines of a view: ridges that hide ground behind them, and the skyline."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from atlas.grid import Floats
from atlas.terrain.view import View
from atlas.terrain.view_lines_kernel import joined

NEXT_COLUMNS, NEXT_ROWS, NEXT_SHARE = 3.0, 4.0, 0.2  # how far on a ridge may go on; share of its distance
LEAST_COLUMNS = 10.0
END_M = 20.0  # ground this close to where heights end is no crest


@dataclass(frozen=True)
class Skyline:
    """The upper edge of the ground, (n, 2) in pixels. `known` where it is a crest; else heights end there."""

    at: Floats
    known: bool


def ridges(view: View) -> tuple[Floats, ...]:
    """Ridges as lines, each (n, 2) in pixels, nearest points joined from column to column; short ones left out."""
    if not len(view.ridges):
        return ()
    order = np.lexsort((view.ridges[:, 1], view.ridges[:, 0]))
    points = np.ascontiguousarray(view.ridges[order, :3])
    line = joined(points, NEXT_COLUMNS, NEXT_ROWS, NEXT_SHARE)
    by_line = np.argsort(line, kind="stable")
    ends = np.flatnonzero(np.diff(line[by_line])) + 1
    lines = np.split(points[by_line, :2], ends)
    return tuple(sorted((a for a in lines if a[-1, 0] - a[0, 0] >= LEAST_COLUMNS), key=lambda a: tuple(a[0])))


def skylines(view: View) -> tuple[Skyline, ...]:
    """The skyline from left to right, cut where it changes between a crest and where heights end."""
    cols = np.arange(view.lens.cols) + 0.5
    ground = view.horizon_m > 0
    ends = view.known_m - view.horizon_m <= END_M
    kind = np.where(ground, np.where(ends, 1, 2), 0)
    cuts = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), kind.size]
    out = []
    for a, b in pairwise(cuts):
        if kind[a] and b - a > 1:
            out.append(Skyline(np.column_stack([cols[a:b], view.horizon_row[a:b]]), bool(kind[a] == 2)))
    return tuple(out)
