"""Heights that stand out of the ground as no ground does: caught where no checksum tells that a bit was turned.

A spike is a patch of at most 25 cells that a step parts from everything around it: more than 10 m, and more than
four times a cell's longer side (common practice, no source). A cliff goes on past 25 cells, and masts, birds and
trees belong into no terrain model; a ledge so small between such steps is no place to drive either. What is found
counts as not measured. A smaller error makes ground look steeper than it is, which closes it.
"""

from __future__ import annotations

import numpy as np

from atlas.grid import Floats, Heights, Mask

LEAST_STEP_M = 10.0
STEPS_PER_CELL = 4.0  # rise over run that no ground keeps all around a patch
MOST_CELLS = 25
MARGIN_CELLS = MOST_CELLS + 1  # around a field, to see that nothing of a spike goes on there


def said(heights: Heights) -> tuple[str, ...]:
    """What is to be said of a window in which stored numbers cannot be heights; nothing where all can."""
    if not heights.implausible:
        return ()
    row, col = heights.first_odd
    x, y = heights.grid.xs[col], heights.grid.ys[row]
    n = heights.implausible
    many, count = ("1 height", "counts") if n == 1 else (f"{n} heights", "count")
    return (f"{many} in or around it cannot be true and {count} as not measured, the first at {x:.1f}, {y:.1f}",)


def step_m(cell_m: float) -> float:
    """The step that parts a spike from the ground, metres."""
    return max(LEAST_STEP_M, STEPS_PER_CELL * cell_m)


def spikes(z: Floats, cell_m: float) -> Mask | None:
    """Which cells are spikes, (rows, cols); None where there is no step at all, as on nearly all ground."""
    step = step_m(cell_m)
    if not any((np.abs(np.diff(z, axis=axis)) > step).any() for axis in (0, 1)):
        return None
    from atlas.farm.spikes_kernel import find_into  # compiled code is loaded only where there is a step

    found = np.zeros(z.shape, dtype=np.bool_)
    find_into(np.ascontiguousarray(z), step, MOST_CELLS, found)
    return found


def spikes_plain(z: Floats, cell_m: float) -> Mask:
    """The same patch by patch, to hold the kernel to."""
    step, found = step_m(cell_m), np.zeros(z.shape, dtype=np.bool_)
    rows, cols = z.shape
    for r, c in np.argwhere(~np.isnan(z)):
        if not (0 < r < rows - 1 and 0 < c < cols - 1):
            continue
        beside = np.array([z[r - 1, c], z[r + 1, c], z[r, c - 1], z[r, c + 1]])
        if not (np.abs(beside - z[r, c]) > step).any():
            continue
        patch, todo = {(int(r), int(c))}, [(int(r), int(c))]
        while todo and len(patch) <= MOST_CELLS:
            y, x = todo.pop()
            for yy in range(max(y - 1, 0), min(y + 2, rows)):
                for xx in range(max(x - 1, 0), min(x + 2, cols)):
                    if (yy, xx) not in patch and abs(z[yy, xx] - z[y, x]) <= step:
                        patch.add((yy, xx))
                        todo.append((yy, xx))
        inner = all(0 < y < rows - 1 and 0 < x < cols - 1 for y, x in patch)
        if inner and len(patch) <= MOST_CELLS:
            for y, x in patch:
                found[y, x] = True
    return found
