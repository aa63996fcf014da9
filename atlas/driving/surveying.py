"""Driving one field, end to end: tilt, markings, drops, verdicts, and what the page says of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from pyproj import Transformer

from atlas.driving import hazards as hz
from atlas.driving.limits import Limits, limits
from atlas.driving.machines import Machine, Rig
from atlas.driving.records import Drive, DrivingSurvey, DropFigures, HandWork, TaggedHazard, Tilt
from atlas.driving.zones import Cells, Falls, judge, tilt_of_cells
from atlas.farm.records import Hazard, Parcel, Release, WayIn
from atlas.grid import Grid
from atlas.settings import Settings
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.stance import stance


def survey_driving(
    parcel: Parcel,
    terrain: TerrainSurvey,
    hazards: Sequence[Hazard],
    ways_in: Sequence[WayIn],
    release: Release | None,
    stormed: bool,
    rig: Rig,
    settings: Settings,
    to_lonlat: Transformer,
) -> DrivingSurvey:
    """Where each machine may drive in one field, on every ground, for every driver.

    `hazards` are those that may reach the field; `stormed` says that a storm has passed, `release` the lead's
    word since; machines come in by `ways_in`. No zones, and `why_none`, where the terrain's cells are coarser than the settings allow.
    """
    soaked = stormed and release is None
    widest = max(m.half_extent_m for m in rig.machines.values())
    tagged = hz.tag(parcel.shape, hazards, settings, widest, to_lonlat)
    why_none = too_coarse(terrain.grid, settings)
    tilts: tuple[Tilt, ...] = ()
    drives: tuple[Drive, ...] = ()
    if not why_none:
        tilts = tuple(tilt(terrain, m) for m in rig.machines.values())
        drives = _drives(terrain, tagged, tilts, soaked, rig, settings)
    return DrivingSurvey(tagged, HandWork(0.0, 0.0, 0.0), DropFigures(0.0, 0.0), (), (), tilts, drives, why_none)


def too_coarse(grid: Grid, settings: Settings) -> str:
    """One sentence where cells are too large to judge a machine by, else nothing."""
    finest = settings.terrain.zones_up_to_cell_m
    if grid.cell_m <= finest * (1 + 1e-9):
        return ""
    return (
        f"The terrain model has one height every {grid.cell_m:.3g} m; driving zones need one at least every "
        f"{finest:g} m."
    )


def tilt(terrain: TerrainSurvey, m: Machine) -> Tilt:
    """How one machine stands on each cell of the field."""
    found = stance(terrain.z, terrain.gradient, terrain.covered, track_m=m.track_m, wheelbase_m=m.wheelbase_m)
    return Tilt(
        m.key,
        found.any_roll,
        found.any_pitch,
        found.any_stance,
        found.fall_roll,
        found.fall_pitch,
        found.fall_stance,
    )


def _drives(
    terrain: TerrainSurvey,
    tagged: Sequence[TaggedHazard],
    tilts: Sequence[Tilt],
    soaked: bool,
    rig: Rig,
    settings: Settings,
) -> tuple[Drive, ...]:
    grid, covered = terrain.grid, terrain.covered
    cells = Cells(np.flatnonzero(covered > 0), terrain.gradient.steepness, covered, grid.cell_area)
    widest = max(m.half_extent_m for m in rig.machines.values())
    near = hz.distances(grid, covered, tagged, settings, widest)
    nothing = np.zeros(grid.shape, dtype=np.uint8)
    drives = []
    for m, of_machine in zip(rig.machines.values(), tilts, strict=True):
        packed = tilt_of_cells(of_machine, cells)
        wet = _for_drivers(m, "wet", rig, settings)
        for key in rig.grounds:
            marks = hz.markings(grid, near, m, settings, soaked=soaked or key == "wet")
            falls = Falls(nothing, nothing)
            found = judge(cells, packed, m, _for_drivers(m, key, rig, settings), wet, marks, falls)
            for i, driver in enumerate(rig.drivers):
                any_way, up_down, on_foot, keep_out, unsurveyed = (float(a) for a in found.area_m2[i])
                drives.append(
                    Drive(
                        m.key,
                        key,
                        driver,
                        found.zone[i],
                        found.reason[i],
                        any_way,
                        up_down,
                        on_foot,
                        keep_out,
                        unsurveyed,
                        None,
                        0.0,
                        nothing,
                        nothing,
                    )
                )
    return tuple(drives)


def _for_drivers(m: Machine, ground: str, rig: Rig, settings: Settings) -> list[tuple[Limits, bool]]:
    return [(limits(m, rig.grounds[ground], d, settings), d.practised) for d in rig.drivers.values()]
