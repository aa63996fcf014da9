"""Heights of the invented landscape, cell by cell: the one loop that a farm of ten thousand fields waits for.

Only + − × ÷ and floor are used, so that every machine gets the same heights to the last bit. With
NUMBA_DISABLE_JIT=1 the same lines run as plain Python, which is what the tests hold the compiled loop to.

Valley coordinates: u along the valley (upstream is east), v across it (0 at the stream, 450 at the ridge).
The land is straight in them and crooked on the map: `warp` says by how much.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Floats

TILE_U = 1000.0  # one stretch of valley, along
TILE_V = 900.0  # ridge to ridge
FALL = 0.018  # of the stream
BASE_M = 640.0  # the stream at the western edge
MASK = 0xFFFFFFFF


@njit(cache=True)
def _mix(ix: int, iy: int, salt: int) -> int:
    h = (ix * 0x9E3779B1 + iy * 0x85EBCA77 + salt * 0xC2B2AE3D) & MASK
    h ^= h >> 15
    h = (h * 0x2C1B3C6D) & MASK
    h ^= h >> 12
    h = (h * 0x297A2D39) & MASK
    return h ^ (h >> 15)


@njit(cache=True)
def _lean(h: int, tx: float, ty: float) -> float:
    return ((h & 0xFFFF) / 32767.5 - 1.0) * tx + ((h >> 16) / 32767.5 - 1.0) * ty


@njit(cache=True)
def noise(x: float, y: float, salt: int) -> float:
    """Gradient noise over a lattice of whole numbers: smooth, mean 0, mostly within ±1, standard deviation 0.4."""
    fx = math.floor(x)
    fy = math.floor(y)
    ix = int(fx)
    iy = int(fy)
    tx = x - fx
    ty = y - fy
    sx = tx * tx * tx * (tx * (tx * 6.0 - 15.0) + 10.0)
    sy = ty * ty * ty * (ty * (ty * 6.0 - 15.0) + 10.0)
    a = _lean(_mix(ix, iy, salt), tx, ty)
    b = _lean(_mix(ix + 1, iy, salt), tx - 1.0, ty)
    c = _lean(_mix(ix, iy + 1, salt), tx, ty - 1.0)
    d = _lean(_mix(ix + 1, iy + 1, salt), tx - 1.0, ty - 1.0)
    south = a + sx * (b - a)
    north = c + sx * (d - c)
    return 2.0 * (south + sy * (north - south))


@njit(cache=True)
def warp_u(x: float, y: float, salt: int) -> float:
    """How far east of its straight place a thing lies, metres."""
    return 14.0 * noise(x / 190.0, y / 190.0, salt + 1) + 2.2 * noise(x / 47.0, y / 47.0, salt + 2)


@njit(cache=True)
def warp_v(x: float, y: float, salt: int) -> float:
    """How far north of its straight place a thing lies, metres; the valley's own bends are the longest wave."""
    bend = 46.0 * noise(x / 520.0, 0.37, salt + 3)
    return bend + 13.0 * noise(x / 170.0, y / 210.0, salt + 4) + 2.0 * noise(x / 43.0, y / 43.0, salt + 5)


@njit(cache=True)
def _ease(t: float) -> float:
    t = min(1.0, max(0.0, t))
    return t * t * (3.0 - 2.0 * t)


@njit(cache=True)
def _along(t: float, fade: float) -> float:
    """1 along a stretch from 0 to 1, easing to 0 over `fade` at both ends."""
    return _ease(t / fade) * _ease((1.0 - t) / fade)


@njit(cache=True)
def _base(u: float, v: float, gu: float, gv: float, profile: Floats, salt: int) -> float:
    """The slope before anything was cut into it: valley profile, fall of the stream, spurs."""
    at = (v + 450.0) * 2.0
    i = min(int(at), profile.size - 2)
    t = at - i
    z = BASE_M + FALL * gu + profile[i] + t * (profile[i + 1] - profile[i])
    high = (abs(v) - 62.0) / 388.0
    if high > 0.0:
        swell = 4.0 * high * (1.0 - high)
        z += swell * (13.0 * noise(gu / 210.0, gv / 420.0, salt + 6) + 2.6 * noise(gu / 70.0, gv / 90.0, salt + 7))
    return z


@njit(cache=True)
def _hollows(u: float, v: float, hollows: Floats) -> float:
    """Depth of gullies and swales (spurs count below zero). Row: u0, v0, u1, v1, depth, half width, fade."""
    depth = 0.0
    for k in range(hollows.shape[0]):
        s = (v - hollows[k, 1]) / (hollows[k, 3] - hollows[k, 1])
        if s <= 0.0 or s >= 1.0:
            continue
        off = (u - hollows[k, 0] - s * (hollows[k, 2] - hollows[k, 0])) / hollows[k, 5]
        if off * off < 1.0:
            bowl = 1.0 - off * off
            depth += hollows[k, 4] * bowl * bowl * _along(s, hollows[k, 6])
    return depth


@njit(cache=True)
def _steps(u: float, v: float, steps: Floats) -> float:
    """What walls and banks hold up. Row: u0, v0, u1, v1, height, width of the face, levelled length behind it."""
    lift = 0.0
    for k in range(steps.shape[0]):
        s = (u - steps[k, 0]) / (steps[k, 2] - steps[k, 0])
        if s <= 0.0 or s >= 1.0:
            continue
        up = v - steps[k, 1] - s * (steps[k, 3] - steps[k, 1])
        face = steps[k, 5]
        if 0.0 < up < face + steps[k, 6]:
            held = up / face if up < face else 1.0 - _ease((up - face) / steps[k, 6])
            lift += steps[k, 4] * held * _along(s, 0.12)
    return lift


@njit(cache=True)
def _roads(
    z: float, u: float, v: float, gu: float, gv: float, profile: Floats, roads: Floats, ramps: Floats, salt: int
) -> float:
    """Cut and fill. Road: v, half width, sunk by, from u, to u, cut, fill. Ramp: road, u, towards, length."""
    for k in range(roads.shape[0]):
        off = v - roads[k, 0]
        if abs(off) > 26.0:
            continue
        upward = 1.0 if roads[k, 0] > 0.0 else -1.0
        level = _base(u, roads[k, 0], gu, gv - off, profile, salt)
        sunk = 0.15 + roads[k, 2] * _along((u - roads[k, 3]) / (roads[k, 4] - roads[k, 3]), 0.2)
        for r in range(ramps.shape[0]):
            if int(ramps[r, 0]) == k and off * ramps[r, 2] > 0.0:
                wide = abs(u - ramps[r, 1])
                if wide < 14.0:
                    share = (1.0 - _ease((wide - 4.0) / 10.0)) * (1.0 - _ease((abs(off) - ramps[r, 3]) / 10.0))
                    z += share * (level - sunk + 0.14 * off * upward - z)
        past = max(0.0, abs(off) - roads[k, 1])
        level += 0.05 * min(abs(off), roads[k, 1]) * (upward if off > 0.0 else -upward) - sunk
        z = min(z, level + roads[k, 5] * past)
        z = max(z, level - roads[k, 6] * past)
    return z


@njit(cache=True)
def height(
    x: float, y: float, profile: Floats, hollows: Floats, steps: Floats, roads: Floats, ramps: Floats,
    pits: Floats, salt: int,
) -> float:  # fmt: skip
    """Height in metres at x, y metres from the model's south-west corner; tables are (tile row, tile col, n, k)."""
    gu = x - warp_u(x, y, salt)
    gv = y - warp_v(x, y, salt)
    col = math.floor(gu / TILE_U)
    row = math.floor(gv / TILE_V)
    u = gu - col * TILE_U
    v = gv - row * TILE_V - 450.0
    i = min(max(int(row), 0), hollows.shape[0] - 1)
    j = min(max(int(col), 0), hollows.shape[1] - 1)
    z = _base(u, v, gu, gv, profile, salt)
    z += _steps(u, v, steps[i, j]) - _hollows(u, v, hollows[i, j])
    z += 0.5 * noise(x / 31.0, y / 31.0, salt + 8) + 0.16 * noise(x / 11.0, y / 11.0, salt + 9)
    z = _roads(z, u, v, gu, gv, profile, roads[i, j], ramps[i, j], salt)
    for k in range(pits.shape[2]):  # row: u, v, floor radius, rise of the walls, floor above the road's level
        du = u - pits[i, j, k, 0]
        dv = v - pits[i, j, k, 1]
        far = math.sqrt(du * du + dv * dv)
        if far < 45.0:
            floor = _base(pits[i, j, k, 0], pits[i, j, k, 4], gu - du, gv - v + pits[i, j, k, 4], profile, salt)
            z = min(z, floor + pits[i, j, k, 3] * max(0.0, far - pits[i, j, k, 2]))
    bed = BASE_M + FALL * gu + profile[900] - 1.5  # the stream
    z = min(z, bed + 0.95 * max(0.0, abs(v) - 1.6))
    return z + 0.05 * noise(x / 5.3, y / 5.3, salt + 10) + 0.06 * noise(x / 1.9, y / 1.9, salt + 11)


@njit(cache=True, nogil=True)
def fill(
    out: Floats, west: float, north: float, cell: float, profile: Floats, hollows: Floats, steps: Floats,
    roads: Floats, ramps: Floats, pits: Floats, salt: int,
) -> None:  # fmt: skip
    """Heights of a block, (rows, cols) in place, rounded to 1 cm; `west`, `north` is the block's outer corner."""
    for r in range(out.shape[0]):
        y = north - (r + 0.5) * cell
        for c in range(out.shape[1]):
            x = west + (c + 0.5) * cell
            z = height(x, y, profile, hollows, steps, roads, ramps, pits, salt)
            out[r, c] = math.floor(z * 100.0 + 0.5) / 100.0


def place(u: float, v: float, salt: int) -> tuple[float, float]:
    """Map place (x, y from the south-west corner) of a place in valley coordinates, by repeated correction."""
    x, y = u, v
    for _ in range(60):
        x, y = u + warp_u(x, y, salt), v + warp_v(x, y, salt)
    return x, y


def profile_table() -> Floats:
    """Height above the stream for v from −450 to 450 every half metre, from slopes in percent at turning points."""
    north = [(0, 2), (10, 3), (60, 6), (70, 14), (84, 19), (104, 25), (172, 36), (182, 41), (228, 50), (250, 32),
             (262, 18), (276, 12), (318, 22), (344, 58), (398, 66), (425, 48), (450, 0)]  # fmt: skip
    south = [(0, 2), (10, 2), (64, 5), (80, 10), (92, 18), (112, 25), (140, 48), (200, 63), (240, 52), (330, 44),
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
