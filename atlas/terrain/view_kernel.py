"""The hot loops of looking across terrain from one place, and the same sums in plain numpy that tests use.

A line of sight is a straight line in the ground plan. Along it, ground is seen where the gradient from the eye to
it is larger than to any ground before it. Heights come from three grids, the finest that covers a place first.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Floats

OFF = math.inf  # a place that none of the grids covers
HIDDEN, SEEN, NO_HEIGHT = 0, 1, 2

Cells = npt.NDArray[np.int64]
Steps = npt.NDArray[np.int32]
AT_ONCE = 64  # steps of a line of sight


@njit(cache=True, nogil=True)
def _on(z: Floats, place: Floats, x: float, y: float) -> float:
    """Height between four cell middles; NaN where one of them has none, OFF past the outermost middles."""
    across, down = (x - place[0]) / place[2] - 0.5, (place[1] - y) / place[3] - 0.5
    c, r = math.floor(across), math.floor(down)
    if c < 0 or r < 0 or c + 1 >= z.shape[1] or r + 1 >= z.shape[0]:
        return OFF
    a, b = across - c, down - r
    upper = (1.0 - a) * z[r, c] + a * z[r, c + 1]
    lower = (1.0 - a) * z[r + 1, c] + a * z[r + 1, c + 1]
    height: float = (1.0 - b) * upper + b * lower
    return height


@njit(cache=True, nogil=True)
def height_at(near: Floats, middle: Floats, far: Floats, places: Floats, x: float, y: float) -> float:
    """Height at a place from the finest grid that covers it; NaN in a gap, OFF past all of them.

    `places` (3, 4): west, north, cell across, cell down of each grid.
    """
    h = _on(near, places[0], x, y)
    if h == OFF:
        h = _on(middle, places[1], x, y)
    if h == OFF:
        h = _on(far, places[2], x, y)
    return h


@njit(cache=True, nogil=True, error_model="numpy")
def _axis(
    start: float, turn: float, d: float, every: float, first: int, origin: float, cell: float, sign: float,
    out: Steps, share: Floats,
) -> None:  # fmt: skip
    """Where steps of a line of sight are on an axis of a grid: the cell's middle last passed, and how far past."""
    for i in range(out.size):
        at = sign * (start + turn * ((first + i) * every) / d - origin) / cell - 0.5
        out[i] = np.int32(at)
        share[i] = at - out[i]


@njit(cache=True, nogil=True, error_model="numpy")
def _stands_above(z: Floats, cols: Steps, rows: Steps, across: Floats, down: Floats, up: float, every: float,
    first: int, limit: float) -> bool:  # fmt: skip
    """Whether ground at any of these steps, heights as in `_on`, is steeper from an eye at `up` than a limit."""
    flat, wide, one = z.ravel(), np.uint64(z.shape[1]), np.uint64(1)
    above = False
    for i in range(cols.size):
        at, a, b = np.uint64(rows[i]) * wide + np.uint64(cols[i]), across[i], down[i]
        upper = (1.0 - a) * flat[at] + a * flat[at + one]
        lower = (1.0 - a) * flat[at + wide] + a * flat[at + wide + one]
        above |= ((1.0 - b) * upper + b * lower - up) / ((first + i) * every) > limit
    return above


@njit(cache=True, nogil=True, error_model="numpy")
def sight(
    near: Floats, middle: Floats, far: Floats, places: Floats, eye: Floats, targets: Floats, every: float,
    slack: float,
) -> Bytes:  # fmt: skip
    """For each target (x, y, z) whether it is SEEN from `eye`, HIDDEN by ground before it, or has NO_HEIGHT.

    Looks at the ground every `every` metres; ground that stands above the target by less than `slack` radians, or
    within `every` of it, hides nothing.
    """
    out = np.zeros(targets.shape[0], dtype=np.uint8)
    cols, rows = np.empty(AT_ONCE, dtype=np.int32), np.empty(AT_ONCE, dtype=np.int32)
    across, down = np.empty(AT_ONCE), np.empty(AT_ONCE)
    for i in range(targets.shape[0]):
        dx, dy = targets[i, 0] - eye[0], targets[i, 1] - eye[1]
        d = math.hypot(dx, dy)
        if math.isnan(targets[i, 2]) or targets[i, 2] == OFF or d == 0.0:
            out[i] = NO_HEIGHT
            continue
        limit = math.tan(min(math.atan((targets[i, 2] - eye[2]) / d) + slack, 1.57))
        last = math.floor(d / every) + 1
        while last > 0 and not last * every < d - every:
            last -= 1
        out[i] = SEEN
        k = 1
        while k <= last and out[i] == SEEN:
            n = min(AT_ONCE, last - k + 1)
            whole = True  # a straight line that is on the grid at both ends is on it between
            for s in (k * every, (k + n - 1) * every):
                whole &= _on(near, places[0], eye[0] + dx * s / d, eye[1] + dy * s / d) != OFF
            if whole:
                _axis(eye[0], dx, d, every, k, places[0, 0], places[0, 2], 1.0, cols[:n], across[:n])
                _axis(eye[1], dy, d, every, k, places[0, 1], places[0, 3], -1.0, rows[:n], down[:n])
                if _stands_above(near, cols[:n], rows[:n], across[:n], down[:n], eye[2], every, k, limit):
                    out[i] = HIDDEN
            else:
                n = 1
                s = k * every
                h = height_at(near, middle, far, places, eye[0] + dx * s / d, eye[1] + dy * s / d)
                if h != OFF and (h - eye[2]) / s > limit:
                    out[i] = HIDDEN
            k += n
    return out


@njit(cache=True, nogil=True)
def heights_at(near: Floats, middle: Floats, far: Floats, places: Floats, xs: Floats, ys: Floats) -> Floats:
    """`height_at` of many places, NaN also past the grids."""
    out = np.empty(xs.size)
    for i in range(xs.size):
        h = height_at(near, middle, far, places, xs[i], ys[i])
        out[i] = np.nan if h == OFF else h
    return out


def heights_plain(near: Floats, middle: Floats, far: Floats, places: Floats, xs: Floats, ys: Floats) -> Floats:
    """`height_at` of many places in whole arrays; OFF past all grids."""
    out = np.full(xs.shape, OFF)
    for z, (west, north, across, down) in zip((far, middle, near), places[::-1], strict=True):
        if z.shape[0] < 2 or z.shape[1] < 2:
            continue
        c, r = (xs - west) / across - 0.5, (north - ys) / down - 0.5
        on = (c >= 0) & (r >= 0) & (np.floor(c) + 1 < z.shape[1]) & (np.floor(r) + 1 < z.shape[0])
        c0 = np.clip(np.floor(c), 0, z.shape[1] - 2).astype(np.int64)
        r0 = np.clip(np.floor(r), 0, z.shape[0] - 2).astype(np.int64)
        a, b = c - c0, r - r0
        upper = (1.0 - a) * z[r0, c0] + a * z[r0, c0 + 1]
        lower = (1.0 - a) * z[r0 + 1, c0] + a * z[r0 + 1, c0 + 1]
        out = np.where(on, (1.0 - b) * upper + b * lower, out)
    return out


def sight_plain(
    near: Floats, middle: Floats, far: Floats, places: Floats, eye: Floats, targets: Floats, every: float,
    slack: float,
) -> Bytes:  # fmt: skip
    """`sight`, a target at a time in whole arrays."""
    out = np.full(len(targets), NO_HEIGHT, dtype=np.uint8)
    for i, (x, y, z) in enumerate(targets.tolist()):
        d = math.hypot(x - eye[0], y - eye[1])
        if not math.isfinite(z) or d == 0.0:
            continue
        s = np.arange(1, max(1, math.ceil(d / every))) * every
        s = s[s < d - every]
        h = heights_plain(near, middle, far, places, eye[0] + (x - eye[0]) * s / d, eye[1] + (y - eye[1]) * s / d)
        known = np.isfinite(h)
        up = np.arctan((h[known] - eye[2]) / s[known])
        out[i] = HIDDEN if (up > math.atan((z - eye[2]) / d) + slack).any() else SEEN
    return out
