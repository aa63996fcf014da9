"""The one-are rule of official slope figures: patches too small to count join the ground around them.

Used for official figures only, never for driving zones.
"""

from __future__ import annotations

import numpy as np

from atlas.grid import Bytes, Floats, Grid
from atlas.terrain.classes import UNKNOWN
from atlas.terrain.patches_kernel import count_borders, find, join_small, label, list_borders


def merge_small(classes: Bytes, covered: Floats, grid: Grid, min_patch_m2: float) -> Bytes:
    """Classes after merging, (rows, cols).

    A patch is the 4-connected covered cells of one class; its area is what the field covers of it. Patches under
    `min_patch_m2` join, smallest first, the neighbour with the longest shared border (whole cell sides),
    the steeper on a tie, then the larger, then the first in reading order. Ground of unknown slope neither joins
    nor is joined. A patch with no neighbour stays.

    Source of the rule: areas count from one are (100 m²) on: Direktzahlungsverordnung, SR 910.13, Art. 43 para 2;
    which neighbour a smaller patch joins is our own choice.
    """
    labels, count = label(classes, covered)
    merged = classes.copy()
    if count == 0 or min_patch_m2 <= 0:
        return merged
    inside = labels >= 0
    area: Floats = np.bincount(labels[inside], weights=covered[inside], minlength=count).astype(np.float64)
    area *= grid.cell_area
    kind = np.empty(count, dtype=np.uint8)
    kind[labels[inside]] = classes[inside]
    start = count_borders(labels, count)
    other, length = list_borders(labels, start, grid.cell_x, grid.cell_y)
    least = min_patch_m2 * (1.0 - 1e-9)  # what rounding takes off 100 m² must not make it less
    parent, _ = join_small(area, kind, start, other, length, least, UNKNOWN)
    roots = np.array([find(parent, i) for i in range(count)])
    merged[inside] = kind[roots][labels[inside]]
    return merged
