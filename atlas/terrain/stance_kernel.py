"""How a four-wheeled machine tilts on each cell: the hot loops, held to their numpy reading by the tests.

A row of cells is taken heading by heading: where the wheels stand, their heights, the largest tilt so far.
Only the heights are looked up one by one; the loops before and after have no branches, so that the compiler
takes several cells at a time.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Floats, Floats32

LEVEL = 0.03  # below this gradient a cell has no fall line to speak of
SNAP = 1e-9  # of a cell: a wheel this near a line of cell centres stands on it


@njit(cache=True, nogil=True)
def bilinear_terms(z: Floats) -> Floats:
    """What bilinear heights between four cell centres are made of, flat, four per cell: the height at the cell's
    own centre, the rise to the next column, to the next row, and the twist. Done once for all headings."""
    rows, cols = z.shape
    terms = np.full(rows * cols * 4, math.nan)
    for r in range(rows - 1):
        for c in range(cols - 1):
            n = (r * cols + c) * 4
            here, right, below = z[r, c], z[r, c + 1], z[r + 1, c]
            terms[n], terms[n + 1], terms[n + 2] = here, right - here, below - here
            terms[n + 3] = (z[r + 1, c + 1] - below) - (right - here)
    return terms


@njit(cache=True, nogil=True)
def stance_extremes(
    z: Floats,
    terms: Floats,
    gx: Floats,
    gy: Floats,
    covered: Floats32,
    cell_x: float,
    cell_y: float,
    track: float,
    wheelbase: float,
    wheels: Floats,
    n_beside: int,
    n_fall: int,
    out: Floats32,
) -> None:
    """Fill `out` (6, rows, cols): largest roll, pitch and stance over all headings, then over the fall line's.

    `wheels` (headings, 4) holds metres ahead and to the left of the front left and the front right wheel as seen
    down the fall line. A heading and its opposite put the wheels on the same four points, so only one of the two
    is listed. Its first `n_fall` rows are the headings near the fall line, of which the first `n_beside` are none
    of the sixteen winds and mean nothing on level cells. `terms` is `bilinear_terms(z)`.
    """
    rows, cols = z.shape
    reach = math.hypot(track, wheelbase) / 2.0
    edge_r = math.ceil(reach / cell_y) + 1
    edge_c = math.ceil(reach / cell_x) + 1
    across, along = 1.0 / track, 0.5 / wheelbase
    col, here = np.empty(cols, np.int64), np.empty(cols, np.int64)
    level = np.empty(cols, np.bool_)
    way, spots = np.empty((2, cols)), np.empty((4, cols))
    steps, heights = np.empty((2, cols), np.int32), np.empty((4, cols))
    largest, fall = np.empty((4, cols)), np.empty((3, cols))
    out[:] = math.nan
    for r in range(rows):
        n = _known_cells(gx[r], gy[r], covered[r], col, level, way)
        here[:n] = col[:n] + r * cols
        open_row = edge_r <= r < rows - edge_r
        first = np.searchsorted(col[:n], edge_c) if open_row else n
        last = np.searchsorted(col[:n], cols - edge_c) if open_row else n
        part = slice(first, max(first, last))
        size = part.stop - part.start
        largest[:, :size] = 0.0
        for k in range(wheels.shape[0]):
            _place(wheels[k], way[0][part], way[1][part], cell_x, cell_y, cols, steps, spots)
            _opposite_heights(terms, cols, here[part], steps[0], spots[0], spots[1], heights[0], heights[1])
            _opposite_heights(terms, cols, here[part], steps[1], spots[2], spots[3], heights[2], heights[3])
            _keep_largest(int(size), heights, across, along, largest)
            if k == n_beside - 1:
                _forget_level(level[part], largest)
            if k == n_fall - 1:
                fall[:, :size] = largest[:3, :size]
        _write(out[:, r], col[part], level[part], largest, fall)
        for i in range(n):
            if math.isnan(out[0, r, col[i]]):  # near an edge or a gap: mind which cells carry weight
                start = n_beside if level[i] else 0
                _careful(z, r, col[i], way[:, i], cell_x, cell_y, across, along, wheels, start, n_fall, out)


@njit(cache=True, nogil=True)
def _known_cells(
    gx: Floats, gy: Floats, covered: Floats32, col: np.ndarray, level: np.ndarray, way: Floats
) -> int:
    """List a row's covered cells with a slope, and the unit vector (east, north) that headings count from."""
    n = 0
    for c in range(covered.size):
        slope = math.sqrt(gx[c] * gx[c] + gy[c] * gy[c])
        if covered[c] > 0.0 and slope >= 0.0:  # a slope that is NaN is not
            col[n], level[n] = c, slope < LEVEL
            way[0, n], way[1, n] = (0.0, 1.0) if slope < LEVEL else (-gx[c] / slope, -gy[c] / slope)
            n += 1
    return n


@njit(cache=True, nogil=True)
def _place(
    wheel: Floats,
    east: Floats,
    north: Floats,
    cell_x: float,
    cell_y: float,
    cols: int,
    steps: np.ndarray,
    spots: Floats,
) -> None:
    """Where the two front wheels stand: steps to the cell whose centre is above and left, and how far past it."""
    per_x, per_y, width = 1.0 / cell_x, 1.0 / cell_y, np.int32(cols)
    for w in range(2):
        ahead, left = wheel[2 * w], wheel[2 * w + 1]
        step, down, right = steps[w], spots[2 * w], spots[2 * w + 1]
        for i in range(east.size):
            x = (ahead * east[i] - left * north[i]) * per_x
            y = -(ahead * north[i] + left * east[i]) * per_y
            col, row = np.floor(x), np.floor(y)
            right[i], down[i] = x - col, y - row
            step[i] = np.int32(row) * width + np.int32(col)


@njit(cache=True, nogil=True)
def _opposite_heights(
    terms: Floats,
    cols: int,
    here: np.ndarray,
    step: np.ndarray,
    down: Floats,
    right: Floats,
    there: Floats,
    back: Floats,
) -> None:
    """Heights at an offset from each cell's centre and at its opposite, all four cells known to be on the grid."""
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    for i in range(here.size):
        n = np.uint64(here[i] + step[i]) << two  # unsigned, so that no index is tried for counting from the end
        m = np.uint64(here[i] - step[i] - cols - 1) << two
        fr, fc = down[i], right[i]
        gr, gc = 1.0 - fr, 1.0 - fc
        there[i] = terms[n] + terms[n + one] * fc + fr * (terms[n + two] + terms[n + three] * fc)
        back[i] = terms[m] + terms[m + one] * gc + gr * (terms[m + two] + terms[m + three] * gc)


@njit(cache=True, nogil=True)
def _keep_largest(n: int, heights: Floats, across: float, along: float, largest: Floats) -> None:
    """Raise `largest` (roll, pitch, stance squared, and a sum that turns NaN at a gap) to this heading's."""
    fl, rr, fr, rl = heights[0], heights[1], heights[2], heights[3]
    rolls, pitches, stances, sums = largest[0], largest[1], largest[2], largest[3]
    for i in range(n):
        front, rear = abs(fl[i] - fr[i]), abs(rl[i] - rr[i])
        roll = (front if front > rear else rear) * across
        pitch = abs((fl[i] + fr[i]) - (rl[i] + rr[i])) * along
        stance = roll * roll + pitch * pitch
        rolls[i] = roll if roll > rolls[i] else rolls[i]
        pitches[i] = pitch if pitch > pitches[i] else pitches[i]
        stances[i] = stance if stance > stances[i] else stances[i]
        sums[i] += front + rear


@njit(cache=True, nogil=True)
def _forget_level(level: np.ndarray, largest: Floats) -> None:
    for i in range(level.size):
        if level[i]:
            largest[:, i] = 0.0


@njit(cache=True, nogil=True)
def _write(out: Floats32, col: np.ndarray, level: np.ndarray, largest: Floats, fall: Floats) -> None:
    """Into one row of the answer, (6, cols), left NaN at a gap; on level cells any heading counts as the fall
    line's."""
    for i in range(col.size):
        if not math.isnan(largest[3, i]):
            c, down = col[i], largest if level[i] else fall
            out[0, c], out[1, c], out[2, c] = largest[0, i], largest[1, i], math.sqrt(largest[2, i])
            out[3, c], out[4, c], out[5, c] = down[0, i], down[1, i], math.sqrt(down[2, i])


@njit(cache=True, nogil=True)
def _careful(
    z: Floats,
    r: int,
    c: int,
    way: Floats,
    cell_x: float,
    cell_y: float,
    across: float,
    along: float,
    wheels: Floats,
    start: int,
    n_fall: int,
    out: Floats32,
) -> None:
    """One cell near an edge or a gap, by the headings from `start` on (more than 0 on level cells, where all of
    them count for the fall line too); left NaN where a wheel is off the grid or on ground not measured."""
    largest, fall = np.zeros(3), np.zeros(3)
    for k in range(start, wheels.shape[0]):
        pc = (wheels[k, 0] * way[0] - wheels[k, 1] * way[1]) / cell_x
        pr = -(wheels[k, 0] * way[1] + wheels[k, 1] * way[0]) / cell_y
        qc = (wheels[k, 2] * way[0] - wheels[k, 3] * way[1]) / cell_x
        qr = -(wheels[k, 2] * way[1] + wheels[k, 3] * way[0]) / cell_y
        fl, rr = _height(z, r + pr, c + pc), _height(z, r - pr, c - pc)
        fr, rl = _height(z, r + qr, c + qc), _height(z, r - qr, c - qc)
        if math.isnan(fl + fr + rl + rr):
            return
        roll = max(abs(fl - fr), abs(rl - rr)) * across
        pitch = abs((fl + fr) - (rl + rr)) * along
        largest[0] = max(largest[0], roll)
        largest[1] = max(largest[1], pitch)
        largest[2] = max(largest[2], roll * roll + pitch * pitch)
        if k < n_fall or start > 0:
            fall[:] = largest
    out[0, r, c], out[1, r, c], out[2, r, c] = largest[0], largest[1], math.sqrt(largest[2])
    out[3, r, c], out[4, r, c], out[5, r, c] = fall[0], fall[1], math.sqrt(fall[2])


@njit(cache=True, nogil=True)
def _height(z: Floats, row: float, col: float) -> float:
    """Bilinear height between cell centres; NaN off the grid or beside a gap that carries weight."""
    r0, c0 = math.floor(row + SNAP), math.floor(col + SNAP)
    fr, fc = row - r0, col - c0
    r1 = r0 + 1 if fr >= SNAP else r0
    c1 = c0 + 1 if fc >= SNAP else c0
    if r0 < 0 or c0 < 0 or r1 >= z.shape[0] or c1 >= z.shape[1]:
        return math.nan
    top: float = z[r0, c0] + (z[r0, c1] - z[r0, c0]) * fc
    low: float = z[r1, c0] + (z[r1, c1] - z[r1, c0]) * fc
    return top + (low - top) * fr
