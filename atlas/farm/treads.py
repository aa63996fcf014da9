"""Heights that stand in steps: a coarse model copied into finer cells, or one that was rounded to whole metres.

On a tread every machine stands level, however steep the hill is: a fifth of a slope of 50 % would be open ground.
A model as coarse by its own cells gets no driving zones; here the cells are fine and what they hold is not. A
model smoothed while it was copied shows nothing of it and is not found.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from atlas.errors import TerrainError
from atlas.grid import Heights

LEAST_STEP_M = 0.25  # common practice, no source; decimetres are within what heights are uncertain by
LONGER = 1.25  # than allowed, before it counts: a window cuts treads off
LEAST_LEVELS = 4  # fewer may be level terraces with walls between them


def check(windows: Sequence[Heights], longest_m: float, label: str) -> None:
    """Raise TerrainError where treads of one and the same height are longer than `longest_m` on average, across
    and down, and most steps between them are higher than a quarter of a metre."""
    pairs, same = np.zeros(2), np.zeros(2)
    sides = np.array([windows[0].grid.cell_y, windows[0].grid.cell_x])
    steps = []
    for one in windows:
        for axis in (0, 1):
            change = np.abs(np.diff(one.z, axis=axis))
            change = change[np.isfinite(change)]
            pairs[axis] += change.size
            same[axis] += np.count_nonzero(change == 0)
            steps.append(change[change > 0])
    apart = np.concatenate(steps)
    levels = max(np.unique(one.z[np.isfinite(one.z)]).size for one in windows)
    if not pairs.all() or not apart.size or levels < LEAST_LEVELS:
        return
    share, step = same / pairs, float(np.median(apart))
    if step < LEAST_STEP_M or (sides <= LONGER * longest_m * (1 - share)).any():
        return
    raise TerrainError(
        f"{label}: its heights stand in steps of {step:.2g} m on treads longer than {longest_m:g} m, as of a "
        "coarse model copied into finer cells or rounded to metres; bring it as it was measured."
    )
