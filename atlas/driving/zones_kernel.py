"""Verdicts cell by cell for one machine on one ground: the hot loop, held to its numpy reading by the tests."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats, Floats32

# columns of a row of limits, one row per driver
SIDE, CLIMB, GRIP, ON_FOOT, SINK, TRACK, WHEELBASE, GRIP_REASON, NEW = range(9)
LIMIT_COLUMNS = 9
HAIR = 1e-6  # one millimetre in a kilometre: a tilt this near its limit is at it, not over it
ANY_WAY, UP_DOWN, FOOT, KEEP_OUT, UNSURVEYED = range(5)
R_WITHIN, R_SIDE, R_CLIMB, R_ON_FOOT, R_NO_HEIGHT, TAG = 0, 1, 2, 5, 9, 20


@njit(cache=True, nogil=True)
def _over(roll: float, pitch: float, stance: float, lim: Floats) -> int:
    """0 within every limit, else the Reason of the limit exceeded by the largest share of it."""
    by_side = (roll + lim[SINK] / lim[TRACK]) / (lim[SIDE] + HAIR)
    by_climb = (pitch + lim[SINK] / lim[WHEELBASE]) / (lim[CLIMB] + HAIR)
    by_grip = stance / (lim[GRIP] + HAIR)
    if by_side <= 1.0 and by_climb <= 1.0 and by_grip <= 1.0:
        return R_WITHIN
    if by_side >= by_climb and by_side >= by_grip:
        return R_SIDE
    if by_climb >= by_grip:
        return R_CLIMB
    return int(lim[GRIP_REASON])


@njit(cache=True, nogil=True)
def _terrain(tilt: Floats32, steep: float, lim: Floats) -> tuple[int, int]:
    """Zone and Reason from tilt and steepness alone; `tilt` holds one cell's six extremes with their error."""
    if math.isnan(tilt[0]) or math.isnan(steep):
        return UNSURVEYED, R_NO_HEIGHT
    over_any = _over(tilt[0], tilt[1], tilt[2], lim)
    if over_any == R_WITHIN:
        return ANY_WAY, R_WITHIN
    over_fall = _over(tilt[3], tilt[4], tilt[5], lim)
    if over_fall == R_WITHIN:
        return UP_DOWN, over_any
    if steep <= lim[ON_FOOT] + HAIR:
        return FOOT, over_fall
    return KEEP_OUT, R_ON_FOOT


@njit(cache=True, nogil=True)
def judge_cells(
    cells: np.ndarray,
    tilt: Floats32,
    steep: Floats,
    weight: Floats32,
    limits: Floats,
    wet_limits: Floats,
    closed_tag: Bytes,
    foot_tag: Bytes,
    wet_tag: Bytes,
    wet_sink: Floats32,
    drop: Bytes,
    below: Bytes,
    zone: Bytes,
    reason: Bytes,
    share: Floats,
) -> None:
    """Fill `zone` and `reason` (drivers, cells of the grid) at the flat indices `cells`, and add each cell's
    covered fraction to `share` (drivers, 5).

    `tilt` is (cells listed, 6), height error added; everything else per cell lies flat on the grid. `limits`
    and `wet_limits` have a row per driver.
    """
    local = np.empty(LIMIT_COLUMNS)
    for k in range(limits.shape[0]):
        for i in range(cells.shape[0]):
            n = cells[i]
            z, why = _terrain(tilt[i], steep[n], limits[k])
            if wet_tag[n] > 0 and z < UNSURVEYED:
                for j in range(LIMIT_COLUMNS):
                    local[j] = min(limits[k, j], wet_limits[k, j])
                local[SINK] = max(limits[k, SINK], wet_limits[k, SINK], wet_sink[n])
                local[TRACK], local[WHEELBASE] = limits[k, TRACK], limits[k, WHEELBASE]
                softer, _ = _terrain(tilt[i], steep[n], local)
                if softer > z:
                    z, why = softer, TAG + wet_tag[n]
            if below[n] > 0 and z == UP_DOWN:  # named for a practised driver, closed to a new one
                z, why = (FOOT if limits[k, NEW] > 0 else UP_DOWN), below[n]
            if foot_tag[n] > 0 and z <= FOOT:
                z, why = FOOT, TAG + foot_tag[n]
            if drop[n] > 0 and z < KEEP_OUT:  # ground too steep on its own account keeps that reason
                z, why = KEEP_OUT, drop[n]
            if closed_tag[n] > 0 and z <= KEEP_OUT:
                z, why = KEEP_OUT, TAG + closed_tag[n]
            zone[k, n] = z
            reason[k, n] = why
            share[k, z] += weight[n]
