"""One pass over a field's cells for all its slope figures; its plain reading is `statistics.tally_plain`."""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats
from atlas.terrain.classes import UNKNOWN

BINS = 1024


@njit(cache=True)
def tally(
    gx: Floats, gy: Floats, z: Floats, covered: Floats, limits: Floats, counts_from: float, classes: Bytes
) -> tuple[Floats, Floats]:
    """Fill `classes` (rows, cols) and return covered cells per class, the last entry unsurveyed
    (len(limits) + 2,), and the figures `statistics.Tally` names, in its order; sums are in covered cells."""
    rows, cols = z.shape
    per_class = np.zeros(limits.size + 2)
    surface, weight, sum_g, sum_x, sum_y, top = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    low, high = np.inf, -np.inf
    steep, share = np.empty(rows * cols), np.empty(rows * cols)
    n = 0
    for r in range(rows):
        for c in range(cols):
            g, kind = 0.0, UNKNOWN
            if not np.isnan(gx[r, c]):
                g, kind = np.sqrt(gx[r, c] * gx[r, c] + gy[r, c] * gy[r, c]), 0
                while kind < limits.size and g > limits[kind]:
                    kind += 1
            classes[r, c] = kind
            part = covered[r, c]
            if part <= 0.0:
                continue
            if part >= counts_from and np.isfinite(z[r, c]):
                low, high = min(low, z[r, c]), max(high, z[r, c])
            if kind == UNKNOWN:
                per_class[-1] += part
                continue
            per_class[kind] += part
            surface += part * np.sqrt(1.0 + g * g)
            if part >= counts_from:
                weight += part
                sum_g += part * g
                sum_x += part * gx[r, c]
                sum_y += part * gy[r, c]
                top = max(top, g)
                steep[n], share[n] = g, part
                n += 1
    p95 = least_covering(steep[:n], share[:n], 0.95, weight, top)
    return per_class, np.array([surface, low, high, weight, sum_g, sum_x, sum_y, p95, top])


@njit(cache=True)
def covered_per_class(classes: Bytes, covered: Floats, count: int) -> Floats:
    """Covered cells of each class, (count,); unknown ones are left out."""
    found = np.zeros(count)
    for r in range(classes.shape[0]):
        for c in range(classes.shape[1]):
            if classes[r, c] < count:
                found[classes[r, c]] += covered[r, c]
    return found


@njit(cache=True)
def least_covering(values: Floats, weights: Floats, share: float, total: float, top: float) -> float:
    """The smallest value at or under which lies at least `share` of the weight; 0 ≤ values ≤ top. NaN of none."""
    if values.size == 0:
        return np.nan
    want = share * total * (1.0 - 1e-11)  # rounding of the sums must not push the mark past a value
    per_bin = np.zeros(BINS)
    scale = (BINS - 1) / top if top > 0.0 else 0.0
    for i in range(values.size):
        per_bin[int(values[i] * scale)] += weights[i]
    under, at = 0.0, 0
    while at < BINS - 1 and under + per_bin[at] < want:
        under += per_bin[at]
        at += 1
    inside = np.empty(values.size, dtype=np.int64)
    n = 0
    for i in range(values.size):
        if int(values[i] * scale) == at:
            inside[n] = i
            n += 1
    order = inside[:n][np.argsort(values[inside[:n]])]
    for i in order:
        under += weights[i]
        if under >= want:
            return float(values[i])
    return float(values[order[-1]])
