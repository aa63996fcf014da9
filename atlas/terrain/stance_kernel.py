"""How a four-wheeled machine tilts on each cell: the hot loop, held to its numpy reading by the tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Floats, Floats32

LEVEL = 0.03  # below this gradient a cell has no fall line to speak of
SNAP = 1e-9  # of a cell: a wheel this near a line of cell centres stands on it

Extremes = tuple[float, float, float, float, float, float]  # as in Stance, both stances still squared
GAP = (math.nan, math.nan, math.nan, math.nan, math.nan, math.nan)
Way = tuple[float, float, float, float]  # the fall line's east and north over cell_x, then over cell_y


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
    winds: Floats,
    n_fall: int,
    out: Floats32,
) -> None:
    """Fill `out` (6, rows, cols): largest roll, pitch and stance over all headings, then over the fall line's.

    `wheels` (headings, 4) holds metres ahead and to the left of the front left and the front right wheel as seen
    down the fall line; its first `n_fall` rows are the headings near the fall line. A heading and its opposite
    put the wheels on the same four points, so only one of the two is listed. `winds` is the same for the sixteen
    winds alone, for level cells, where nothing is straight up or down. `terms` is `bilinear_terms(z)`.
    """
    rows, cols = z.shape
    reach = math.hypot(track, wheelbase) / 2.0
    edge_r = math.ceil(reach / cell_y) + 1
    edge_c = math.ceil(reach / cell_x) + 1
    across, along = 1.0 / track, 0.5 / wheelbase
    out[:] = math.nan
    for r in range(rows):
        for c in range(cols):
            slope = math.sqrt(gx[r, c] * gx[r, c] + gy[r, c] * gy[r, c])
            if not (covered[r, c] > 0.0 and slope >= 0.0):  # a slope that is NaN is not
                continue
            east, north, table = 0.0, 1.0, winds
            if slope >= LEVEL:
                east, north, table = -gx[r, c] / slope, -gy[r, c] / slope, wheels
            way = (east / cell_x, north / cell_x, east / cell_y, north / cell_y)
            six = GAP
            if r >= edge_r and c >= edge_c and r < rows - edge_r and c < cols - edge_c:
                six = _inside(terms, cols, r * cols + c, way, across, along, table, n_fall)
            if math.isnan(six[0]):  # near an edge or a gap: look again, minding which cells carry weight
                six = _careful(z, r, c, way, across, along, table, n_fall)
            if math.isnan(six[0]):
                continue
            out[0, r, c], out[1, r, c], out[2, r, c] = six[0], six[1], math.sqrt(six[2])
            if slope < LEVEL:  # straight up or down may be any heading
                out[3:, r, c] = out[:3, r, c]
            else:
                out[3, r, c], out[4, r, c], out[5, r, c] = six[3], six[4], math.sqrt(six[5])


@njit(cache=True, nogil=True)
def _inside(
    terms: Floats, cols: int, here: int, way: Way, across: float, along: float, wheels: Floats, n_fall: int
) -> Extremes:
    """Largest roll, pitch and squared stance over all headings and over the first `n_fall` at flat index `here`,
    where every wheel is known to lie within the grid; NaN at a gap."""
    east_x, north_x, east_y, north_y = way
    across_row, middle = np.uint64(cols), np.uint64(here)
    roll_any = pitch_any = stance_any = roll_fall = pitch_fall = stance_fall = total = 0.0
    for k in range(wheels.shape[0]):
        pc = wheels[k, 0] * east_x - wheels[k, 1] * north_x
        pr = -(wheels[k, 0] * north_y + wheels[k, 1] * east_y)
        qc = wheels[k, 2] * east_x - wheels[k, 3] * north_x
        qr = -(wheels[k, 2] * north_y + wheels[k, 3] * east_y)
        fl, rr = _opposite(terms, across_row, middle, pr, pc)
        fr, rl = _opposite(terms, across_row, middle, qr, qc)
        front, rear = abs(fl - fr), abs(rl - rr)
        roll = (front if front > rear else rear) * across
        pitch = abs((fl + fr) - (rl + rr)) * along
        stance = roll * roll + pitch * pitch
        total += front + rear
        roll_any = roll if roll > roll_any else roll_any
        pitch_any = pitch if pitch > pitch_any else pitch_any
        stance_any = stance if stance > stance_any else stance_any
        if k == n_fall - 1:
            roll_fall, pitch_fall, stance_fall = roll_any, pitch_any, stance_any
    if math.isnan(total):
        return GAP
    return (roll_any, pitch_any, stance_any, roll_fall, pitch_fall, stance_fall)


@njit(cache=True, nogil=True, inline="always")
def _opposite(terms: Floats, cols: np.uint64, here: np.uint64, dr: float, dc: float) -> tuple[float, float]:
    """Heights at an offset from a cell's centre and at the offset's opposite."""
    i, j = math.floor(dr), math.floor(dc)
    fr, fc = dr - i, dc - j
    gr, gc = 1.0 - fr, 1.0 - fc
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    off = np.uint64(i) * cols + np.uint64(j)  # unsigned, so that no index is tried for counting from the end
    n, m = (here + off) << two, (here - off - cols - one) << two
    there = terms[n] + terms[n + one] * fc + fr * (terms[n + two] + terms[n + three] * fc)
    back = terms[m] + terms[m + one] * gc + gr * (terms[m + two] + terms[m + three] * gc)
    return there, back


@njit(cache=True, nogil=True)
def _careful(
    z: Floats, r: int, c: int, way: Way, across: float, along: float, wheels: Floats, n_fall: int
) -> Extremes:
    """The same near edges and gaps: a wheel off the grid, or on a cell not measured, makes it NaN."""
    east_x, north_x, east_y, north_y = way
    largest = np.zeros(3)
    fall = np.zeros(3)
    for k in range(wheels.shape[0]):
        pc = wheels[k, 0] * east_x - wheels[k, 1] * north_x
        pr = -(wheels[k, 0] * north_y + wheels[k, 1] * east_y)
        qc = wheels[k, 2] * east_x - wheels[k, 3] * north_x
        qr = -(wheels[k, 2] * north_y + wheels[k, 3] * east_y)
        fl, rr = _height(z, r + pr, c + pc), _height(z, r - pr, c - pc)
        fr, rl = _height(z, r + qr, c + qc), _height(z, r - qr, c - qc)
        if math.isnan(fl + fr + rl + rr):
            return GAP
        roll = max(abs(fl - fr), abs(rl - rr)) * across
        pitch = abs((fl + fr) - (rl + rr)) * along
        largest[0] = max(largest[0], roll)
        largest[1] = max(largest[1], pitch)
        largest[2] = max(largest[2], roll * roll + pitch * pitch)
        if k == n_fall - 1:
            fall[:] = largest
    return (largest[0], largest[1], largest[2], fall[0], fall[1], fall[2])


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
