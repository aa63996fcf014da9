"""Heights of the invented landscape, cell by cell: the one loop that a farm of ten thousand fields waits for.

Only + − × ÷ and floor are used, so that every machine gets the same heights to the last bit. With
NUMBA_DISABLE_JIT=1 the same lines run as plain Python, which is what the tests hold the compiled loop to.

Valley coordinates: u along the valley (upstream is east), v across it (0 at the stream, 450 at the ridge).
The land is straight in them and crooked on the map: `warp` says by how much.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.farm.demo_noise import noise, noise_pair
from atlas.grid import Floats

Ends = npt.NDArray[np.int64]  # first row after each kind: spurs, hollows, steps, roads, ramps, pits

TILE_U = 1000.0  # one stretch of valley, along
TILE_V = 900.0  # ridge to ridge
FALL = 0.018  # of the stream
BASE_M = 640.0  # the stream at the western edge


@njit(cache=True)
def warp(x: float, y: float, salt: int) -> tuple[float, float]:
    """How far east and north of its straight place a thing lies, metres; the valley's own bends go north only."""
    wide_u, wide_v = noise_pair(x / 165.0, y / 185.0, salt + 1)
    near_u, near_v = noise_pair(x / 44.0, y / 44.0, salt + 2)
    bend = 62.0 * noise(x / 430.0, 0.37, salt + 3)
    return 20.0 * wide_u + 2.6 * near_u, bend + 17.0 * wide_v + 2.2 * near_v


@njit(cache=True)
def _ease(t: float) -> float:
    t = min(1.0, max(0.0, t))
    return t * t * (3.0 - 2.0 * t)


@njit(cache=True)
def _along(t: float, fade: float) -> float:
    """1 along a stretch from 0 to 1, easing to 0 over `fade` at both ends."""
    return _ease(t / fade) * _ease((1.0 - t) / fade)


@njit(cache=True)
def _hollows(u: float, v: float, plan: Floats, first: int, past: int) -> float:
    """Depth of the hollows in rows `first` to `past` of the plan (spurs count below zero)."""
    depth = 0.0
    for k in range(first, past):
        s = (v - plan[k, 1]) * plan[k, 3]
        if 0.0 < s < 1.0:
            off = (u - plan[k, 0] - s * plan[k, 2]) * plan[k, 5]
            if off * off < 1.0:
                bowl = 1.0 - off * off
                depth += plan[k, 4] * bowl * bowl * _along(s, plan[k, 6])
    return depth


@njit(cache=True)
def _base(u: float, v: float, gu: float, gv: float, profile: Floats, plan: Floats, ends: Ends, salt: int) -> float:
    """The slope before anything was cut into it: valley profile, fall of the stream, spurs."""
    at = min(1799.0, max(0.0, (v + 450.0) * 2.0))
    k = int(at)
    z = BASE_M + FALL * gu + profile[k] + (at - k) * (profile[k + 1] - profile[k])
    high = (abs(v) - 62.0) / 388.0
    if high > 0.0:
        swell = 4.0 * high * (1.0 - high)
        z += swell * (12.0 * noise(gu / 180.0, gv / 380.0, salt + 6) + 2.6 * noise(gu / 66.0, gv / 90.0, salt + 7))
    return float(z - _hollows(u, v, plan, 0, ends[0]))


@njit(cache=True)
def _steps(u: float, v: float, plan: Floats, ends: Ends) -> float:
    """What walls and banks hold up: a face, and levelled ground behind it that runs out uphill."""
    lift = 0.0
    for k in range(ends[1], ends[2]):
        s = (u - plan[k, 0]) * plan[k, 2]
        if 0.0 < s < 1.0:
            up = v - plan[k, 1] - s * plan[k, 3]
            face = plan[k, 5]
            if 0.0 < up < face + plan[k, 6]:
                held = up / face if up < face else 1.0 - _ease((up - face) / plan[k, 6])
                lift += plan[k, 4] * held * _along(s, 0.12)
    return lift


@njit(cache=True)
def _ramps(
    z: float, u: float, off: float, road: int, level: float, upward: float, plan: Floats, ends: Ends
) -> float:
    """Ground beside a gate is eased towards an even ramp up or down to the road."""
    for k in range(ends[3], ends[4]):
        wide = abs(u - plan[k, 1])
        if wide < 14.0 and plan[k, 0] == road and off * plan[k, 2] > 0.0:
            share = (1.0 - _ease((wide - 4.0) / 10.0)) * (1.0 - _ease((abs(off) - plan[k, 3]) / 12.0))
            z += share * (level + plan[k, 4] * off * upward - z)
    return z


@njit(cache=True)
def _roads(
    z: float, u: float, v: float, gu: float, gv: float, profile: Floats, plan: Floats, ends: Ends, salt: int
) -> float:
    """Cut and fill along the roads, and the ramps that lead from them into the fields."""
    for k in range(ends[2], ends[3]):
        off = v - plan[k, 0]
        if abs(off) < 26.0:
            upward = 1.0 if plan[k, 0] > 0.0 else -1.0
            level = _base(u, plan[k, 0], gu, gv - off, profile, plan, ends, salt)
            level -= 0.15 + plan[k, 2] * _along((u - plan[k, 3]) * plan[k, 4], 0.2)
            z = _ramps(z, u, off, k - ends[2], level, upward, plan, ends)
            past = max(0.0, abs(off) - plan[k, 1])
            level += 0.05 * min(abs(off), plan[k, 1]) * (upward if off > 0.0 else -upward)
            z = max(min(z, level + plan[k, 5] * past), level - plan[k, 6] * past)
    return z


@njit(cache=True)
def _pits(
    z: float, x: float, y: float, u: float, v: float, gu: float, gv: float, profile: Floats, plan: Floats,
    ends: Ends, salt: int,
) -> float:  # fmt: skip
    """Quarries: a floor on the level of the road before them, and walls that rise until they meet the slope."""
    for k in range(ends[4], ends[5]):
        du = u - plan[k, 0]
        dv = v - min(max(v, plan[k, 1]), plan[k, 4])  # open towards the road
        if abs(du) < 50.0 and abs(dv) < 50.0:
            far = math.sqrt(du * du + dv * dv) + 4.0 * noise(x / 14.0, y / 14.0, salt + 12)
            floor = _base(u, plan[k, 4], gu, gv - v + plan[k, 4], profile, plan, ends, salt)
            z = min(z, floor + plan[k, 5] + plan[k, 3] * max(0.0, far - plan[k, 2]))
    return z


@njit(cache=True)
def height(x: float, y: float, profile: Floats, plans: Floats, ends: Ends, salt: int) -> float:
    """Height in metres at x, y metres from the south-west corner of the first stretch; `plans` is
    (stretch rows, stretch cols, features, 7) as `plan_table` makes it."""
    east, north = warp(x, y, salt)
    gu = x - east
    gv = y - north
    col = math.floor(gu / TILE_U)
    row = math.floor(gv / TILE_V)
    u = gu - col * TILE_U
    v = gv - row * TILE_V - 450.0
    plan = plans[min(max(int(row), 0), plans.shape[0] - 1), min(max(int(col), 0), plans.shape[1] - 1)]
    z = (
        _base(u, v, gu, gv, profile, plan, ends, salt)
        + _steps(u, v, plan, ends)
        - _hollows(u, v, plan, ends[0], ends[1])
    )
    z += 0.55 * noise(x / 31.0, y / 31.0, salt + 8) + 0.16 * noise(x / 11.0, y / 11.0, salt + 9)
    z = _pits(z, x, y, u, v, gu, gv, profile, plan, ends, salt)
    z = _roads(z, u, v, gu, gv, profile, plan, ends, salt)
    bed = BASE_M + FALL * gu + profile[900] - 1.5  # the stream
    z = min(z, bed + 0.95 * max(0.0, abs(v) - 1.6))
    return float(z + 0.05 * noise(x / 5.3, y / 5.3, salt + 10) + 0.06 * noise(x / 1.9, y / 1.9, salt + 11))


@njit(cache=True, nogil=True)
def fill(
    out: Floats, west: float, north: float, cell: float, profile: Floats, plans: Floats, ends: Ends, salt: int
) -> None:
    """Heights of a block, (rows, cols) in place, rounded to 1 cm; `west`, `north` is the block's outer corner."""
    for r in range(out.shape[0]):
        y = north - (r + 0.5) * cell
        for c in range(out.shape[1]):
            z = height(west + (c + 0.5) * cell, y, profile, plans, ends, salt)
            out[r, c] = math.floor(z * 100.0 + 0.5) / 100.0


@njit(cache=True)
def fill_places(out: Floats, x: Floats, y: Floats, profile: Floats, plans: Floats, ends: Ends, salt: int) -> None:
    """Heights at single places, all (n,), in place, not rounded."""
    for k in range(out.size):
        out[k] = height(x[k], y[k], profile, plans, ends, salt)


@njit(cache=True)
def place(u: float, v: float, salt: int) -> tuple[float, float]:
    """Map place (x, y from the south-west corner) of a place in valley coordinates, by repeated correction."""
    x, y = u, v
    for _ in range(60):
        east, north = warp(x, y, salt)
        x, y = u + east, v + north
    return x, y
