"""The plan as tables for the height loop: lengths turned into factors, each farm's copy a little different."""

from __future__ import annotations

import math

import numpy as np

from atlas.farm import demo_plan
from atlas.farm.demo_kernel import Ends
from atlas.grid import Floats

SPRING_ABOVE_M = 8.0  # the middle of its hollow


def plan_tables(rows: int, cols: int, seed: int) -> tuple[Floats, Ends]:
    """One table for each stretch, (rows, cols, features, 7), and where in it each kind of feature ends."""
    spurs, hollows = _axes(demo_plan.SPURS), _axes(demo_plan.HOLLOWS + _niches())
    steps = np.array(demo_plan.STEPS, dtype=np.float64)
    _from_ends(steps, along=0, across=1, length=2, shift=3)
    roads = np.array(demo_plan.ROADS, dtype=np.float64)
    roads[:, 4] = 1.0 / (roads[:, 4] - roads[:, 3])
    ramps = np.array(
        [(g.road, g.u, g.side, g.ramp_m, g.ramp_rise, 0, 0) for g in demo_plan.GATES], dtype=np.float64
    )
    pits = np.array([(*p, 0) for p in demo_plan.PITS], dtype=np.float64)
    kinds = (spurs, hollows, steps, roads, ramps, pits)
    ends = np.cumsum([len(k) for k in kinds], dtype=np.int64)
    many = np.tile(np.concatenate(kinds), (rows, cols, 1, 1))
    rng = np.random.default_rng([seed, 7])
    many[:, :, ends[0] : ends[2], 4] *= 0.92 + 0.16 * rng.random((rows, cols, int(ends[2] - ends[0])))
    return many, ends


def _axes(planned: tuple[tuple[float, ...], ...]) -> Floats:
    table = np.array(planned, dtype=np.float64)
    _from_ends(table, along=1, across=0, length=3, shift=2)
    table[:, 5] = 1.0 / table[:, 5]
    return table


def _niches() -> tuple[tuple[float, ...], ...]:
    """Each spring has eaten a small hollow into the slope and comes out near the head of it."""
    middles = ((s.at.u, s.at.v - math.copysign(SPRING_ABOVE_M, s.at.v)) for s in demo_plan.SPRINGS)
    return tuple((u, v + 11, u, v - 11, 0.8, 9, 0.5) for u, v in middles)


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
