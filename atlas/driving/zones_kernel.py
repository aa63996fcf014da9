"""Verdicts cell by cell for one machine on one ground: the hot loops, held to their numpy reading by the tests.

The first loop has no branches, so that the compiler takes eight cells at a time; markings and drops come after it,
on the few cells that have any.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats, Floats32

# columns of a row of limits, one row per driver
SIDE, CLIMB, GRIP, ON_FOOT, PER_SIDE, PER_CLIMB, PER_GRIP, ROLL_SINK, PITCH_SINK, GRIP_REASON, NEW = range(11)
LIMIT_COLUMNS = 11
ANY_WAY, UP_DOWN, FOOT, KEEP_OUT, UNSURVEYED = (np.uint8(z) for z in range(5))
WITHIN, BY_SIDE, BY_CLIMB, BY_ON_FOOT, NO_HEIGHT, TAG = (np.uint8(r) for r in (0, 1, 2, 5, 9, 20))


@njit(cache=True, nogil=True)
def judge_tilt(
    any_roll: Floats32,
    any_pitch: Floats32,
    any_stance: Floats32,
    fall_roll: Floats32,
    fall_pitch: Floats32,
    fall_stance: Floats32,
    steep: Floats32,
    lim: Floats32,
    zone: Bytes,
    reason: Bytes,
) -> None:
    """Fill `zone` and `reason` (cells,) from tilt, its error added, and steepness alone; `lim` is a row of limits.

    The reason is the limit of which the tilt takes the largest share: at every heading where the verdict is
    straight up or down, near the fall line where it is worse.
    """
    side, climb, grip, on_foot = lim[SIDE], lim[CLIMB], lim[GRIP], lim[ON_FOOT]
    per_side, per_climb, per_grip = lim[PER_SIDE], lim[PER_CLIMB], lim[PER_GRIP]
    roll_sink, pitch_sink, by_grip = lim[ROLL_SINK], lim[PITCH_SINK], np.uint8(lim[GRIP_REASON])
    for i in range(steep.size):
        any_ok = (any_roll[i] <= side) & (any_pitch[i] <= climb) & (any_stance[i] <= grip)
        fall_ok = (fall_roll[i] <= side) & (fall_pitch[i] <= climb) & (fall_stance[i] <= grip)
        foot_ok = steep[i] <= on_foot
        known = (any_roll[i] == any_roll[i]) & (steep[i] == steep[i])
        roll = ((any_roll[i] if fall_ok else fall_roll[i]) + roll_sink) * per_side
        pitch = ((any_pitch[i] if fall_ok else fall_pitch[i]) + pitch_sink) * per_climb
        stance = (any_stance[i] if fall_ok else fall_stance[i]) * per_grip
        most = BY_SIDE if (roll >= pitch) & (roll >= stance) else (BY_CLIMB if pitch >= stance else by_grip)
        z = ANY_WAY if any_ok else (UP_DOWN if fall_ok else (FOOT if foot_ok else KEEP_OUT))
        why = WITHIN if any_ok else (most if fall_ok | foot_ok else BY_ON_FOOT)
        zone[i] = z if known else UNSURVEYED
        reason[i] = why if known else NO_HEIGHT


@njit(cache=True, nogil=True)
def judge_marked(
    index: np.ndarray,
    tilt: Floats32,
    steep: Floats32,
    limits: Floats32,
    softened: Floats32,
    closed_tag: Bytes,
    foot_tag: Bytes,
    wet_tag: Bytes,
    wet_severity: Bytes,
    drop: Bytes,
    below: Bytes,
    zone: Bytes,
    reason: Bytes,
) -> None:
    """Change `zone` and `reason` (drivers, cells) where something is marked or falls away.

    `tilt` is (6, cells); `index` finds the cells in the markings, which lie flat on the grid. `limits` has a row
    per driver, `softened` (severities, drivers, columns) those on wet spots of severity 1 and 2.
    """
    marked = closed_tag | foot_tag | wet_tag | drop | below
    for i in range(index.size):
        n = index[i]
        if marked[n] == 0:
            continue
        for k in range(limits.shape[0]):
            z, why = zone[k, i], reason[k, i]
            if wet_tag[n] > 0 and z < UNSURVEYED:
                softer = _zone(tilt, i, steep[i], softened[wet_severity[n] - 1, k])
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
            zone[k, i], reason[k, i] = z, why


@njit(cache=True, nogil=True)
def _zone(tilt: Floats32, i: int, steep: float, lim: Floats32) -> np.uint8:
    """The zone of one cell from tilt and steepness alone."""
    if tilt[0, i] <= lim[SIDE] and tilt[1, i] <= lim[CLIMB] and tilt[2, i] <= lim[GRIP]:
        return ANY_WAY
    if tilt[3, i] <= lim[SIDE] and tilt[4, i] <= lim[CLIMB] and tilt[5, i] <= lim[GRIP]:
        return UP_DOWN
    return FOOT if steep <= lim[ON_FOOT] else KEEP_OUT


@njit(cache=True, nogil=True)
def spread(
    index: np.ndarray,
    zone: Bytes,
    reason: Bytes,
    weight: Floats32,
    all_zone: Bytes,
    all_reason: Bytes,
    share: Floats,
) -> None:
    """Lay `zone` and `reason` (drivers, cells) out on the grid (drivers, all cells), and add up the cells' covered
    fractions per zone in `share` (drivers, 5)."""
    for k in range(zone.shape[0]):
        for i in range(index.size):
            all_zone[k, index[i]] = zone[k, i]
            all_reason[k, index[i]] = reason[k, i]
            share[k, zone[k, i]] += weight[i]
