"""The lines of a view: ridges that hide ground behind them, and the skyline."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from atlas.grid import Floats
from atlas.terrain.view import View

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
    growing: list[list[Floats]] = []
    done: list[list[Floats]] = []
    order = np.lexsort((view.ridges[:, 1], view.ridges[:, 0]))
    for point in view.ridges[order]:
        still = [line for line in growing if point[0] - line[-1][0] <= NEXT_COLUMNS]
        done += [line for line in growing if point[0] - line[-1][0] > NEXT_COLUMNS]
        growing = still
        line = _nearest(point, growing)
        if line is None:
            growing.append([point])
        else:
            line.append(point)
    lines = [np.array(line)[:, :2] for line in done + growing]
    return tuple(sorted((a for a in lines if a[-1, 0] - a[0, 0] >= LEAST_COLUMNS), key=lambda a: tuple(a[0])))


def _nearest(point: Floats, lines: list[list[Floats]]) -> list[Floats] | None:
    best, found = NEXT_ROWS, None
    for line in lines:
        last = line[-1]
        apart = abs(float(point[1] - last[1]))
        if last[0] < point[0] and apart <= best and abs(point[2] - last[2]) <= NEXT_SHARE * last[2]:
            best, found = apart, line
    return found


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
