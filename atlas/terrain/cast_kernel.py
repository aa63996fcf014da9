"""The hot loop of a view: what every line of sight meets, and the same in plain numpy that tests use.

Along a straight line both axes rise or fall steadily, so each grid is met in one stretch. Angles are worked out
only where they can change a row of the picture: an arctangent costs more than all else in a step.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats, Floats32
from atlas.terrain.view_kernel import OFF, Cells, Steps, heights_plain

SKY, GROUND, GAP, BEYOND = 0, 1, 2, 3  # what a pixel shows; the last two: nobody has measured what is there

Cast = tuple[Floats32, Bytes, Floats, Floats, Floats, Cells, Cells, Floats]
HIDDEN_M, HIDDEN_SHARE = 4.0, 0.05  # a ridge is drawn where it hides so much, metres and share of its distance
SURELY = 1e-9  # radians; far more than rounding moves an angle, far less than a pixel


@njit(cache=True, nogil=True, error_model="numpy")
def _first(
    start: float, turn: float, origin: float, cell: float, sign: float, least: int, shift: float, distances: Floats
) -> int:
    """The first of the rising `distances` at which a line that goes up an axis has come to the cell `least`, or
    one that goes down it has left that cell; their number if none is. `shift`: where a cell begins, in cells."""
    up = turn * sign >= 0.0
    low, high = 0, distances.size
    while low < high:
        k = (low + high) // 2
        if (math.floor(sign * (start + distances[k] * turn - origin) / cell - shift) >= least) == up:
            high = k
        else:
            low = k + 1
    return low


@njit(cache=True, nogil=True, error_model="numpy")
def _stretch(
    rows: int, cols: int, place: Floats, shift: float, eye: Floats, east: float, north: float, distances: Floats
) -> tuple[int, int]:
    """From which distance on a line of sight lies in so many cells, and up to which, as indices."""
    begin, end = 0, distances.size
    for axis in range(2):
        turn, sign, n = (east, 1.0, cols) if axis == 0 else (north, -1.0, rows)
        low = _first(eye[axis], turn, place[axis], place[2 + axis], sign, 0, shift, distances)
        high = _first(eye[axis], turn, place[axis], place[2 + axis], sign, n, shift, distances)
        up = turn * sign >= 0.0
        begin, end = max(begin, low if up else high), min(end, high if up else low)
    return begin, end


@njit(cache=True, nogil=True, error_model="numpy")
def _axis(
    start: float,
    turn: float,
    origin: float,
    cell: float,
    sign: float,
    distances: Floats,
    out: Steps,
    share: Floats,
) -> None:
    """Where a line of sight is on one axis of a grid: the last middle of a cell it passed, and how far past it."""
    for k in range(distances.size):
        at = sign * (start + distances[k] * turn - origin) / cell - 0.5
        out[k] = np.int32(at)
        share[k] = at - out[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _gradients(
    z: Floats, place: Floats, eye: Floats, east: float, north: float, distances: Floats, cols: Steps, rows: Steps,
    across: Floats, down: Floats, out: Floats,
) -> None:  # fmt: skip
    """Into `out` the gradients from the eye to the ground on a stretch of one grid, heights as in `height_at`.

    `cols`, `rows`, `across` and `down` are room to work in: of loops as plain as this a processor runs several
    steps at a time.
    """
    _axis(eye[0], east, place[0], place[2], 1.0, distances, cols, across)
    _axis(eye[1], north, place[1], place[3], -1.0, distances, rows, down)
    flat, wide, one = z.ravel(), np.uint64(z.shape[1]), np.uint64(1)
    for k in range(distances.size):
        i, a, b = np.uint64(rows[k]) * wide + np.uint64(cols[k]), across[k], down[k]
        upper = (1.0 - a) * flat[i] + a * flat[i + one]
        lower = (1.0 - a) * flat[i + wide] + a * flat[i + wide + one]
        out[k] = ((1.0 - b) * upper + b * lower - eye[2]) / distances[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _along(
    near: Floats, middle: Floats, far: Floats, places: Floats, eye: Floats, east: float, north: float,
    distances: Floats, cols: Steps, rows: Steps, across: Floats, down: Floats, out: Floats,
) -> int:  # fmt: skip
    """Into `out` the gradients along a line of sight, NaN in gaps; returns how many there are before heights end.
    Each from the finest grid that covers the place."""
    a0, b0 = _stretch(near.shape[0] - 1, near.shape[1] - 1, places[0], 0.5, eye, east, north, distances)
    a1, b1 = _stretch(middle.shape[0] - 1, middle.shape[1] - 1, places[1], 0.5, eye, east, north, distances)
    a2, b2 = _stretch(far.shape[0] - 1, far.shape[1] - 1, places[2], 0.5, eye, east, north, distances)
    k = 0
    while k < distances.size:
        if a0 <= k < b0:
            z, place, end = near, places[0], b0
        elif a1 <= k < b1:
            z, place, end = middle, places[1], min(b1, a0) if a0 > k else b1
        elif a2 <= k < b2:
            z, place, end = far, places[2], min(b2, a0) if a0 > k else b2
            end = min(end, a1) if a1 > k else end
        else:
            break
        _gradients(z, place, eye, east, north, distances[k:end], cols, rows, across, down, out[k:end])
        k = end
    return k


@njit(cache=True, nogil=True, error_model="numpy")
def _rising(gradients: Floats, end: int, out: Cells) -> int:
    """Into `out` which gradients are larger than all before, or NaN; how many. Without a branch: whether ground is
    seen is as good as chance, and a wrong guess costs more than a step."""
    steepest, count = -math.inf, 0
    for k in range(end):
        t = gradients[k]
        out[count] = k
        count += not t <= steepest
        steepest = t if t > steepest else steepest
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def _cells(
    place: Floats, eye: Floats, east: float, north: float, distances: Floats, wide: int, out: Steps
) -> None:
    """Into `out` the flat indices of the field's cells on a stretch of a line of sight."""
    cols = np.int32(wide)
    for k in range(distances.size):
        c = np.int32((eye[0] + distances[k] * east - place[0]) / place[2])
        r = np.int32((place[1] - (eye[1] + distances[k] * north)) / place[3])
        out[k] = r * cols + c


@njit(cache=True, nogil=True, error_model="numpy")
def _longer(array: np.ndarray) -> np.ndarray:
    return np.concatenate((array, np.empty_like(array)))


@njit(cache=True, nogil=True, error_model="numpy")
def _edges(top: float, step: float, rows: int) -> tuple[Floats, Floats]:
    """Gradients a little under and over the edges and middles of all rows, from the top edge of the first down."""
    under, over = np.empty(2 * rows + 1), np.empty(2 * rows + 1)
    most = math.pi / 2
    for half in range(under.size):
        angle = top - half * step / 2
        under[half] = math.tan(max(-most, min(most, angle - SURELY)))
        over[half] = math.tan(max(-most, min(most, angle + SURELY)))
    return under, over


@njit(cache=True, nogil=True, error_model="numpy")
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
    n = distances.size
    room = np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int32), np.empty(n), np.empty(n)
    gradients, rising, cell_at = np.empty(n), np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int32)
    flat = inside.ravel()
    under, over = _edges(top, step, rows)
    count, crests = 0, 0
    for col in range(cols):
        east, north = math.sin(azimuths[col]), math.cos(azimuths[col])
        end = _along(near, middle, far, places, eye, east, north, distances, *room, gradients)
        steepest, empty, last_m, last_pixel, last_cell = -math.inf, rows - 1, 0.0, -1, -1
        row, half = (
            math.floor((top + math.pi / 2) / step),
            2 * rows,
        )  # of the steepest angle so far; surely no higher
        if end < n:
            known_m[col] = distances[end]
        begin, beyond = _stretch(inside.shape[0], inside.shape[1], place, 0.0, eye, east, north, distances)
        _cells(place, eye, east, north, distances[begin:beyond], inside.shape[1], cell_at[begin:beyond])
        while pixels.size < count + rows + n:  # a step shows new rows, and one more that is shown already
            pixels, cells = _longer(pixels), _longer(cells)
        while ridges.shape[0] < crests + n:
            ridges = _longer(ridges)
        for k in rising[: _rising(gradients, end, rising)]:
            t, d = gradients[k], distances[k]
            if math.isnan(t):
                known_m[col] = min(known_m[col], d)
                continue
            gap = k > 0 and math.isnan(gradients[k - 1])
            if last_m > 0.0 and d - last_m > max(HIDDEN_M, HIDDEN_SHARE * d) and not gap:
                ridges[crests, 0], ridges[crests, 1] = col + 0.5, (top - math.atan(steepest)) / step
                ridges[crests, 2], ridges[crests, 3] = last_m, d
                crests += 1
            last_m, steepest, low = d, t, min(rows - 1, row)
            while half >= 0 and t > over[half]:
                half -= 1
            row, first = half >> 1, (half + 1) >> 1
            if half >= 0 and t > under[half]:
                away = (top - math.atan(t)) / step
                row, first = math.floor(away), max(0, math.ceil(away - 0.5))
            while empty >= first:
                kind[empty, col] = GAP if gap else GROUND
                if not gap:
                    depth[empty, col] = d
                empty -= 1
            if gap or k < begin or k >= beyond:
                continue
            cell = cell_at[k]
            if flat[cell] == 0:
                continue
            for line in range(max(0, row), low + 1):
                pixel = line * cols + col
                if pixel == last_pixel and cell == last_cell:
                    continue
                pixels[count], cells[count] = pixel, cell
                count += 1
                last_pixel, last_cell = pixel, cell
        if last_m > 0.0:
            horizon[col], horizon_m[col] = math.atan(steepest), last_m
        if known_m[col] < np.inf:
            kind[: empty + 1, col] = BEYOND
    found = ridges[:crests].copy()
    return depth, kind, horizon, horizon_m, known_m, pixels[:count], cells[:count], found


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
        below = np.concatenate([[-math.pi / 2], up[shown]])[:-1]
        for k, low in zip(shown.tolist(), below.tolist(), strict=True):
            c, r = math.floor((xs[k] - place[0]) / place[2]), math.floor((place[1] - ys[k]) / place[3])
            if 0 <= r < inside.shape[0] and 0 <= c < inside.shape[1] and inside[r, c] and not after_gap[k]:
                last = min(rows - 1, math.floor((top - low) / step))
                for row in range(max(0, math.floor((top - up[k]) / step)), last + 1):
                    pairs.add((row * cols + col, r * inside.shape[1] + c))
    return depth, kind, horizon, horizon_m, known_m, pairs
