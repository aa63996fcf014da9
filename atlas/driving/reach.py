"""Ground a machine may stand on but cannot get to, or cannot turn on once it is there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry import Point

from atlas.driving.bits_kernel import Bits, flood, grow, pack, shrink, unpack
from atlas.driving.reach_kernel import Steps, disc_rows, reaches
from atlas.grid import Floats, Grid, Mask
from atlas.terrain.d8 import steepest_kernel, step_lengths

WAY_IN_REACH_M = 5.0


def cut_off(drivable: Mask, grid: Grid, ways_in: Sequence[Point], width_m: float) -> Mask | None:
    """Drivable ground (rows, cols) that no way in leads to, for a machine `width_m` wide; None without ways in.

    The middle of a disc of the machine's width moves from cell to neighbouring cell where the disc fits on
    drivable ground; ground it sweeps without ever coming within 5 m of a way in is cut off. Corners it cannot
    sweep belong to the ground beside them; a strip too narrow for it leads nowhere and is cut off as well.
    Outside the field nothing is drivable, so the answer errs towards cut off by less than a cell.
    """
    if not ways_in:
        return None
    return unpack(out_of_reach(pack(drivable), grid, pack(near_any(grid, ways_in)), width_m), grid.cols)


def out_of_reach(drivable: Bits, grid: Grid, gates: Bits, width_m: float) -> Bits:
    """`cut_off` for cells near ways in that are known already."""
    radius, cols = width_m / 2, grid.cols
    disc = disc_rows(radius, grid.cell_x, grid.cell_y)
    middles = shrink(drivable, disc, cols)
    reached = flood(middles, grow(drivable & gates, disc, cols))
    swept = grow(reached, disc, cols)
    # a disc in a right-angled corner leaves the corner's tip (√2 − 1) of its radius away
    wider = disc_rows(float(radius * np.sqrt(2.0) + grid.cell_m), grid.cell_x, grid.cell_y)
    return drivable & ~flood(drivable & grow(reached, wider, cols), swept)


def no_turn(up_down: Mask, any_way: Mask, z: Floats, grid: Grid, turn_radius_m: float) -> Mask:
    """`up_down` ground (rows, cols) from which a machine can only back out.

    Straight up and straight down (the steepest of the eight neighbours each time) are followed over drivable
    ground; where neither meets `any_way` ground that holds a circle of `turn_radius_m`, there is no room to turn.
    """
    return stuck_on(pack(up_down), pack(any_way), ways_up_and_down(z, grid), grid, turn_radius_m)


def ways_up_and_down(z: Floats, grid: Grid) -> tuple[Steps, Steps]:
    """The steepest way down and up from each cell, as directions of `d8`, (rows, cols) each."""
    length = step_lengths(grid)
    return steepest_kernel(z, length)[0], steepest_kernel(-z, length)[0]


def stuck_on(up_down: Bits, any_way: Bits, ways: tuple[Steps, Steps], grid: Grid, turn_radius_m: float) -> Mask:
    """`no_turn` where the ways are known already, (rows, cols)."""
    disc, cols = disc_rows(turn_radius_m, grid.cell_x, grid.cell_y), grid.cols
    turning = unpack(grow(shrink(any_way, disc, cols), disc, cols), cols)
    drivable, out = unpack(up_down | any_way, cols), unpack(up_down, cols)
    for to in ways:
        asked = np.flatnonzero(out)
        if asked.size:
            out = out & ~reaches(to, drivable, turning, asked)
    return out


def near_any(grid: Grid, points: Sequence[Point], reach_m: float = WAY_IN_REACH_M) -> Mask:
    """Cells of which some part lies within `reach_m` of any of the points, (rows, cols)."""
    out = np.zeros(grid.shape, dtype=np.bool_)
    for point in points:
        dx = np.maximum(np.abs(grid.xs - point.x) - grid.cell_x / 2, 0.0)
        dy = np.maximum(np.abs(grid.ys - point.y) - grid.cell_y / 2, 0.0)
        box = np.ix_(dy <= reach_m, dx <= reach_m)
        out[box] |= dx[box[1]] ** 2 + dy[box[0]] ** 2 <= reach_m**2
    return out
