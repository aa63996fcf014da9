"""The hot loops of looking across terrain from one place, and the same sums in plain numpy that tests use.

A line of sight is a straight line in the ground plan. Along it, ground is seen where the gradient from the eye to
it is larger than to any ground before it. Heights come from three grids, the finest that covers a place first.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Floats, Floats32

SKY, GROUND, GAP, BEYOND = 0, 1, 2, 3  # what a pixel shows; the last two: nobody has measured what is there
OFF = math.inf  # a place that none of the grids covers
HIDDEN, SEEN, NO_HEIGHT = 0, 1, 2

Cells = npt.NDArray[np.int64]
Cast = tuple[Floats32, Bytes, Floats, Floats, Floats, Cells, Cells, Floats]
HIDDEN_M, HIDDEN_SHARE = (
    4.0,
    0.05,
)  # a ridge is drawn where it hides so much ground, metres and share of its distance


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


@njit(cache=True, nogil=True, inline="always")  # called as it is, it would cost a fifth more
def _further(
    near: Floats, middle: Floats, far: Floats, places: Floats, x: float, y: float, level: int, been: bool
) -> tuple[float, int, bool]:
    """`height_at` for the next place on a line of sight, and what to go on with: the first grid worth asking, and
    whether the line has been on it. A straight line that has left a grid never comes back."""
    h = OFF
    if level == 0:
        h = _on(near, places[0], x, y)
        if h != OFF:
            return h, 0, True
        if been:
            level, been = 1, False
    if level <= 1:
        h = _on(middle, places[1], x, y)
        if h != OFF:
            return h, level, been or level == 1
        if been and level == 1:
            level = 2
    return _on(far, places[2], x, y), level, been


@njit(cache=True, nogil=True)
def cast(
    near: Floats, middle: Floats, far: Floats, places: Floats, eye: Floats, azimuths: Floats, distances: Floats,
    top: float, step: float, rows: int, inside: Bytes, place: Floats,
) -> Cast:  # fmt: skip
    """What is seen from `eye` (x, y, z) along each azimuth (radians from north), at rising distances (metres).

    Pixels are `step` radians high and counted down from `top`, an angle above the level. Returns the metres to the
    ground in each pixel's middle (rows, cols), NaN where there is none; what the pixel shows; per column the angle
    of the horizon, the metres to it, and the metres at which heights end or have their first gap (inf: nowhere);
    pairs of a pixel and a cell of the field that is seen within it, both as flat indices (`inside` is set in the
    field's cells, of the grid that lies at `place`); and ridges (n, 4): column, row, metres to it, metres to the
    ground seen behind it.
    """
    cols = azimuths.size
    depth = np.full((rows, cols), np.nan, dtype=np.float32)
    kind = np.zeros((rows, cols), dtype=np.uint8)
    horizon, horizon_m = np.full(cols, -math.pi / 2), np.zeros(cols)
    known_m = np.full(cols, np.inf)
    pixels, cells = np.empty(1 << 16, dtype=np.int64), np.empty(1 << 16, dtype=np.int64)
    ridges = np.empty((1 << 12, 4))
    count, crests = 0, 0
    for col in range(cols):
        east, north = math.sin(azimuths[col]), math.cos(azimuths[col])
        steepest, angle, empty, gap = -math.inf, -math.pi / 2, rows - 1, False
        last_pixel, last_cell, last_m = -1, -1, 0.0
        level, been = 0, False
        for k in range(distances.size):
            d = distances[k]
            x, y = eye[0] + d * east, eye[1] + d * north
            h, level, been = _further(near, middle, far, places, x, y, level, been)
            if h == OFF or math.isnan(h):
                known_m[col] = min(known_m[col], d)
                gap = True
                if h == OFF:
                    break
                continue
            t = (h - eye[2]) / d
            if t <= steepest:
                gap = False
                continue
            low = min(rows - 1, math.floor((top - angle) / step))
            if last_m > 0.0 and d - last_m > max(HIDDEN_M, HIDDEN_SHARE * d) and not gap:
                if crests == ridges.shape[0]:
                    ridges = np.concatenate((ridges, np.empty_like(ridges)))
                ridges[crests, 0], ridges[crests, 1] = col + 0.5, (top - angle) / step
                ridges[crests, 2], ridges[crests, 3] = last_m, d
                crests += 1
            last_m = d
            steepest, angle = t, math.atan(t)
            first = max(0, math.ceil((top - angle) / step - 0.5))
            while empty >= first:
                kind[empty, col] = GAP if gap else GROUND
                if not gap:
                    depth[empty, col] = d
                empty -= 1
            horizon[col], horizon_m[col] = angle, d
            c, r = math.floor((x - place[0]) / place[2]), math.floor((place[1] - y) / place[3])
            within = 0 <= r < inside.shape[0] and 0 <= c < inside.shape[1] and inside[r, c] > 0
            if within and not gap:
                cell = r * inside.shape[1] + c
                for row in range(max(0, math.floor((top - angle) / step)), low + 1):
                    pixel = row * cols + col
                    if pixel == last_pixel and cell == last_cell:
                        continue
                    if count == pixels.size:
                        pixels = np.concatenate((pixels, np.empty_like(pixels)))
                        cells = np.concatenate((cells, np.empty_like(cells)))
                    pixels[count], cells[count] = pixel, cell
                    count += 1
                    last_pixel, last_cell = pixel, cell
            gap = False
        if known_m[col] < np.inf:
            for row in range(empty + 1):
                kind[row, col] = BEYOND
    found = ridges[:crests].copy()
    return depth, kind, horizon, horizon_m, known_m, pixels[:count].copy(), cells[:count].copy(), found


@njit(cache=True, nogil=True)
def sight(
    near: Floats, middle: Floats, far: Floats, places: Floats, eye: Floats, targets: Floats, every: float,
    slack: float,
) -> Bytes:  # fmt: skip
    """For each target (x, y, z) whether it is SEEN from `eye`, HIDDEN by ground before it, or has NO_HEIGHT.

    Looks at the ground every `every` metres; ground that stands above the target by less than `slack` radians, or
    within `every` of it, hides nothing.
    """
    out = np.zeros(targets.shape[0], dtype=np.uint8)
    for i in range(targets.shape[0]):
        dx, dy = targets[i, 0] - eye[0], targets[i, 1] - eye[1]
        d = math.hypot(dx, dy)
        if math.isnan(targets[i, 2]) or targets[i, 2] == OFF or d == 0.0:
            out[i] = NO_HEIGHT
            continue
        limit = math.tan(min(math.atan((targets[i, 2] - eye[2]) / d) + slack, 1.57))
        out[i] = SEEN
        k = 1
        while k * every < d - every:
            s = k * every
            h = height_at(near, middle, far, places, eye[0] + dx * s / d, eye[1] + dy * s / d)
            if h != OFF and (h - eye[2]) / s > limit:
                out[i] = HIDDEN
                break
            k += 1
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


def cast_plain(
    near: Floats, middle: Floats, far: Floats, places: Floats, eye: Floats, azimuths: Floats, distances: Floats,
    top: float, step: float, rows: int, inside: Bytes, place: Floats,
) -> tuple[Floats32, Bytes, Floats, Floats, Floats, set[tuple[int, int]]]:  # fmt: skip
    """`cast` without its ridges, a column at a time: a pixel shows the first ground that reaches its middle."""
    cols = azimuths.size
    depth = np.full((rows, cols), np.nan, dtype=np.float32)
    kind = np.zeros((rows, cols), dtype=np.uint8)
    horizon, horizon_m, known_m = np.full(cols, -math.pi / 2), np.zeros(cols), np.full(cols, np.inf)
    pairs: set[tuple[int, int]] = set()
    middles = top - (np.arange(rows) + 0.5) * step
    for col, azimuth in enumerate(azimuths.tolist()):
        xs, ys = eye[0] + distances * math.sin(azimuth), eye[1] + distances * math.cos(azimuth)
        h = heights_plain(near, middle, far, places, xs, ys)
        end = int(np.argmax(h == OFF)) if (h == OFF).any() else h.size
        gaps = np.isnan(h[:end])
        unknown = np.flatnonzero(np.append(gaps, end < h.size))
        if unknown.size:
            known_m[col] = distances[unknown[0]]
        t = np.where(gaps, -np.inf, (h[:end] - eye[2]) / distances[:end])
        reached = np.maximum.accumulate(t)
        up = np.where(np.isinf(reached), -math.pi / 2, np.arctan(reached))
        before = np.concatenate([[-np.inf], reached[:-1]])
        after_gap = np.concatenate([[False], gaps[:-1]])
        shown = np.flatnonzero(t > before)
        first = np.searchsorted(up, middles)
        ground = first < end
        kind[ground, col] = np.where(after_gap[first[ground]], GAP, GROUND)
        depth[ground, col] = np.where(after_gap[first[ground]], np.nan, distances[first[ground]])
        kind[~ground, col] = BEYOND if unknown.size else SKY
        if shown.size:
            horizon[col], horizon_m[col] = up[shown[-1]], distances[shown[-1]]
        below = np.concatenate([[-math.pi / 2], up[shown][:-1]])
        for k, low in zip(shown.tolist(), below.tolist(), strict=True):
            c, r = math.floor((xs[k] - place[0]) / place[2]), math.floor((place[1] - ys[k]) / place[3])
            if 0 <= r < inside.shape[0] and 0 <= c < inside.shape[1] and inside[r, c] and not after_gap[k]:
                last = min(rows - 1, math.floor((top - low) / step))
                for row in range(max(0, math.floor((top - up[k]) / step)), last + 1):
                    pairs.add((row * cols + col, r * inside.shape[1] + c))
    return depth, kind, horizon, horizon_m, known_m, pairs


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
