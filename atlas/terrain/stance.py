"""How a machine stands on the ground: sideways tilt and nose up or down at every heading, from heights alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from atlas.grid import Floats, Floats32
from atlas.terrain.figures import Gradient
from atlas.terrain.stance_kernel import LEVEL, SNAP, bilinear_terms, stance_extremes

FALL_HEADINGS_DEG = (15.0, -15.0, 0.0)  # and their opposites, on which the wheels stand on the same points
N_BESIDE = 2  # of them are none of the sixteen winds
ROUND_HEADINGS_DEG = tuple(22.5 * k for k in range(1, 8))  # with 0 and the opposites: sixteen winds
HEADINGS_DEG = FALL_HEADINGS_DEG + ROUND_HEADINGS_DEG


@dataclass(frozen=True)
class Stance:
    """Largest tilt of one wheel base per cell, rise over run, (rows, cols); NaN where a wheel has no height.

    `any_` is over all headings (sixteen, and 15° either side of straight up and down), `fall_` over those
    within 15° of straight up or down. Where the ground falls less than 3 % nothing is straight up or down: the
    sixteen winds are counted from grid north, and `fall_` equals `any_`.
    """

    any_roll: Floats32
    any_pitch: Floats32
    any_stance: Floats32
    fall_roll: Floats32
    fall_pitch: Floats32
    fall_stance: Floats32


def wheel_offsets(track_m: float, wheelbase_m: float) -> Floats:
    """Front left and front right wheel at each of HEADINGS_DEG: metres ahead and left, (headings, 4)."""
    angle = np.radians(np.array(HEADINGS_DEG))
    ahead, aside = wheelbase_m / 2.0, track_m / 2.0
    cos, sin = np.cos(angle), np.sin(angle)
    return np.stack(
        [
            ahead * cos - aside * sin,
            ahead * sin + aside * cos,
            ahead * cos + aside * sin,
            ahead * sin - aside * cos,
        ],
        axis=1,
    )


def stance(
    z: Floats,
    gradient: Gradient,
    covered: Floats32,
    *,
    track_m: float,
    wheelbase_m: float,
    terms: Floats | None = None,
) -> Stance:
    """Stance extremes of a machine whose middle is on each cell's centre, for cells with `covered` above 0.

    Heights `z` in metres on `gradient.grid`, NaN where unknown. The four wheels are sampled bilinearly; roll is
    the larger of the two axles' height difference over the track, pitch that of the axles' means over the
    wheelbase. `terms`, from `bilinear_terms(z)`, saves working them out again for each of several machines.
    """
    out = np.empty((6, *z.shape), dtype=np.float32)
    grid = gradient.grid
    heights = np.ascontiguousarray(z, dtype=np.float64)
    stance_extremes(
        heights,
        bilinear_terms(heights) if terms is None else terms,
        gradient.gx,
        gradient.gy,
        np.ascontiguousarray(covered, dtype=np.float32),
        grid.cell_x,
        grid.cell_y,
        track_m,
        wheelbase_m,
        wheel_offsets(track_m, wheelbase_m),
        N_BESIDE,
        len(FALL_HEADINGS_DEG),
        out,
    )
    return Stance(*out)


def stance_plain(
    z: Floats, gradient: Gradient, covered: Floats32, *, track_m: float, wheelbase_m: float
) -> Stance:
    """The same sum in plain numpy, one heading at a time; what the kernel is held to."""
    grid = gradient.grid
    slope = gradient.steepness
    level = slope < LEVEL
    with np.errstate(invalid="ignore", divide="ignore"):
        east = np.where(level, 0.0, -gradient.gx / slope)
        north = np.where(level, 1.0, -gradient.gy / slope)
    roll, pitch = tilt_at_headings(z, east, north, grid.cell_x, grid.cell_y, track_m, wheelbase_m)
    tilt = np.hypot(roll, pitch)
    gap = np.where(level, np.isnan(roll[N_BESIDE:]).any(axis=0), np.isnan(roll).any(axis=0))
    missing = gap | np.isnan(slope) | ~(covered > 0)
    n = len(FALL_HEADINGS_DEG)
    found = []
    for of in (slice(None), slice(0, n)):
        for part in (roll, pitch, tilt):
            largest = np.where(level, part[N_BESIDE:].max(axis=0), part[of].max(axis=0))
            found.append(np.where(missing, np.nan, largest).astype(np.float32))
    return Stance(*found)


def tilt_at_headings(
    z: Floats, east: Floats, north: Floats, cell_x: float, cell_y: float, track_m: float, wheelbase_m: float
) -> tuple[Floats, Floats]:
    """Size of roll and of pitch at HEADINGS_DEG counted from the direction (east, north), (heading, row, col)."""
    rows, cols = np.indices(z.shape, dtype=np.float64)
    rolls, pitches = [], []
    for ahead_l, left_l, ahead_r, left_r in wheel_offsets(track_m, wheelbase_m):
        pc, pr = (ahead_l * east - left_l * north) / cell_x, -(ahead_l * north + left_l * east) / cell_y
        qc, qr = (ahead_r * east - left_r * north) / cell_x, -(ahead_r * north + left_r * east) / cell_y
        fl, fr = bilinear(z, rows + pr, cols + pc), bilinear(z, rows + qr, cols + qc)
        rl, rr = bilinear(z, rows - qr, cols - qc), bilinear(z, rows - pr, cols - pc)
        rolls.append(np.maximum(np.abs(fl - fr), np.abs(rl - rr)) / track_m)
        pitches.append(np.abs((fl + fr) - (rl + rr)) / (2.0 * wheelbase_m))
    return np.stack(rolls), np.stack(pitches)


def bilinear(z: Floats, row: Floats, col: Floats) -> Floats:
    """Heights at fractional rows and columns (cell centres are whole); NaN off the grid or beside a gap."""
    with np.errstate(invalid="ignore"):
        r0, c0 = np.floor(row + SNAP), np.floor(col + SNAP)
    known = np.isfinite(r0) & np.isfinite(c0)
    r0, c0 = np.where(known, r0, 0).astype(np.int64), np.where(known, c0, 0).astype(np.int64)
    fr = np.where(row - r0 < SNAP, 0.0, row - r0)
    fc = np.where(col - c0 < SNAP, 0.0, col - c0)
    total = np.where(known, 0.0, math.nan)
    for r, c, weight in (
        (r0, c0, (1 - fr) * (1 - fc)),
        (r0, c0 + 1, (1 - fr) * fc),
        (r0 + 1, c0, fr * (1 - fc)),
        (r0 + 1, c0 + 1, fr * fc),
    ):
        on_grid = (r >= 0) & (c >= 0) & (r < z.shape[0]) & (c < z.shape[1])
        value = np.where(on_grid, z[np.clip(r, 0, z.shape[0] - 1), np.clip(c, 0, z.shape[1] - 1)], math.nan)
        total = total + np.where(weight > 0, value * weight, 0.0)
    return total
