"""Verdicts cell by cell for one machine on one ground: the hot loops, held to their numpy reading by the tests.

Two of the loops have no branches, so that the compiler takes many cells at a time.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from atlas.grid import Bytes, Floats, Floats32

# columns of a row of limits, one row per driver
SIDE, CLIMB, GRIP, ON_FOOT, PER_SIDE, PER_CLIMB, PER_GRIP, ROLL_SINK, PITCH_SINK, GRIP_REASON = range(10)
LIMIT_COLUMNS = 10
ANY_WAY, UP_DOWN, FOOT, KEEP_OUT, UNSURVEYED = (np.uint8(z) for z in range(5))
WITHIN, BY_SIDE, BY_CLIMB, BY_ON_FOOT, NO_HEIGHT = (np.uint8(r) for r in (0, 1, 2, 5, 9))


@njit(cache=True, nogil=True)
def judge_ground(
    index: np.ndarray,
    tilt: Floats32,
    steep: Floats32,
    weight: Floats32,
    limits: Floats32,
    softened: Floats32,
    below_zone: Bytes,
    wet: Bytes,
    wet_severity: Bytes,
    below: Bytes,
    foot: Bytes,
    drop: Bytes,
    closed: Bytes,
    all_zone: Bytes,
    all_reason: Bytes,
    share: Floats,
) -> None:
    """Fill `all_zone` and `all_reason` (drivers, all cells of the grid) and `share`, the covered fractions per
    zone, (drivers, 5), for the cells at flat `index`; `tilt` is (6, cells), everything else per cell (cells,).

    `limits` has a row per driver, `softened` (severities, drivers, columns) those on wet spots.
    """
    zone, reason = np.empty(index.size, np.uint8), np.empty(index.size, np.uint8)
    soft = wet.any()
    for k in range(limits.shape[0]):
        judge_tilt(tilt[0], tilt[1], tilt[2], tilt[3], tilt[4], tilt[5], steep, limits[k], zone, reason)
        if soft:
            judge_wet(tilt, steep, softened[:, k], wet, wet_severity, zone, reason)
        judge_closed(below, foot, drop, closed, below_zone[k], zone, reason)
        all_zone[k], all_reason[k] = UNSURVEYED, NO_HEIGHT
        sums = np.zeros((4, 5))  # four at a time, or each sum would wait for the one before
        for i in range(index.size):
            all_zone[k, index[i]] = zone[i]
            all_reason[k, index[i]] = reason[i]
            sums[i & 3, zone[i]] += weight[i]
        share[k] = sums[0] + sums[1] + sums[2] + sums[3]


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
def judge_wet(
    tilt: Floats32,
    steep: Floats32,
    softened: Floats32,
    wet: Bytes,
    wet_severity: Bytes,
    zone: Bytes,
    reason: Bytes,
) -> None:
    """Change `zone` and `reason` (cells,) for the worse on wet spots; `softened` (severities, columns) are the
    limits on spots of severity 1 and 2, `wet` the Reason that names the spot."""
    for i in range(steep.size):
        if wet[i] > 0 and zone[i] < UNSURVEYED:
            softer = _zone(tilt, i, steep[i], softened[wet_severity[i] - 1])
            if softer > zone[i]:
                zone[i], reason[i] = softer, wet[i]


@njit(cache=True, nogil=True)
def judge_closed(
    below: Bytes, foot: Bytes, drop: Bytes, closed: Bytes, below_zone: np.uint8, zone: Bytes, reason: Bytes
) -> None:
    """Change `zone` and `reason` (cells,) where something is marked or falls away, each given as a Reason or 0.

    `below_zone` is the verdict where straight down ends at a drop: that is named for a practised driver, and hand
    work for a new one. Ground too steep on its own account keeps that reason above a drop, not under a marking.
    """
    for i in range(zone.size):
        z, why = zone[i], reason[i]
        hit = (below[i] > 0) & (z == UP_DOWN)
        z, why = below_zone if hit else z, below[i] if hit else why
        hit = (foot[i] > 0) & (z <= FOOT)
        z, why = FOOT if hit else z, foot[i] if hit else why
        hit = (drop[i] > 0) & (z < KEEP_OUT)
        z, why = KEEP_OUT if hit else z, drop[i] if hit else why
        hit = (closed[i] > 0) & (z <= KEEP_OUT)
        zone[i], reason[i] = KEEP_OUT if hit else z, closed[i] if hit else why


@njit(cache=True, nogil=True)
def _zone(tilt: Floats32, i: int, steep: float, lim: Floats32) -> np.uint8:
    """The zone of one cell from tilt and steepness alone."""
    if tilt[0, i] <= lim[SIDE] and tilt[1, i] <= lim[CLIMB] and tilt[2, i] <= lim[GRIP]:
        return ANY_WAY
    if tilt[3, i] <= lim[SIDE] and tilt[4, i] <= lim[CLIMB] and tilt[5, i] <= lim[GRIP]:
        return UP_DOWN
    return FOOT if steep <= lim[ON_FOOT] else KEEP_OUT


@njit(cache=True, nogil=True)
def pack_tilt(
    index: np.ndarray,
    roll: Floats32,
    pitch: Floats32,
    stance: Floats32,
    roll_error: np.float32,
    pitch_error: np.float32,
    out: Floats32,
) -> None:
    """The tilt of the cells at flat `index`, with what not knowing adds, into `out` (3, cells); `stance_error` has
    the sum."""
    small, large = min(roll_error, pitch_error), max(roll_error, pitch_error)
    least, more = small * small, large * large - small * small
    for i in range(index.size):
        n = index[i]
        r, p, s = roll[n], pitch[n], stance[n]
        part = r if roll_error >= pitch_error else p
        share = part / s if s > part else np.float32(1.0)
        out[0, i], out[1, i] = r + roll_error, p + pitch_error
        out[2, i] = s + np.sqrt(least + more * share * share)
