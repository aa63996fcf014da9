"""How a four-wheeled machine tilts on each cell: the hot loop, held to its numpy reading by the tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Floats, Floats32

LEVEL = 0.03  # below this gradient a cell has no fall line to speak of
SNAP = 1e-9  # of a cell: a wheel this near a line of cell centres stands on it

Extremes = tuple[float, float, float, float, float, float]  # as in Stance, both stances still squared


@njit(cache=True, nogil=True)
def stance_extremes(
    z: Floats,
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
    winds alone, for level cells, where nothing is straight up or down.
    """
    rows, cols = z.shape
    reach = math.hypot(track, wheelbase) / 2.0
    edge_r = math.ceil(reach / cell_y) + 1
    edge_c = math.ceil(reach / cell_x) + 1
    flat = z.ravel()
    across, along = 1.0 / track, 0.5 / wheelbase
    out[:] = math.nan
    for r in range(rows):
        for c in range(cols):
            slope = math.sqrt(gx[r, c] * gx[r, c] + gy[r, c] * gy[r, c])
            if not (covered[r, c] > 0.0 and slope >= 0.0):  # a slope that is NaN is not
                continue
            east, north = 0.0, 1.0
            if slope >= LEVEL:
                east, north = -gx[r, c] / slope, -gy[r, c] / slope
            way = (east / cell_x, north / cell_x, east / cell_y, north / cell_y)
            table = wheels if slope >= LEVEL else winds
            careful = r < edge_r or c < edge_c or r >= rows - edge_r or c >= cols - edge_c
            six = _extremes(z, flat, r, c, way, across, along, table, n_fall, careful)
            if math.isnan(six[0]) and not careful:  # a gap in reach: look again, minding which cells carry weight
                six = _extremes(z, flat, r, c, way, across, along, table, n_fall, True)
            if math.isnan(six[0]):
                continue
            out[0, r, c], out[1, r, c], out[2, r, c] = six[0], six[1], math.sqrt(six[2])
            if slope < LEVEL:  # straight up or down may be any heading
                out[3:, r, c] = out[:3, r, c]
            else:
                out[3, r, c], out[4, r, c], out[5, r, c] = six[3], six[4], math.sqrt(six[5])


@njit(cache=True, nogil=True)
def _extremes(
    z: Floats,
    flat: Floats,
    r: int,
    c: int,
    way: tuple[float, float, float, float],
    across: float,
    along: float,
    wheels: Floats,
    n_fall: int,
    careful: bool,
) -> Extremes:
    """Largest roll, pitch and squared stance over all headings and over the first `n_fall`; all NaN at a gap."""
    east_x, north_x, east_y, north_y = way
    cols = np.uint64(z.shape[1])
    here = np.uint64(r * z.shape[1] + c)
    roll_any = pitch_any = stance_any = roll_fall = pitch_fall = stance_fall = total = 0.0
    for k in range(wheels.shape[0]):
        pc = wheels[k, 0] * east_x - wheels[k, 1] * north_x
        pr = -(wheels[k, 0] * north_y + wheels[k, 1] * east_y)
        qc = wheels[k, 2] * east_x - wheels[k, 3] * north_x
        qr = -(wheels[k, 2] * north_y + wheels[k, 3] * east_y)
        if careful:
            fl, rr = _height(z, r + pr, c + pc), _height(z, r - pr, c - pc)
            fr, rl = _height(z, r + qr, c + qc), _height(z, r - qr, c - qc)
        else:
            fl, rr = _mirrored(flat, cols, here, pr, pc)
            fr, rl = _mirrored(flat, cols, here, qr, qc)
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
        return (math.nan, math.nan, math.nan, math.nan, math.nan, math.nan)
    return (roll_any, pitch_any, stance_any, roll_fall, pitch_fall, stance_fall)


@njit(cache=True, nogil=True, inline="always")
def _mirrored(flat: Floats, cols: np.uint64, here: np.uint64, dr: float, dc: float) -> tuple[float, float]:
    """Heights at an offset from flat index `here` and at its mirror image, both known to lie within the grid."""
    i, j = math.floor(dr), math.floor(dc)
    fr, fc = dr - i, dc - j
    one = np.uint64(1)
    off = np.uint64(i) * cols + np.uint64(j)
    n, m = here + off, here - off
    top = flat[n] + (flat[n + one] - flat[n]) * fc
    low = flat[n + cols] + (flat[n + cols + one] - flat[n + cols]) * fc
    top_m = flat[m] + (flat[m - one] - flat[m]) * fc
    low_m = flat[m - cols] + (flat[m - cols - one] - flat[m - cols]) * fc
    return top + (low - top) * fr, top_m + (low_m - top_m) * fr


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
