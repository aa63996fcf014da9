"""Slope classes and driving zones as polygons, clipped to the field, for data/atlas.gpkg."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely import to_wkb
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from atlas.driving.records import ZONE_KEYS
from atlas.editions.polygons_kernel import outlines, patches
from atlas.grid import Bytes, Grid, Mask
from atlas.survey import FieldSurvey

POLYGON = 3  # GEOS's number of that geometry type


def polygons_of(survey: FieldSurvey, ground: str, driver: str) -> list[dict[str, Any]]:
    """Rows for the layers `slope_classes` and `zones`, geometry as WKB.

    Zones are given for every machine, for the ground and driver named (the set the printed page shows).
    """
    terrain, parcel = survey.terrain, survey.parcel
    rows = []
    classes = terrain.figures.classes
    for value, geometry in _areas(terrain.slope_class, terrain.covered > 0, terrain.grid, parcel.shape):
        c = classes[value] if value < len(classes) else None
        rows.append(
            {
                "layer": "slope_classes",
                "over_pct": c.over_pct if c else None,
                "upto_pct": c.upto_pct if c else None,
                "class": value if c else None,
                "geometry": geometry,
            }
        )
    for drive in survey.driving.drives:
        if (drive.ground, drive.driver) != (ground, driver):
            continue
        for value, geometry in _areas(drive.zone, terrain.covered > 0, terrain.grid, parcel.shape):
            rows.append(
                {
                    "layer": "zones",
                    "machine": drive.machine,
                    "ground": ground,
                    "driver": driver,
                    "zone": ZONE_KEYS[value],
                    "geometry": geometry,
                }
            )
    for row in rows:
        row["field_id"], row["name"] = parcel.field_id, parcel.name
    return rows


def _areas(values: Bytes, inside: Mask, grid: Grid, parcel: BaseGeometry) -> list[tuple[int, bytes]]:
    """One multipolygon per value, clipped to the field, rising by value."""
    pieces, value = _pieces(values, inside, grid)
    shapely.prepare(parcel)
    return [(int(v), to_wkb(_clipped(pieces[value == v], parcel))) for v in np.unique(value)]


def _pieces(values: Bytes, inside: Mask, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Polygons of cells that share a value and sides, and the value of each."""
    patch, value = patches(values, inside)
    corners, long, of = outlines(patch)
    at = np.array([grid.west, grid.north]) + corners * np.array([grid.cell_x, -grid.cell_y])
    order = np.argsort(of, kind="stable")  # by patch, the outer ring still first
    rings: Any = shapely.linearrings(at, indices=np.repeat(np.arange(len(long)), long))
    pieces: Any = shapely.polygons(rings[order], indices=of[order])
    return pieces, value


def _clipped(pieces: np.ndarray, parcel: BaseGeometry) -> MultiPolygon:
    """Pieces that touch at corners at most, cut to the field; only those across its edge need cutting."""
    whole = shapely.contains_properly(parcel, pieces)
    cut = shapely.get_parts(shapely.intersection(parcel, pieces[~whole]))
    areas = cut[(shapely.get_type_id(cut) == POLYGON) & (shapely.area(cut) > 0)]
    return MultiPolygon(shapely.normalize(shapely.multipolygons([*pieces[whole], *areas])))
