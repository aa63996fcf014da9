"""Height noise may call ground within a limit it just breaks in no more than one case in twenty.

True heights are known, noise is independent with the settings' own `dem_sigma_m`. For every cell a limit is set
so that its true tilt exceeds it by between nothing and one standard error; the question is how often the noisy
heights, with what the verdict adds for not knowing, still come out within. Neighbouring cells share wheels, so
the interval is taken over cells so far apart that their wheels share no height.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from made import make_grid, plane
from made import rough as rolling

from atlas.driving.limits import ONE_SIDED_95
from atlas.driving.machines import machine
from atlas.driving.records import Tilt
from atlas.driving.verdicts import tilt
from atlas.driving.zones import TILT_PARTS, cells_of, tilt_of_cells
from atlas.grid import Floats, Grid, Heights
from atlas.settings import MachineTable
from atlas.terrain.slope import horn
from atlas.terrain.stance import stance

SIGMA = 0.03
APART = 9  # cells between those counted: wheels reach at most 4 cells and the fall line 1
ROUNDS = 6
GRID = make_grid(180, 180)
Wheels = tuple[float, float]


def uneven(grid: Grid, waves_m: float, relief_m: float) -> Heights:
    """A slope of 35 % with bumps of about `waves_m` on it."""
    noise = np.fft.rfft2(np.random.default_rng(11).normal(size=grid.shape))
    fy, fx = np.fft.fftfreq(grid.rows)[:, None], np.fft.rfftfreq(grid.cols)[None, :]
    smooth = np.exp(-2 * (math.pi * waves_m / grid.cell_x) ** 2 * (fx**2 + fy**2))  # a Gaussian of that width
    bumps = np.fft.irfft2(noise * smooth, s=grid.shape)
    return Heights(grid, plane(0.35, 200.0, grid).z + bumps / bumps.std() * relief_m)


GROUNDS = {
    "plane of 20 %": plane(0.20, 107.0, GRID),
    "plane of 45 %": plane(0.45, 200.0, GRID),
    "bumps of two metres": uneven(GRID, 1.0, 0.15),
    "bumps of five metres": uneven(GRID, 2.0, 0.3),
    "rolling": rolling(8, GRID, relief_m=40.0),
    "half-metre cells": uneven(make_grid(180, 180, 0.5), 1.0, 0.15),
}


def packed(heights: Heights, wheels: Wheels, roll_error: float, pitch_error: float) -> Floats:
    """The six extremes of every cell with the error added, (6, cells)."""
    track, base = wheels
    everywhere = np.ones(heights.grid.shape, dtype=np.float32)
    gradient = horn(heights)
    found = stance(heights.z, gradient, everywhere, track_m=track, wheelbase_m=base)
    table = MachineTable(
        name="m",
        track_m=track,
        wheelbase_m=base,
        cog_height_m=0.6,
        cog_ahead_m=base / 2,
        width_m=2,
        mass_kg=1,
        turn_radius_m=1,
    )
    stood: Tilt = tilt(machine("m", table), found)
    cells = cells_of(everywhere, gradient)
    return tilt_of_cells(stood, cells, roll_error, pitch_error).astype(np.float64)


def called_within(heights: Heights, wheels: Wheels, *, reckon: bool = True) -> dict[str, tuple[int, int]]:
    """Per part of the tilt, how many of how many cells noise brings within a limit they break. `reckon` False
    leaves out what the verdict adds for not knowing."""
    track, base = wheels
    se_roll, se_pitch = math.sqrt(2) * SIGMA / track, SIGMA / base
    se = {"roll": se_roll, "pitch": se_pitch, "stance": min(se_roll, se_pitch)}
    adds = (ONE_SIDED_95 * se_roll, ONE_SIDED_95 * se_pitch) if reckon else (0.0, 0.0)
    draw = np.random.default_rng(20)
    true = packed(heights, wheels, 0.0, 0.0)
    counts = dict.fromkeys(TILT_PARTS, (0, 0))
    for _ in range(ROUNDS):
        noisy = Heights(heights.grid, heights.z + draw.normal(0, SIGMA, heights.grid.shape))
        reckoned = packed(noisy, wheels, *adds)
        r, c = draw.integers(0, APART, 2)
        apart = np.zeros(heights.grid.shape, dtype=bool)
        apart[r::APART, c::APART] = True
        for i, part in enumerate(TILT_PARTS):
            limit = true[i] - draw.uniform(0, 1, true.shape[1]) * se[part.split("_")[1]]
            asked = apart.ravel() & np.isfinite(reckoned[i]) & np.isfinite(limit) & (limit > 0)
            within, of = counts[part]
            hits = int((reckoned[i, asked] <= limit[asked]).sum())
            counts[part] = (within + hits, of + int(asked.sum()))
    return counts


def upper_95(hits: int, of: int) -> float:
    """Wilson's one-sided upper bound on a share."""
    z, p = ONE_SIDED_95, hits / of
    middle, spread = p + z * z / (2 * of), z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return (middle + spread) / (1 + z * z / of)


@pytest.mark.parametrize("wheels", [(1.9, 2.2), (2.0, 2.8), (1.1, 0.7)], ids=["tractor", "transporter", "walked"])
@pytest.mark.parametrize("ground", GROUNDS)
def test_at_most_one_cell_in_twenty_just_past_a_limit_is_called_within_it(ground: str, wheels: Wheels) -> None:
    for part, (hits, of) in called_within(GROUNDS[ground], wheels).items():
        assert of > 1000
        assert upper_95(hits, of) <= 0.05, f"{part}: {hits} of {of}"


@pytest.mark.parametrize("part", ["any_stance", "fall_stance"])
def test_without_reckoning_with_the_error_rough_ground_is_called_within_its_grip_far_too_often(part: str) -> None:
    hits, of = called_within(GROUNDS["bumps of two metres"], (1.9, 2.2), reckon=False)[part]
    assert hits / of > 0.08


def test_even_exactly_at_the_limit_the_share_holds() -> None:
    """The hardest case: a tilt a hair past its limit on a plane, all four wheels free to err."""
    heights, wheels = GROUNDS["plane of 45 %"], (1.9, 2.2)
    adds = (ONE_SIDED_95 * math.sqrt(2) * SIGMA / 1.9, ONE_SIDED_95 * SIGMA / 2.2)
    noisy = Heights(heights.grid, heights.z + np.random.default_rng(3).normal(0, SIGMA, heights.grid.shape))
    true, reckoned = packed(heights, wheels, 0.0, 0.0), packed(noisy, wheels, *adds)
    known = np.isfinite(true[0])
    for i in range(6):
        assert (reckoned[i, known] <= true[i, known]).mean() <= 0.05
