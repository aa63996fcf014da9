"""Where ground falls away below a slope: a slide that starts above ends there, so the zones keep off its top.

A drop begins in the cell from which the steepest way down (D8) grows steeper than anyone works on foot and
falls at least `fall_m` before it eases, or runs into a wall marked as an area. The steps between neighbouring
cells are looked at as well as Horn's gradient, because Horn smears a wall over two cells and halves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from atlas.grid import Floats, Floats32, Grid, Heights, Mask
from atlas.terrain.d8 import Steepest, steepest_down, step_lengths
from atlas.terrain.drops_kernel import mark_drops, mark_unknown, trace_up
from atlas.terrain.figures import Gradient

COUNTED_FALL_M = 5.0  # a drop's height counts up to this in every rule that uses it
ROUNDING = 1e-9  # a slope exactly at the limit is within it, whatever the last bit says


@dataclass(frozen=True)
class DropMap:
    """Drops on a grid, all arrays (rows, cols).

    `drop`: a drop begins in this cell. `height_m`: how far it falls, counted up to 5 m (or `fall_m` where that
    is more); 0 for the edge of a marked wall. `unknown`: a cell with a height beside one without.
    `ends_at`: flat index of the drop or unknown edge that the cell's steepest way down meets first within
    `within_m`, itself where it is one, −1 where none. `run_m`: metres of that way in plan, infinite where none.
    """

    grid: Grid
    within_m: float
    z: Floats
    drop: Mask
    height_m: Floats32
    unknown: Mask
    ends_at: npt.NDArray[np.int32]
    run_m: Floats


def find_drops(
    heights: Heights,
    gradient: Gradient,
    walls: Mask,
    on_foot_limit: float,
    within_m: float,
    fall_m: float,
    steepest: Steepest | None = None,
) -> DropMap:
    """Drops in the whole window; it should reach `within_m` and two cells past the field on every side.

    `walls` marks the cells of obstacles and no-go ground drawn as areas. `on_foot_limit` is rise over run.
    `steepest` saves working it out again when the same heights are asked about for several limits.
    """
    down = steepest or steepest_down(heights)
    z = np.ascontiguousarray(heights.z, dtype=np.float64)
    length = step_lengths(heights.grid)
    limit = on_foot_limit * (1 + ROUNDING)
    steep = (down.fall > limit) | (gradient.gx**2 + gradient.gy**2 > limit**2)
    counted = max(COUNTED_FALL_M, fall_m)
    drop, height = mark_drops(z, down.to, steep, walls, length, within_m, fall_m * (1 - ROUNDING), counted)
    unknown = mark_unknown(z)
    ends_at, run = trace_up(drop | unknown, down.to, length, within_m * (1 + 1e-6))
    return DropMap(heights.grid, within_m, z, drop, height, unknown, ends_at, run)
