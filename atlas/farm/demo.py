"""Makes the invented hill farm: terrain, fields, gates, markings, a storm and releases, all from one seed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from rasterio.windows import Window

from atlas.errors import OutputError
from atlas.farm import demo_plan, demo_rows
from atlas.farm.demo_land import CRS_CODE, Land
from atlas.farm.scratch import scratch
from atlas.farm.writing import write_farm

CACHE_BYTES = 40 * 2**20  # GDAL would take a twentieth of all memory


@dataclass(frozen=True)
class Spring:
    """Where the land says that water comes out, and no hazard marks it."""

    field_id: str
    x: float
    y: float


def make_demo(path: Path, fields: int = 16, cell_m: float = 1.0, seed: int = 1) -> None:
    """Write an invented farm of `fields` fields on terrain of `cell_m` metres; the same seed gives the same bytes.

    Heights are made and written band by band, so memory grows with the width of the land, not with its area.
    Raises OutputError when `path` exists or cannot be written, or for a number that makes no farm.
    """
    if path.exists():
        raise OutputError(f"{path}: exists already; choose another name.")
    if fields < 1 or not 0.1 <= cell_m <= 50 or seed < 0:
        raise OutputError(
            f"{path}: {fields} fields on {cell_m} m terrain with seed {seed} make no farm; give at least 1 field, "
            "0.1 to 50 m and a seed from 0."
        )
    land = Land(fields, cell_m, seed)
    with scratch(path) as folder, rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES):
        heights = folder / "heights.tif"
        _write_heights(heights, land)
        placed = list(demo_rows.place_fields(land))
        write_farm(
            path,
            _frame(demo_rows.parcel_rows(land, placed)),
            _frame(demo_rows.hazard_rows(land, placed)),
            _frame(demo_rows.gate_rows(placed)),
            pd.DataFrame(demo_rows.storm_rows()),
            pd.DataFrame(demo_rows.release_rows(placed)),
            dem_tif=heights,
            written_at=demo_rows.STORM,
        )


def demo_springs(fields: int = 16, cell_m: float = 1.0, seed: int = 1) -> tuple[Spring, ...]:
    """The unmarked springs of the demo with these arguments, EPSG:25832 metres; they are not in the file."""
    return tuple(
        Spring(f.field_id, at.x, at.y)
        for f in demo_rows.place_fields(Land(fields, cell_m, seed))
        for s in demo_plan.SPRINGS
        if s.field == f.planned.key
        for at in [f.placer.point(s.at)]
    )


def _frame(rows: list[demo_rows.Row]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS_CODE)


def _write_heights(path: Path, land: Land) -> None:
    g = land.grid
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=g.cols,
        height=g.rows,
        count=1,
        dtype="float32",
        crs=g.crs,
        transform=g.transform,
        nodata=-9999.0,
        tiled=True,
        blockxsize=256,
        blockysize=256,
        bigtiff="IF_SAFER",
    ) as sink:
        for w, heights in land.bands():
            sink.write(heights.astype(np.float32), 1, window=Window(w.col, w.row, w.cols, w.rows))
