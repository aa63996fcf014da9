"""How a four-wheeled machine tilts on each cell: the hot loop, held to its numpy reading by the tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Floats, Floats32

LEVEL = 0.03  # below this gradient a cell has no fall line to speak of
SNAP = 1e-9  # of a cell: a wheel this near a line of cell centres stands on it


@njit(cache=True, nogil=True)
def _height(z: Floats, row: float, col: float) -> float:
    """Bilinear height between cell centres; NaN off the grid or beside a gap that carries weight."""
    r0 = math.floor(row + SNAP)
    c0 = math.floor(col + SNAP)
    fr = row - r0
    fc = col - c0
    if fr < SNAP:
        fr = 0.0
    if fc < SNAP:
        fc = 0.0
    r1 = r0 + 1 if fr > 0.0 else r0
    c1 = c0 + 1 if fc > 0.0 else c0
    if r0 < 0 or c0 < 0 or r1 >= z.shape[0] or c1 >= z.shape[1]:
        return math.nan
    top: float = z[r0, c0] if fc == 0.0 else z[r0, c0] * (1.0 - fc) + z[r0, c1] * fc
    if fr == 0.0:
        return top
    low: float = z[r1, c0] if fc == 0.0 else z[r1, c0] * (1.0 - fc) + z[r1, c1] * fc
    return top * (1.0 - fr) + low * fr


@njit(cache=True, nogil=True)
def _four_checked(z: Floats, r: int, c: int, pr: float, pc: float, qr: float, qc: float, out: Floats) -> None:
    out[0] = _height(z, r + pr, c + pc)
    out[1] = _height(z, r + qr, c + qc)
    out[2] = _height(z, r - qr, c - qc)
    out[3] = _height(z, r - pr, c - pc)


@njit(cache=True, nogil=True, inline="always")
def _inside(z: Floats, r: int, c: int, dr: float, dc: float) -> float:
    """The same height where the point and its four cells are known to lie on the grid."""
    r0 = math.floor(dr)
    c0 = math.floor(dc)
    fr = dr - r0
    fc = dc - c0
    i = r + int(r0)
    j = c + int(c0)
    top: float = z[i, j] + (z[i, j + 1] - z[i, j]) * fc
    low: float = z[i + 1, j] + (z[i + 1, j + 1] - z[i + 1, j]) * fc
    return top + (low - top) * fr


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
    n_fall: int,
    out: Floats32,
) -> None:
    """Fill `out` (6, rows, cols): largest roll, pitch and stance over all headings, then over the fall line's.

    `wheels` (headings, 4) holds metres ahead and to the left of the front left and the front right wheel as seen
    down the fall line; its first `n_fall` rows are the headings near the fall line. A heading and its opposite
    put the wheels on the same four points, so only one of the two is listed.
    """
    rows, cols = z.shape
    far = math.hypot(track, wheelbase) / 2.0
    margin_r = math.ceil(far / cell_y) + 1
    margin_c = math.ceil(far / cell_x) + 1
    four = np.empty(4)
    for r in range(rows):
        for c in range(cols):
            for k in range(6):
                out[k, r, c] = math.nan
            if not covered[r, c] > 0.0:
                continue
            slope = math.hypot(gx[r, c], gy[r, c])
            if math.isnan(slope):
                continue
            east, north = 0.0, 1.0
            if slope >= LEVEL:
                east, north = -gx[r, c] / slope, -gy[r, c] / slope
            open_country = (
                r >= margin_r and c >= margin_c and r < rows - margin_r and c < cols - margin_c
            )
            careful = not open_country
            while True:
                total = 0.0
                any_roll = any_pitch = any_stance = 0.0
                fall_roll = fall_pitch = fall_stance = 0.0
                for k in range(wheels.shape[0]):
                    pc = (wheels[k, 0] * east - wheels[k, 1] * north) / cell_x
                    pr = -(wheels[k, 0] * north + wheels[k, 1] * east) / cell_y
                    qc = (wheels[k, 2] * east - wheels[k, 3] * north) / cell_x
                    qr = -(wheels[k, 2] * north + wheels[k, 3] * east) / cell_y
                    if careful:
                        _four_checked(z, r, c, pr, pc, qr, qc, four)
                        fl, fr, rl, rr = four[0], four[1], four[2], four[3]
                    else:
                        fl = _inside(z, r, c, pr, pc)
                        fr = _inside(z, r, c, qr, qc)
                        rl = _inside(z, r, c, -qr, -qc)
                        rr = _inside(z, r, c, -pr, -pc)
                    roll = max(abs(fl - fr), abs(rl - rr)) / track
                    pitch = abs((fl + fr) - (rl + rr)) / (2.0 * wheelbase)
                    total += fl + fr + rl + rr
                    stance = roll * roll + pitch * pitch
                    any_roll = max(any_roll, roll)
                    any_pitch = max(any_pitch, pitch)
                    any_stance = max(any_stance, stance)
                    if k < n_fall:
                        fall_roll = max(fall_roll, roll)
                        fall_pitch = max(fall_pitch, pitch)
                        fall_stance = max(fall_stance, stance)
                if careful or not math.isnan(total):
                    break
                careful = True  # a gap in reach: look again, minding cells that carry no weight
            if math.isnan(total):
                continue
            if slope < LEVEL:  # no fall line to keep to: straight up or down means any heading
                fall_roll, fall_pitch, fall_stance = any_roll, any_pitch, any_stance
            out[0, r, c] = any_roll
            out[1, r, c] = any_pitch
            out[2, r, c] = math.sqrt(any_stance)
            out[3, r, c] = fall_roll
            out[4, r, c] = fall_pitch
            out[5, r, c] = math.sqrt(fall_stance)
