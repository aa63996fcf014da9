"""Driving one field, end to end: tilt, markings, drops, verdicts, and what the page says of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from pyproj import Transformer

from atlas.driving import hazards as hz
from atlas.driving.closing import Closing, closing
from atlas.driving.drop_zones import drop_lines
from atlas.driving.grounds import NEEDED
from atlas.driving.handwork import hand_work
from atlas.driving.limits import Limits, limits
from atlas.driving.machines import Machine, Rig
from atlas.driving.moving import Moves
from atlas.driving.records import Drive, DrivingSurvey, Tilt
from atlas.driving.zones import Cells, Verdicts, judge, tilt_of_cells
from atlas.farm.records import Hazard, Parcel, Release, WayIn
from atlas.grid import Grid
from atlas.settings import Settings
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.stance import Stance, stance


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
    word since; machines come in by `ways_in`. No zones, and `why_none`, where the terrain's cells are coarser
    than the settings allow.
    """
    soaked = stormed and release is None
    widest = max(m.half_extent_m for m in rig.machines.values())
    tagged = hz.tag(parcel.shape, hazards, settings, widest, to_lonlat)
    closed = closing(terrain, tagged, hazards, widest, settings, soaked=soaked)
    why_none = too_coarse(terrain.grid, settings)
    tilts: tuple[Tilt, ...] = ()
    drives: tuple[Drive, ...] = ()
    if not why_none:
        tilts = _tilts(terrain, rig)
        drives = _drives(terrain, closed, tilts, ways_in, parcel.shape.area, rig, settings)
    lines = drop_lines(closed.drops[settings.on_foot.limit_pct / 100.0], parcel.shape)
    return DrivingSurvey(
        hazards=tagged,
        hand_work=hand_work(parcel.shape, hazards, settings.on_foot),
        drops=lines.figures,
        drop_lines=lines.drops,
        unknown_edges=lines.unknown,
        tilts=tilts,
        drives=drives,
        why_none=why_none,
    )


def too_coarse(grid: Grid, settings: Settings) -> str:
    """One sentence where cells are too large to judge a machine by, else nothing."""
    finest = settings.terrain.zones_up_to_cell_m
    if grid.cell_m <= finest * (1 + 1e-9):
        return ""
    return (
        f"The terrain model has one height every {grid.cell_m:.3g} m; driving zones need one at least every "
        f"{finest:g} m."
    )


def _tilts(terrain: TerrainSurvey, rig: Rig) -> tuple[Tilt, ...]:
    """How each machine stands on each cell; set-ups on the same wheels stand alike and are worked out once."""
    stood: dict[tuple[float, float], Stance] = {}
    for m in rig.machines.values():
        wheels = (m.track_m, m.wheelbase_m)
        if wheels not in stood:
            stood[wheels] = stance(
                terrain.z, terrain.gradient, terrain.covered, track_m=m.track_m, wheelbase_m=m.wheelbase_m
            )
    return tuple(tilt(m, stood[(m.track_m, m.wheelbase_m)]) for m in rig.machines.values())


def tilt(m: Machine, found: Stance) -> Tilt:
    """A stance under its machine's name."""
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
    closed: Closing,
    tilts: Sequence[Tilt],
    ways_in: Sequence[WayIn],
    area_m2: float,
    rig: Rig,
    settings: Settings,
) -> tuple[Drive, ...]:
    covered = terrain.covered
    cells = Cells(np.flatnonzero(covered > 0), terrain.gradient.steepness, covered, terrain.grid.cell_area)
    moves = Moves(terrain, [w.shape for w in ways_in])
    practised = [d.practised for d in rig.drivers.values()]
    drives = []
    for m, of_machine in zip(rig.machines.values(), tilts, strict=True):
        on_wet = _for_drivers(m, NEEDED, rig, settings)
        packed = tilt_of_cells(of_machine, cells, on_wet[0].roll_error, on_wet[0].pitch_error)
        for ground in rig.grounds:
            on_ground = _for_drivers(m, ground, rig, settings)
            falls = closed.falls(m, on_ground[0].on_foot)
            marks = closed.markings(m, ground)
            found = judge(cells, packed, m, on_ground, on_wet, marks, falls, practised)
            for i, driver in enumerate(rig.drivers):
                drives.append(_drive(m, ground, driver, found, i, moves, area_m2))
    return tuple(drives)


def _drive(m: Machine, ground: str, driver: str, found: Verdicts, i: int, moves: Moves, area_m2: float) -> Drive:
    any_way, up_down, on_foot, keep_out, unsurveyed = (float(a) for a in found.area_m2[i])
    beyond = area_m2 - float(found.area_m2[i].sum())  # of a field that reaches past the window of heights
    if beyond > 1e-6 * area_m2:
        unsurveyed += beyond
    moved = moves.of(m, found.zone[i])
    return Drive(
        machine=m.key,
        ground=ground,
        driver=driver,
        zone=found.zone[i],
        reason=found.reason[i],
        any_way_m2=any_way,
        up_down_m2=up_down,
        on_foot_m2=on_foot,
        keep_out_m2=keep_out,
        unsurveyed_m2=unsurveyed,
        cut_off_m2=moved.cut_off_m2,
        no_turn_m2=moved.no_turn_m2,
        cut_off=moved.cut_off,
        no_turn=moved.no_turn,
    )


def _for_drivers(m: Machine, ground: str, rig: Rig, settings: Settings) -> list[Limits]:
    return [limits(m, rig.grounds[ground], d, settings) for d in rig.drivers.values()]
