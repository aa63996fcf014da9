"""The loops of `walk_kernel` in plain numpy, slow and easy to check: the tests hold the kernels to them."""

from __future__ import annotations

import numpy as np

from atlas.driving.walk_kernel import LEAST_GAIN_M, PASSES, Order
from atlas.grid import Floats


def nearest_next_plain(x: Floats, y: Floats, group: Order, start: int) -> Order:
    """From `start` always on to the nearest place left of the lowest group left."""
    order = [start]
    left = [i for i in range(x.size) if i != start]
    while left:
        at = order[-1]
        order.append(min(left, key=lambda i: (group[i], np.hypot(x[i] - x[at], y[i] - y[at]), i)))
        left.remove(order[-1])
    return np.array(order, dtype=np.int64)


def untie_plain(x: Floats, y: Floats, group: Order, order: Order) -> Order:
    """Every stretch of one group turned round where the whole path gets shorter by it, until none does."""
    path = order
    for _ in range(PASSES):
        before = path
        for i in range(path.size - 1):
            for j in range(i + 1, path.size):
                if (group[path[i : j + 1]] != group[path[i]]).any():
                    break
                turned = np.concatenate([path[:i], path[i : j + 1][::-1], path[j + 1 :]])
                if path_length(x, y, path) - path_length(x, y, turned) > LEAST_GAIN_M:
                    path = turned
        if path is before:
            break
    return path


def path_length(x: Floats, y: Floats, path: Order) -> float:
    """Metres along a path."""
    return float(np.hypot(np.diff(x[path]), np.diff(y[path])).sum())
