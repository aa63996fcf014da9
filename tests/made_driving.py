"""A machine, a ground and a driver for tests, and the shortest way from heights to verdicts."""

from __future__ import annotations

from typing import Any

import numpy as np
from made import make_grid
from pyproj import Transformer
from shapely.geometry import Point, box
from shapely.geometry.base import BaseGeometry

from atlas.driving.machines import Rig, rig
from atlas.driving.records import Drive, DrivingSurvey
from atlas.driving.surveying import survey_driving
from atlas.farm.records import Hazard, HazardKind, Parcel, Release
from atlas.grid import Grid, Heights
from atlas.settings import Settings, parse
from atlas.terrain.surveying import survey_terrain

MACHINE: dict[str, Any] = {
    "name": "Test tractor",
    "track_m": 1.9,
    "wheelbase_m": 2.2,
    "cog_height_m": 0.85,
    "cog_ahead_m": 0.95,
    "front_axle": "pivots",
    "pivot_height_m": 0.5,
    "width_m": 2.3,
    "mass_kg": 3200,
    "turn_radius_m": 4.5,
}
NO_DROPS = {"within_m": 0.0, "fall_m": 100.0}  # so that only what a test is about closes ground


def farm(machine: dict[str, Any] | None = None, **tables: Any) -> Settings:
    """Settings with one machine, ground `firm` (grip 1.2) and `wet`, and a practised driver, unless `tables` say
    otherwise; heights known exactly and no drops."""
    raw: dict[str, Any] = {
        "machines": {"m": {**MACHINE, **(machine or {})}},
        "grounds": {"firm": {"grip": 1.2}, "wet": {"grip": 0.5, "sink_m": 0.04}},
        "drivers": {"practised": {"share": 1.0}},
        "terrain": {"dem_sigma_m": 0.0},
        "drops": NO_DROPS,
    }
    return parse({**raw, **tables})


def resolved(settings: Settings) -> Rig:
    return rig(settings)


def field_of(grid: Grid, margin_m: float = 4.0) -> Parcel:
    """The whole grid but for a margin, as one field."""
    b = grid.bounds
    return parcel(box(b.west + margin_m, b.south + margin_m, b.east - margin_m, b.north - margin_m))


def parcel(shape: BaseGeometry) -> Parcel:
    return Parcel("f", "f", "Test field", "", "", "", "", shape)  # type: ignore[arg-type]  # boxes are polygons


def hazard(kind: HazardKind, shape: BaseGeometry, severity: int = 2, **more: Any) -> Hazard:
    figures: dict[str, Any] = {"reach_m": 5.0, "accuracy_m": 2.0, "depth_m": None, **more}
    return Hazard(
        hazard_id=f"{kind}-{shape.wkt[:40]}",
        kind=kind,
        severity=severity,
        note="",
        photo=None,
        seen_at=None,
        seen_by="",
        shape=shape,
        **figures,
    )


def middle_of(grid: Grid) -> Point:
    b = grid.bounds
    return Point((b.west + b.east) / 2, (b.south + b.north) / 2)


def drive_survey(
    heights: Heights,
    settings: Settings,
    hazards: tuple[Hazard, ...] = (),
    *,
    field: Parcel | None = None,
    release: Release | None = None,
    stormed: bool = False,
) -> DrivingSurvey:
    field = field or field_of(heights.grid)
    to_lonlat = Transformer.from_crs("EPSG:25832", "EPSG:4326", always_xy=True)
    terrain = survey_terrain(field.shape, heights, settings)
    return survey_driving(field, terrain, hazards, (), release, stormed, rig(settings), settings, to_lonlat)


def one(survey: DrivingSurvey, ground: str = "firm", driver: str = "practised", machine: str = "m") -> Drive:
    return next(d for d in survey.drives if (d.machine, d.ground, d.driver) == (machine, ground, driver))


def inside(drive: Drive, margin: int = 8) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """Zones well within the field, where every wheel has a height."""
    return drive.zone[margin:-margin, margin:-margin]


SMALL = make_grid(36, 36)
