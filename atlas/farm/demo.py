"""Makes the invented hill farm: terrain, fields, gates, markings, a storm and releases, all from one seed."""

from __future__ import annotations

import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from rasterio.windows import Window
from shapely.geometry import MultiPolygon, Polygon

from atlas.farm import demo_plan, demo_words
from atlas.farm.demo_land import CRS_CODE, FIELDS_A_STRETCH, Land, Stretch
from atlas.farm.demo_shapes import Placer
from atlas.farm.writing import write_farm

STORM = datetime(2026, 6, 10, 21, 30, tzinfo=UTC)
LEAD = "Ansa Vrelling"
FARM_FROM = 100  # with more fields than this they are grouped into farms
FIELDS_A_FARM = 40


@dataclass(frozen=True)
class DemoField:
    """One field on the map, with the plan it came from."""

    field_id: str
    planned: demo_plan.PlannedField
    placer: Placer
    shape: Polygon | MultiPolygon


@dataclass(frozen=True)
class Spring:
    """Where the land says water comes out and no hazard marks it."""

    field_id: str
    x: float
    y: float


def make_demo(path: Path, fields: int = 16, cell_m: float = 1.0, seed: int = 1) -> None:
    """Write an invented farm of `fields` fields on `cell_m` terrain; the same seed gives the same bytes.

    Raises OutputError when `path` exists or cannot be written.
    """
    land = Land(fields, cell_m, seed)
    placed = list(_fields(land))
    with tempfile.TemporaryDirectory() as folder:
        dem = Path(folder) / "heights.tif"
        _write_heights(dem, land)
        write_farm(
            path,
            _frame(_parcel_rows(land, placed)),
            _frame(_hazard_rows(land, placed)),
            _frame(_gate_rows(placed)),
            pd.DataFrame(
                [{"storm_id": "storm-2026-06-10", "passed_at": STORM, "note": "hail and 60 mm in two hours"}]
            ),
            pd.DataFrame(_release_rows(placed)),
            dem_tif=dem,
            written_at=STORM,
        )


def demo_springs(fields: int = 16, cell_m: float = 1.0, seed: int = 1) -> tuple[Spring, ...]:
    """The unmarked springs of the demo with these arguments, map coordinates in EPSG:25832."""
    return tuple(
        Spring(f.field_id, at.x, at.y)
        for f in _fields(Land(fields, cell_m, seed))
        for s in demo_plan.SPRINGS
        if s.field == f.planned.key
        for at in [f.placer.point(s.at)]
    )


def _fields(land: Land) -> Iterator[DemoField]:
    for stretch in land.stretches:
        placer = Placer(land, stretch)
        for i, planned in enumerate(demo_plan.FIELDS):
            number = stretch.number * FIELDS_A_STRETCH + i + 1
            if number <= land.fields:
                yield DemoField(_field_id(number, land.fields), planned, placer, placer.field(planned))


def _field_id(number: int, fields: int) -> str:
    return f"F{number:0{max(2, len(str(fields)))}d}"


def _parcel_rows(land: Land, placed: list[DemoField]) -> list[dict[str, Any]]:
    rows = []
    for i, f in enumerate(placed):
        farm = demo_words.farm_name(i // FIELDS_A_FARM, land.seed) if land.fields > FARM_FROM else None
        rows.append(
            {
                "field_id": f.field_id,
                "name": demo_words.field_name(f.planned.key, f.placer.stretch.number, land.seed),
                "use": f.planned.use,
                "note": demo_words.NOTES[f.planned.key],
                "first_pass": demo_words.FIRST_PASS[f.planned.key],
                "farm": farm,
                "geometry": f.shape,
            }
        )
    return rows


def _hazard_rows(land: Land, placed: list[DemoField]) -> list[dict[str, Any]]:
    rows = []
    for f in placed:
        for n, h in enumerate(h for h in demo_plan.HAZARDS if h.field == f.planned.key):
            rows.append(
                {
                    "hazard_id": str(uuid.uuid5(uuid.NAMESPACE_OID, f"demo {land.seed} {f.field_id} {n}")),
                    "kind": h.kind,
                    "severity": h.severity,
                    "reach_m": h.reach_m,
                    "accuracy_m": h.accuracy_m,
                    "depth_m": h.depth_m,
                    "note": h.note,
                    "photo": None,
                    "seen_at": _when(h.seen_h),
                    "seen_by": LEAD if h.seen_h is not None and h.seen_h < 0 else "Jorrit Selbmann",
                    "retired_at": _when(h.retired_h),
                    "retired_by": LEAD if h.retired_h is not None else None,
                    "geometry": f.placer.hazard(h),
                }
            )
    return rows


def _gate_rows(placed: list[DemoField]) -> list[dict[str, Any]]:
    rows = []
    for f in placed:
        for n, g in enumerate(g for g in demo_plan.GATES if g.field == f.planned.key):
            rows.append(
                {
                    "way_in_id": f"{f.field_id}-{'ABC'[n]}",
                    "name": demo_words.GATE_NAMES[g.road],
                    "width_m": g.width_m,
                    "max_load_t": g.max_load_t,
                    "ambulance": g.ambulance,
                    "note": None,
                    "geometry": f.placer.gate(g, f.shape),
                }
            )
    return rows


def _release_rows(placed: list[DemoField]) -> list[dict[str, Any]]:
    rows = []
    for i, f in enumerate(placed):
        if i % 4 == 0:
            rows.append(_release(f, "firm", -60, -8))
        if i % 3 == 0:
            rows.append(_release(f, "damp" if i % 2 else "firm", 33, 70))
    return rows


def _release(f: DemoField, ground: str, from_h: float, until_h: float) -> dict[str, Any]:
    return {
        "field_id": f.field_id,
        "ground": ground,
        "released_by": LEAD,
        "released_at": _when(from_h),
        "until": _when(until_h),
    }


def _when(hours: float | None) -> datetime | None:
    return None if hours is None else STORM + timedelta(hours=hours)


def _frame(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS_CODE)


def _write_heights(path: Path, land: Land) -> None:
    g = land.grid
    with rasterio.open(
        path, "w", driver="GTiff", width=g.cols, height=g.rows, count=1, dtype="float32", crs=g.crs,
        transform=g.transform, nodata=-9999.0, tiled=True, blockxsize=256, blockysize=256, bigtiff="IF_SAFER",
    ) as sink:  # fmt: skip
        for block in land.blocks():
            sink.write(land.window(block).astype(np.float32), 1,
                       window=Window(block.col, block.row, block.cols, block.rows))  # fmt: skip


__all__ = ["STORM", "DemoField", "Spring", "Stretch", "demo_springs", "make_demo"]
