"""Driving one field, end to end: tilt, markings, drops, verdicts, and what the page says of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pyproj import Transformer

from atlas.driving import hazards as hz
from atlas.driving.closing import closing
from atlas.driving.drop_zones import drop_lines
from atlas.driving.handwork import hand_work
from atlas.driving.machines import Machine, Rig
from atlas.driving.moving import Moves
from atlas.driving.places import Translate, untranslated
from atlas.driving.records import Drive, DrivingSurvey, Tilt
from atlas.driving.verdicts import stand, verdicts
from atlas.driving.zones import Verdicts
from atlas.farm.records import Hazard, Parcel, Release, WayIn
from atlas.grid import Grid
from atlas.settings import Settings
from atlas.terrain.figures import TerrainSurvey
from atlas.words import N_, short

TOO_COARSE = N_(
    "The terrain model has one height every {cell} m; driving zones need one at least every {finest} m."
)


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
    closed = closing(terrain, tagged, hazards, rig.machines.values(), settings, soaked=soaked)
    why_none = too_coarse(terrain.grid, settings)
    tilts: tuple[Tilt, ...] = ()
    drives: tuple[Drive, ...] = ()
    if not why_none:
        tilts = stand(terrain, rig)
        found = verdicts(terrain, closed, tilts, rig, settings)
        drives = _drives(found, rig, Moves(terrain, ways_in), parcel.shape.area)
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


def too_coarse(grid: Grid, settings: Settings, tr: Translate = untranslated) -> str:
    """One sentence where cells are too large to judge a machine by, else nothing."""
    finest = settings.terrain.zones_up_to_cell_m
    if grid.cell_m <= finest * (1 + 1e-9):
        return ""
    return tr(TOO_COARSE).format(cell=short(float(f"{grid.cell_m:.3g}")), finest=short(finest))


def _drives(
    found: Mapping[tuple[str, str], Verdicts], rig: Rig, moves: Moves, area_m2: float
) -> tuple[Drive, ...]:
    return tuple(
        _drive(rig.machines[machine], ground, driver, of, i, moves, area_m2)
        for (machine, ground), of in found.items()
        for i, driver in enumerate(rig.drivers)
    )


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
