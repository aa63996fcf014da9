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

    `tilt` is (6, cells listed), height error added; everything else per cell lies flat on the grid. `limits`
    and `wet_limits` have a row per driver.
    """
    local = np.empty(LIMIT_COLUMNS)
    marked = closed_tag | foot_tag | wet_tag | drop | below
    for k in range(limits.shape[0]):
        lim, new = limits[k], limits[k, NEW] > 0
        side, climb, grip, on_foot = _room(lim)
        per = _per_limit(lim)
        for i in range(cells.shape[0]):
            n = cells[i]
            if math.isnan(tilt[0, i]) or math.isnan(steep[n]):
                z, why = UNSURVEYED, R_NO_HEIGHT
            elif tilt[0, i] <= side and tilt[1, i] <= climb and tilt[2, i] <= grip:
                z, why = ANY_WAY, R_WITHIN
            elif tilt[3, i] <= side and tilt[4, i] <= climb and tilt[5, i] <= grip:
                z, why = UP_DOWN, _most_exceeded(tilt[0, i], tilt[1, i], tilt[2, i], per)
            elif steep[n] <= on_foot:
                z, why = FOOT, _most_exceeded(tilt[3, i], tilt[4, i], tilt[5, i], per)
            else:
                z, why = KEEP_OUT, R_ON_FOOT
            if marked[n] > 0:
                if wet_tag[n] > 0 and z < UNSURVEYED:
                    _soften(lim, wet_limits[k], wet_sink[n], local)
                    softer = _zone(tilt, i, steep[n], local)
                    if softer > z:
                        z, why = softer, TAG + wet_tag[n]
                if below[n] > 0 and z == UP_DOWN:  # named for a practised driver, closed to a new one
                    z, why = (FOOT if new else UP_DOWN), below[n]
                if foot_tag[n] > 0 and z <= FOOT:
                    z, why = FOOT, TAG + foot_tag[n]
                if drop[n] > 0 and z < KEEP_OUT:  # ground too steep on its own account keeps that reason
                    z, why = KEEP_OUT, drop[n]
                if closed_tag[n] > 0 and z <= KEEP_OUT:
                    z, why = KEEP_OUT, TAG + closed_tag[n]
            zone[k, n] = z
            reason[k, n] = why
            share[k, z] += weight[n]


@njit(cache=True, nogil=True)
def _room(lim: Floats) -> tuple[float, float, float, float]:
    """What tilt the limits leave once the wheels have sunk: side, climb, grip, on foot."""
    return (
        lim[SIDE] + HAIR - lim[SINK] / lim[TRACK],
        lim[CLIMB] + HAIR - lim[SINK] / lim[WHEELBASE],
        lim[GRIP] + HAIR,
        lim[ON_FOOT] + HAIR,
    )


@njit(cache=True, nogil=True)
def _zone(tilt: Floats32, i: int, steep: float, lim: Floats) -> int:
    """The zone from tilt and steepness alone."""
    side, climb, grip, on_foot = _room(lim)
    if tilt[0, i] <= side and tilt[1, i] <= climb and tilt[2, i] <= grip:
        return ANY_WAY
    if tilt[3, i] <= side and tilt[4, i] <= climb and tilt[5, i] <= grip:
        return UP_DOWN
    return FOOT if steep <= on_foot else KEEP_OUT


@njit(cache=True, nogil=True)
def _soften(lim: Floats, wet: Floats, sink: float, local: Floats) -> None:
    """Into `local`: the worse of both rows of limits, sinking by the largest of the three."""
    for j in range(LIMIT_COLUMNS):
        local[j] = min(lim[j], wet[j])
    local[SINK] = max(lim[SINK], wet[SINK], sink)


@njit(cache=True, nogil=True)
def _per_limit(lim: Floats) -> tuple[float, float, float, float, float, int]:
    """What turns a tilt into its share of a limit: one over each, what sinking adds, and the Reason of grip."""
    sink = lim[SINK]
    return (
        1.0 / lim[SIDE],
        1.0 / lim[CLIMB],
        1.0 / lim[GRIP],
        sink / lim[TRACK],
        sink / lim[WHEELBASE],
        int(lim[GRIP_REASON]),
    )


@njit(cache=True, nogil=True)
def _most_exceeded(
    roll: float, pitch: float, stance: float, per: tuple[float, float, float, float, float, int]
) -> int:
    """The Reason of the limit of which the tilt takes the largest share."""
    side, climb, grip, roll_sink, pitch_sink, grip_reason = per
    by_side, by_climb, by_grip = (roll + roll_sink) * side, (pitch + pitch_sink) * climb, stance * grip
    if by_side >= by_climb and by_side >= by_grip:
        return R_SIDE
    return R_CLIMB if by_climb >= by_grip else grip_reason
