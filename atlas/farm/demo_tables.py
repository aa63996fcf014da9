"""The plan as tables for the height loop: lengths turned into factors, each farm's copy a little different."""

from __future__ import annotations

import numpy as np

from atlas.farm import demo_kernel, demo_plan
from atlas.grid import Floats


def plan_tables(rows: int, cols: int, seed: int) -> Floats:
    """One table for each stretch, (rows, cols, features, 7): spurs, hollows, steps, roads, ramps, pits."""
    rng = np.random.default_rng([seed, 7])
    one = np.zeros((demo_kernel.RAMPS + len(demo_plan.PITS), 7))
    one[: demo_kernel.HOLLOWS] = demo_plan.SPURS + demo_plan.HOLLOWS + _niches()
    one[demo_kernel.HOLLOWS : demo_kernel.STEPS] = demo_plan.STEPS
    one[demo_kernel.STEPS : demo_kernel.ROADS] = demo_plan.ROADS
    for k, gate in enumerate(demo_plan.GATES, start=demo_kernel.ROADS):
        one[k, :5] = gate.road, gate.u, gate.side, gate.ramp_m, gate.ramp_rise
    one[demo_kernel.RAMPS :, :6] = demo_plan.PITS
    hollows, steps = one[: demo_kernel.HOLLOWS], one[demo_kernel.HOLLOWS : demo_kernel.STEPS]
    roads = one[demo_kernel.STEPS : demo_kernel.ROADS]
    _from_ends(hollows, along=1, across=0, length=3, shift=2)
    hollows[:, 5] = 1.0 / hollows[:, 5]
    _from_ends(steps, along=0, across=1, length=2, shift=3)
    roads[:, 4] = 1.0 / (roads[:, 4] - roads[:, 3])
    many = np.tile(one, (rows, cols, 1, 1))
    many[:, :, demo_kernel.SPURS : demo_kernel.STEPS, 4] *= 0.92 + 0.16 * rng.random(
        (rows, cols, demo_kernel.STEPS - demo_kernel.SPURS)
    )
    return many


def _niches() -> tuple[tuple[float, ...], ...]:
    """Each spring has eaten a small hollow into the slope."""
    return tuple((s.at.u, s.at.v + 11, s.at.u, s.at.v - 11, 0.8, 9, 0.5) for s in demo_plan.SPRINGS)


def _from_ends(table: Floats, along: int, across: int, length: int, shift: int) -> None:
    """In place: the far end's two columns become 1/length along the axis and the whole shift across it."""
    far_along, far_across = table[:, length].copy(), table[:, shift].copy()
    table[:, length] = 1.0 / (far_along - table[:, along])
    table[:, shift] = far_across - table[:, across]


def profile_table() -> Floats:
    """Height above the stream for v from −450 to 450 every half metre, summed from slopes in percent."""
    north = [(0, 2), (10, 3), (60, 6), (70, 12), (84, 14), (104, 18), (172, 26), (182, 30), (228, 40), (250, 28),
             (262, 16), (276, 11), (318, 18), (342, 54), (398, 66), (425, 46), (450, 0)]  # fmt: skip
    south = [(0, 2), (10, 2), (64, 5), (80, 9), (92, 15), (112, 22), (140, 38), (200, 54), (240, 46), (330, 42),
             (410, 34), (450, 0)]  # fmt: skip
    at = np.arange(0.0, 450.25, 0.5)
    sides = []
    for side in (north, south):
        v, g = np.array(side, dtype=np.float64).T
        slope = np.interp(at, v, g) / 100.0
        sides.append(np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) * 0.25)]))
    top = sides[0][-1] - sides[1][-1]  # both ridges must meet: the wooded upper slope takes up the difference
    sides[1] = sides[1] + top * np.clip((at - 240.0) / 210.0, 0.0, 1.0)
    return np.concatenate([sides[1][:0:-1], sides[0]])
