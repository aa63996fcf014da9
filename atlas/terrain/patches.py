"""The one-are rule of official slope figures: patches too small to count join the ground around them.

Used for official figures only, never for driving zones.
"""

from __future__ import annotations

import numpy as np

from atlas.grid import Bytes, Floats, Grid, Mask
from atlas.terrain.classes import UNKNOWN
from atlas.terrain.patches_kernel import label, merge

LEAST_SHARE = 1.0 - 1e-9  # what rounding takes off 100 m² must not make it less than 100 m²


def merge_small(classes: Bytes, covered: Floats, grid: Grid, min_patch_m2: float) -> Bytes:
    """Classes after merging, (rows, cols).

    A patch is the 4-connected covered cells of one class; its area is what the field covers of it. Patches under
    `min_patch_m2` join, smallest first, the neighbour with the longest shared border (whole cell sides),
    the steeper on a tie, then the larger, then the first in reading order. Ground of unknown slope neither joins
    nor is joined. A patch with no neighbour stays.

    Source of the rule: areas count from one are (100 m²) on: Direktzahlungsverordnung, SR 910.13, Art. 43 para 2;
    which neighbour a smaller patch joins is our own choice.
    """
    if min_patch_m2 <= 0:
        return classes.copy()
    least = min_patch_m2 * LEAST_SHARE / grid.cell_area
    return np.asarray(merge(classes, covered, grid.cell_x, grid.cell_y, least), dtype=np.uint8)


def merge_plain(classes: Bytes, covered: Floats, grid: Grid, min_patch_m2: float) -> Bytes:
    """The same with all patches found anew after each joining: slow, to hold the kernel to."""
    merged = classes.copy()
    while True:
        labels, count = label(merged, covered)
        cells = [labels == i for i in range(count)]
        kinds = [int(merged[inside][0]) for inside in cells]
        areas = [float(covered[inside].sum()) * grid.cell_area for inside in cells]
        small = [i for i in range(count) if kinds[i] != UNKNOWN and areas[i] < min_patch_m2 * LEAST_SHARE]
        for i in sorted(small, key=lambda i: areas[i]):
            along = {
                j: _shared(cells[i], cells[j], grid) for j in range(count) if kinds[j] not in (UNKNOWN, kinds[i])
            }
            beside = [j for j in along if along[j] > 0]
            if beside:
                best = max(beside, key=lambda j: (round(along[j], 6), kinds[j], areas[j], -j))
                merged[cells[i]] = kinds[best]
                break
        else:
            return merged


def _shared(a: Mask, b: Mask, grid: Grid) -> float:
    """Length of the border between two sets of cells, metres."""
    upright = int((a[:, 1:] & b[:, :-1]).sum() + (a[:, :-1] & b[:, 1:]).sum())
    level = int((a[1:] & b[:-1]).sum() + (a[:-1] & b[1:]).sum())
    return upright * grid.cell_y + level * grid.cell_x
