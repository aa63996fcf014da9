"""How a four-wheeled machine tilts on each cell: the hot loops, held to their numpy reading by the tests.

A batch of cells is taken heading by heading: where the wheels stand, their heights, the largest tilt so far.
Only the heights are looked up one by one; the loops before and after have no branches, so that the compiler
takes several cells at a time.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Floats, Floats32

LEVEL = 0.03  # below this gradient a cell has no fall line to speak of
BATCH = 512  # cells at a time: what is worked out of them stays in the nearest memory
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
    edge_r, edge_c = math.ceil(reach / cell_y) + 1, math.ceil(reach / cell_x) + 1
    across, along = 1.0 / track, 0.5 / wheelbase
    here, level, way = _known_cells(gx, gy, covered)
    flat = out.reshape((6, rows * cols))
    flat[:] = math.nan
    for start in range(0, here.size, BATCH):
        part = slice(start, min(here.size, start + BATCH))
        inner = _inner_cells(here[part], cols, rows, edge_r, edge_c)
        size = inner.size
        cells, flags = here[part][inner], level[part][inner]
        east, north = way[0][part][inner], way[1][part][inner]
        steps, spots, heights = np.empty((2, size), np.int32), np.empty((4, size)), np.empty((4, size))
        largest, fall = np.zeros((4, size)), np.empty((3, size))
        for k in range(wheels.shape[0]):
            _place(wheels[k], east, north, cell_x, cell_y, cols, steps, spots)
            _opposite_heights(terms, cols, cells, steps[0], spots[0], spots[1], heights[0], heights[1])
            _opposite_heights(terms, cols, cells, steps[1], spots[2], spots[3], heights[2], heights[3])
            _keep_largest(heights, across, along, largest)
            if k == n_beside - 1:
                _forget_level(flags, largest)
            if k == n_fall - 1:
                _copy(largest, fall)
        _write(flat, cells, flags, largest, fall)
    for i in range(here.size):
        if math.isnan(flat[0, here[i]]):  # near an edge or a gap: mind which cells carry weight
            first = n_beside if level[i] else 0
            _careful(z, here[i], way[:, i], cell_x, cell_y, across, along, wheels, first, n_fall, flat)


@njit(cache=True, nogil=True)
def _known_cells(gx: Floats, gy: Floats, covered: Floats32) -> tuple[np.ndarray, np.ndarray, Floats]:
    """Flat indices of covered cells with a slope, whether they are level, and the unit vector (east, north) that
    their headings count from, (2, cells)."""
    rows, cols = covered.shape
    here, level, way = np.empty(rows * cols, np.int64), np.empty(rows * cols, np.bool_), np.empty((2, rows * cols))
    n = 0
    for r in range(rows):
        for c in range(cols):
            slope = math.sqrt(gx[r, c] * gx[r, c] + gy[r, c] * gy[r, c])
            if covered[r, c] > 0.0 and slope >= 0.0:  # a slope that is NaN is not
                here[n], level[n] = r * cols + c, slope < LEVEL
                way[0, n], way[1, n] = (0.0, 1.0) if slope < LEVEL else (-gx[r, c] / slope, -gy[r, c] / slope)
                n += 1
    return here[:n], level[:n], way[:, :n].copy()


@njit(cache=True, nogil=True)
def _inner_cells(here: np.ndarray, cols: int, rows: int, edge_r: int, edge_c: int) -> np.ndarray:
    """Which of the cells are so far from the grid's edge that every wheel stands on it at every heading."""
    r, c = here // cols, here % cols
    return np.flatnonzero((r >= edge_r) & (r < rows - edge_r) & (c >= edge_c) & (c < cols - edge_c))


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
def _keep_largest(heights: Floats, across: float, along: float, largest: Floats) -> None:
    """Raise `largest` (roll, pitch, stance squared, and a sum that turns NaN at a gap) to this heading's."""
    fl, rr, fr, rl = heights[0], heights[1], heights[2], heights[3]
    rolls, pitches, stances, sums = largest[0], largest[1], largest[2], largest[3]
    for i in range(fl.size):
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
def _copy(largest: Floats, into: Floats) -> None:
    for i in range(into.shape[0]):  # as a slice it would take many times as long to compile
        for j in range(into.shape[1]):
            into[i, j] = largest[i, j]


@njit(cache=True, nogil=True)
def _write(out: Floats32, cells: np.ndarray, level: np.ndarray, largest: Floats, fall: Floats) -> None:
    """Into the answer, (6, all cells), left NaN at a gap; on level cells any heading counts as the fall line's."""
    for i in range(cells.size):
        if not math.isnan(largest[3, i]):
            n, down = cells[i], largest if level[i] else fall
            out[0, n], out[1, n], out[2, n] = largest[0, i], largest[1, i], math.sqrt(largest[2, i])
            out[3, n], out[4, n], out[5, n] = down[0, i], down[1, i], math.sqrt(down[2, i])


@njit(cache=True, nogil=True)
def _careful(
    z: Floats,
    n: int,
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
    r, c = n // z.shape[1], n % z.shape[1]
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
            for i in range(3):
                fall[i] = largest[i]
    out[0, n], out[1, n], out[2, n] = largest[0], largest[1], math.sqrt(largest[2])
    out[3, n], out[4, n], out[5, n] = fall[0], fall[1], math.sqrt(fall[2])


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
