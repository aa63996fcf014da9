"""A made field for page tests: believable ground, rough verdicts, every kind of marking. Only its shape matters.

The verdicts here are a stand-in (largest tilt against each machine's limits), so that pages can be tested without
the sums of `atlas.driving.zones`.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from made import make_grid, middle_xy
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.driving.limits import Limits, limits_table
from atlas.driving.machines import rig
from atlas.driving.records import (
    Drive,
    DrivingSurvey,
    DropFigures,
    HandWork,
    Reason,
    TaggedHazard,
    Tilt,
    Zone,
)
from atlas.farm.records import Hazard, HazardKind, Parcel, Release, WayIn
from atlas.grid import Grid, Heights
from atlas.pages import folium_map
from atlas.pages.context import PageContext, TerrainNote
from atlas.settings import Settings
from atlas.survey import FieldSurvey, Outline, Place
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.stance import stance
from atlas.terrain.surveying import survey_terrain

NOW = datetime(2026, 6, 12, 6, 10, tzinfo=UTC)


def made_context(settings: Settings | None = None, number: int = 14) -> PageContext:
    settings = settings or Settings.model_validate(
        {"farm": {"name": "Hofstatt Ober-Raintl", "lead_name": "Vroni Tratzer", "lead_phone": "+43 000 5550143"}}
    )
    note = TerrainNote("made for tests", "2024", 1.0, 1.0, 0.03, True, "EPSG:25832")
    who = settings.farm
    return PageContext(
        who.name, who.lead_name, who.lead_phone, "112", ("en",), number, NOW, note, rig(settings), settings,
        moving=folium_map.written(),
    )  # fmt: skip


def made_survey(
    ctx: PageContext,
    *,
    east_m: float = 240.0,
    north_m: float = 190.0,
    cell_m: float = 1.0,
    seed: int = 3,
    name: str = "Hintere Leitn",
    released: str | None = "damp",
) -> FieldSurvey:
    """A sloping field with a gully, a terrace and rough ground, about 0.8 · east · north square metres."""
    margin = 30.0
    grid = make_grid(round((north_m + 2 * margin) / cell_m), round((east_m + 2 * margin) / cell_m), cell_m)
    heights = _ground(grid, seed)
    outline = _outline(grid, margin, east_m, north_m)
    parcel = Parcel(
        "raintl-07", "hintere-leitn", name, "meadow", "", "Enter at the top gate, mow the rim first.", "", outline
    )
    terrain = survey_terrain(outline, heights, ctx.settings)
    hazards = _hazards(outline)
    tilts = tuple(_tilt(terrain, m.key, m.track_m, m.wheelbase_m) for m in ctx.rig.machines.values())
    of_machine = {t.machine: t for t in tilts}
    drives = tuple(
        _drive(terrain, of_machine[lim.machine], lim, hazards) for lim in limits_table(ctx.rig, ctx.settings)
    )
    low = grid.bounds.south
    south = LineString([(grid.west + margin, low + margin + 9), (grid.west + 140, low + 36)])
    driving = DrivingSurvey(
        hazards, HandWork(120.0, 360.0, 0.9), DropFigures(88.0, 20.0), (south,),
        (LineString([(grid.bounds.east - 40, grid.north - 60), (grid.bounds.east - 38, grid.north - 95)]),),
        tilts, drives, "",
    )  # fmt: skip
    release = None
    if released:
        until = datetime(2026, 6, 12, 20, 0, tzinfo=UTC)
        release = Release(parcel.field_id, released, "Vroni Tratzer", NOW, until)
    ways = (WayIn("g1", "Top gate", 3.5, 8.0, True, "", Point(*_north_end(outline))),)
    neighbours = (Outline("raintl-08", "Vordere Leitn", affinity.translate(outline, east_m * 0.93, 6.0)),)
    return FieldSurvey(parcel, _place(outline), terrain, driving, ways, neighbours, release, ())


def _ground(grid: Grid, seed: int) -> Heights:
    x, y = middle_xy(grid)
    rng = np.random.default_rng(seed)
    slope = 0.28 * y + 0.0009 * y * np.abs(y) + 4.0 * np.tanh((y + 40.0) / 6.0) * (x < 20)
    gully = -3.0 * np.exp(-(((x - 55.0 + 0.2 * y) / 9.0) ** 2))
    return Heights(grid, 900.0 + slope + gully + 0.06 * x + rng.normal(0.0, 0.03, grid.shape))


def _outline(grid: Grid, margin: float, east_m: float, north_m: float) -> Polygon:
    w, s = grid.west + margin, grid.bounds.south + margin
    shares = [(0.02, 0.1), (0.3, 0.0), (0.72, 0.06), (1.0, 0.2), (0.97, 0.7), (0.7, 1.0), (0.25, 0.96), (0.0, 0.6)]
    return Polygon([(w + a * east_m + 0.37, s + b * north_m + 0.21) for a, b in shares])


def _north_end(outline: Polygon) -> tuple[float, float]:
    top = max(outline.exterior.coords, key=lambda p: p[1])
    return top[0], top[1]


def _place(outline: Polygon) -> Place:
    inside = outline.representative_point()
    return Place(
        10.3, 46.9, (inside.x, 76000.0, 0.0, 0.0, 0.0, 0.0), (inside.y, 0.0, 111200.0, 0.0, 0.0, 0.0), 0.95
    )


def _hazards(outline: Polygon) -> tuple[TaggedHazard, ...]:
    w, s, e, n = outline.bounds

    def at(a: float, b: float) -> tuple[float, float]:
        return (w + a * (e - w), s + b * (n - s))

    shapes: list[tuple[HazardKind, int, BaseGeometry, str]] = [
        ("wet_spot", 3, Point(at(0.62, 0.5)).buffer(7), "in the gully"),
        ("wet_spot", 1, Point(at(0.3, 0.7)), "in the upper middle"),
        ("unstable_bank", 2, LineString([at(0.1, 0.2), at(0.4, 0.17)]), "along the south edge"),
        ("forest_edge", 2, LineString([at(0.05, 0.62), at(0.25, 0.93), at(0.5, 0.97)]), "in the north-west"),
        ("overhead_line", 2, LineString([at(0.8, 0.1), at(0.9, 0.8)]), "in the east"),
        ("slip", 2, Point(at(0.5, 0.3)), "below the terrace"),
    ]
    found = []
    for tag, (kind, severity, shape, place) in enumerate(shapes, start=1):
        at_point = shape.representative_point()
        hazard = Hazard(
            f"00000000-0000-4000-8000-{tag:012d}", kind, severity, 3.0 if kind == "forest_edge" else 5.0, 2.0,
            1.5 if kind == "unstable_bank" else None, "Walk round it first." if tag == 1 else "", None,
            None if tag == 2 else NOW, "" if tag == 2 else "V. T.", shape, unconfirmed=tag in (2, 3),
            assumed=("accuracy_m",) if tag == 2 else (),
        )  # fmt: skip
        found.append(
            TaggedHazard(tag, hazard, 10.3, 46.9, at_point.x, at_point.y, place, shape.buffer(hazard.reach_m + 2))
        )
    return tuple(found)


def _tilt(terrain: TerrainSurvey, machine: str, track_m: float, wheelbase_m: float) -> Tilt:
    s = stance(terrain.z, terrain.gradient, terrain.covered, track_m=track_m, wheelbase_m=wheelbase_m)
    return Tilt(machine, s.any_roll, s.any_pitch, s.any_stance, s.fall_roll, s.fall_pitch, s.fall_stance)


def _drive(terrain: TerrainSurvey, tilt: Tilt, lim: Limits, hazards: tuple[TaggedHazard, ...]) -> Drive:
    steep = terrain.gradient.steepness
    on_all = (tilt.any_roll + lim.roll_sink + lim.roll_error <= lim.side) & (tilt.any_stance <= lim.grip)
    fall = (tilt.fall_roll + lim.roll_sink + lim.roll_error <= lim.side) & (tilt.fall_stance <= lim.grip)
    zone = np.full(terrain.grid.shape, int(Zone.KEEP_OUT), dtype=np.uint8)
    zone[steep <= lim.on_foot] = Zone.ON_FOOT
    zone[fall] = Zone.UP_DOWN
    zone[fall & on_all] = Zone.ANY_WAY
    reason = np.full(zone.shape, int(Reason.SIDE), dtype=np.uint8)
    reason[zone == Zone.ANY_WAY] = Reason.WITHIN
    reason[(tilt.fall_stance > lim.grip)] = Reason.GRIP_UP if lim.grip_up <= lim.grip_down else Reason.GRIP_DOWN
    reason[zone == Zone.KEEP_OUT] = Reason.ON_FOOT
    zone[np.isnan(steep)], reason[np.isnan(steep)] = Zone.UNSURVEYED, Reason.NO_HEIGHT
    x, y = np.meshgrid(terrain.grid.xs, terrain.grid.ys)
    for t in hazards:
        near = _inside(t.keep_off, x, y)
        worst = Zone.ON_FOOT if t.hazard.kind in ("forest_edge", "wet_spot") else Zone.KEEP_OUT
        closes = near & (zone < worst)
        zone[closes], reason[closes] = worst, Reason.TAG + t.tag
    any_way, up_down, on_foot, keep_out, unsurveyed = (
        float((terrain.covered * (zone == z)).sum() * terrain.grid.cell_area) for z in Zone
    )
    cut = ((zone <= Zone.UP_DOWN) & (x > x.mean() + 80)).astype(np.uint8)
    turn = ((zone == Zone.UP_DOWN) & (y < y.mean() - 50)).astype(np.uint8)
    cut_m2, turn_m2 = (float((terrain.covered * a).sum()) for a in (cut, turn))
    return Drive(
        lim.machine, lim.ground, lim.driver, zone, reason,
        any_way, up_down, on_foot, keep_out, unsurveyed, cut_m2, turn_m2, cut, turn,
    )  # fmt: skip


def _inside(shape: BaseGeometry, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    from shapely import contains_xy

    return np.asarray(contains_xy(shape, x, y))


def with_name(survey: FieldSurvey, name: str) -> FieldSurvey:
    return replace(survey, parcel=replace(survey.parcel, name=name))


__all__ = ["NOW", "made_context", "made_survey", "with_name"]
