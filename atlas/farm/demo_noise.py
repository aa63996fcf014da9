"""Smooth noise for the invented landscape, the same on every machine: tables of whole-number hashes, no functions
of the mathematics library."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

PERIOD = 1024  # lattice cells until the pattern comes round again
_MASK = 0xFFFFFFFF


def _mixed(n: int) -> int:
    """32 well-stirred bits of a whole number."""
    h = (n * 0x9E3779B1 + 0x85EBCA77) & _MASK
    h ^= h >> 15
    h = (h * 0x2C1B3C6D) & _MASK
    h ^= h >> 12
    h = (h * 0x297A2D39) & _MASK
    return h ^ (h >> 15)


PERM = np.array(sorted(range(PERIOD), key=_mixed), dtype=np.int64)
LEAN_X = np.array([(_mixed(n + 5000) & 0xFFFF) / 32767.5 - 1.0 for n in range(PERIOD)])
LEAN_Y = np.array([(_mixed(n + 9000) & 0xFFFF) / 32767.5 - 1.0 for n in range(PERIOD)])


@njit(cache=True)
def noise(x: float, y: float, salt: int) -> float:
    """Gradient noise over a lattice of whole numbers: mean 0, within ±2, standard deviation about 0.35."""
    fx = math.floor(x)
    fy = math.floor(y)
    ix = int(fx) + (salt >> 10)
    iy = int(fy) + salt
    tx = x - fx
    ty = y - fy
    sx = tx * tx * tx * (tx * (tx * 6.0 - 15.0) + 10.0)
    sy = ty * ty * ty * (ty * (ty * 6.0 - 15.0) + 10.0)
    south = PERM[iy & 1023]
    north = PERM[(iy + 1) & 1023]
    a = PERM[(ix + south) & 1023]
    b = PERM[(ix + 1 + south) & 1023]
    c = PERM[(ix + north) & 1023]
    d = PERM[(ix + 1 + north) & 1023]
    za = LEAN_X[a] * tx + LEAN_Y[a] * ty
    zb = LEAN_X[b] * (tx - 1.0) + LEAN_Y[b] * ty
    zc = LEAN_X[c] * tx + LEAN_Y[c] * (ty - 1.0)
    zd = LEAN_X[d] * (tx - 1.0) + LEAN_Y[d] * (ty - 1.0)
    low = za + sx * (zb - za)
    high = zc + sx * (zd - zc)
    return float(2.0 * (low + sy * (high - low)))


@njit(cache=True)
def noise_pair(x: float, y: float, salt: int) -> tuple[float, float]:
    """Two independent noises for little more than the price of one: the second turns the leans a quarter."""
    fx = math.floor(x)
    fy = math.floor(y)
    ix = int(fx) + (salt >> 10)
    iy = int(fy) + salt
    tx = x - fx
    ty = y - fy
    sx = tx * tx * tx * (tx * (tx * 6.0 - 15.0) + 10.0)
    sy = ty * ty * ty * (ty * (ty * 6.0 - 15.0) + 10.0)
    south = PERM[iy & 1023]
    north = PERM[(iy + 1) & 1023]
    a = PERM[(ix + south) & 1023]
    b = PERM[(ix + 1 + south) & 1023]
    c = PERM[(ix + north) & 1023]
    d = PERM[(ix + 1 + north) & 1023]
    za = LEAN_X[a] * tx + LEAN_Y[a] * ty
    zb = LEAN_X[b] * (tx - 1.0) + LEAN_Y[b] * ty
    zc = LEAN_X[c] * tx + LEAN_Y[c] * (ty - 1.0)
    zd = LEAN_X[d] * (tx - 1.0) + LEAN_Y[d] * (ty - 1.0)
    low = za + sx * (zb - za)
    high = zc + sx * (zd - zc)
    qa = LEAN_Y[a] * tx - LEAN_X[a] * ty
    qb = LEAN_Y[b] * (tx - 1.0) - LEAN_X[b] * ty
    qc = LEAN_Y[c] * tx - LEAN_X[c] * (ty - 1.0)
    qd = LEAN_Y[d] * (tx - 1.0) - LEAN_X[d] * (ty - 1.0)
    below = qa + sx * (qb - qa)
    above = qc + sx * (qd - qc)
    return 2.0 * (low + sy * (high - low)), 2.0 * (below + sy * (above - below))
