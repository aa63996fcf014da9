"""The hot loops of ordering a walk: the nearest place next, then crossings untied."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Floats

Order = npt.NDArray[np.int64]

LEAST_GAIN_M = 1e-6  # less is rounding, and would let the loop turn for ever
PASSES = 60  # far more than it takes; a bound on time all the same


@njit(cache=True)
def nearest_next(x: Floats, y: Floats, group: Order, start: int) -> Order:
    """From `start` always on to the nearest place not yet visited, all of a lower `group` before a higher one; the
    first in order on a tie. (places,)"""
    n = x.size
    order = np.empty(n, dtype=np.int64)
    left = np.ones(n, dtype=np.bool_)
    at = start
    for k in range(n):
        order[k] = at
        left[at] = False
        best, nearest, lowest = -1, math.inf, 0
        for i in range(n):
            if not left[i]:
                continue
            far = math.hypot(x[i] - x[at], y[i] - y[at])
            if best < 0 or group[i] < lowest or (group[i] == lowest and far < nearest):
                best, nearest, lowest = i, far, group[i]
        at = best
    return order


@njit(cache=True)
def untie(x: Floats, y: Floats, group: Order, order: Order) -> Order:
    """The same places with stretches turned round as long as that shortens the way (2-opt on an open path); a
    stretch of one `group` only, so that groups stay in their order. Never longer than `order`.

    Source: Croes 1958, Operations Research 6(6):791–812 (from memory).
    """
    path = order.copy()
    n = path.size
    for _ in range(PASSES):
        shorter = False
        for i in range(n - 1):
            for j in range(i + 1, n):
                if group[path[j]] != group[path[i]]:
                    break
                if _gain(x, y, path, i, j) > LEAST_GAIN_M:
                    _turn_round(path, i, j)
                    shorter = True
        if not shorter:
            break
    return path


@njit(cache=True)
def _turn_round(path: Order, i: int, j: int) -> None:
    while i < j:  # one part of an array set from another would take eleven seconds to compile
        path[i], path[j] = path[j], path[i]
        i, j = i + 1, j - 1


@njit(cache=True)
def _gain(x: Floats, y: Floats, path: Order, i: int, j: int) -> float:
    """Metres saved by turning places i to j of the path round."""
    saved = 0.0
    if i > 0:
        saved += _far(x, y, path[i - 1], path[i]) - _far(x, y, path[i - 1], path[j])
    if j < path.size - 1:
        saved += _far(x, y, path[j], path[j + 1]) - _far(x, y, path[i], path[j + 1])
    return saved


@njit(cache=True)
def _far(x: Floats, y: Floats, a: int, b: int) -> float:
    return math.hypot(x[a] - x[b], y[a] - y[b])
