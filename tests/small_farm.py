"""A farm of a few small fields on made terrain, written through our own writer: quick to build."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from made import METRIC, make_grid, middle_xy, rectangle
from shapely.geometry import LineString, Point, Polygon

from atlas.farm.writing import write_farm
from atlas.grid import Heights

NAMES = ("Lower meadow", "Upper meadow", "Spring bank", "Far corner")
SIDE = 44.0


def terrain() -> Heights:
    """A slope that steepens uphill from about 8 % to about 62 %, with a shallow hollow and 2 cm of roughness."""
    grid = make_grid(120, 140)
    x, y = middle_xy(grid)
    noise = np.random.default_rng(7).normal(0, 0.02, grid.shape)
    return Heights(grid, 600 + 0.35 * y + 0.0022 * y * y + 0.6 * np.cos(x / 14) + noise)


def write(path: Path, fields: int = 4, names: tuple[str, ...] = NAMES, farms: tuple[str, ...] = ()) -> Path:
    """Write a farm file of up to six fields in two rows, with hazards of several kinds, ways in, a release.

    The clock of the farm: a storm on 2026-05-01, a release of the first field from 2 to 9 May 2026.
    """
    heights = terrain()
    grid = heights.grid
    boxes = [
        rectangle(grid, 3 + 45 * (i % 3), 6 + 55 * (i // 3), 3 + 45 * (i % 3) + SIDE, 6 + 55 * (i // 3) + SIDE)
        for i in range(fields)
    ]
    parcels = gpd.GeoDataFrame(
        {
            "field_id": [f"F{i + 1:02d}" for i in range(fields)],
            "name": [names[i % len(names)] for i in range(fields)],
            "use": "meadow",
            "note": "",
            "first_pass": "Enter at the gate and drive straight up along the west edge.",
        },
        geometry=boxes,
        crs=METRIC.to_wkt(),
    )
    if farms:
        parcels["farm"] = farms[:fields]
    with_tif(path.with_suffix(".tif"), heights)
    write_farm(
        path,
        parcels,
        _hazards(boxes),
        _ways_in(boxes),
        pd.DataFrame({"storm_id": ["s1"], "passed_at": ["2026-05-01T04:00:00Z"], "note": [""]}),
        pd.DataFrame(
            {
                "field_id": ["F01"],
                "ground": ["firm"],
                "released_by": ["Runa Telk"],
                "released_at": ["2026-05-02T05:00:00Z"],
                "until": ["2026-05-09T20:00:00Z"],
            }
        ),
        dem_tif=path.with_suffix(".tif"),
        overwrite=True,
    )
    return path


def with_tif(path: Path, heights: Heights) -> None:
    """Write heights as a GeoTIFF, float32, gaps as -9999."""
    grid = heights.grid
    with rasterio.open(
        path, "w", driver="GTiff", width=grid.cols, height=grid.rows, count=1, dtype="float32",
        crs=grid.crs, transform=grid.transform, nodata=-9999.0, tiled=True, blockxsize=64, blockysize=64,
    ) as sink:  # fmt: skip
        sink.write(np.where(np.isnan(heights.z), -9999.0, heights.z).astype("float32"), 1)


def _hazards(boxes: list[Polygon]) -> gpd.GeoDataFrame:
    first = boxes[0].bounds
    last = boxes[-1].bounds
    rows = [
        ("wet_spot", 2, Point(first[0] + 20, first[1] + 20), 2.0, None, "2026-05-02T06:00:00Z"),
        ("wet_spot", 1, Point(last[0] + 12, last[1] + 30).buffer(4), 2.0, None, "2026-04-20T06:00:00Z"),
        ("unstable_bank", None, LineString([(first[0], first[1] + 3), (first[2], first[1] + 3)]), 2.0, 1.5, None),
        ("forest_edge", None, LineString([(last[2] - 2, last[1]), (last[2] - 2, last[3])]), 3.0, None, None),
        ("obstacle", None, Point(last[0] + 30, last[1] + 15), 2.0, None, "2026-05-02T06:00:00Z"),
    ]
    return gpd.GeoDataFrame(
        {
            "hazard_id": [f"00000000-0000-4000-8000-00000000000{i}" for i in range(len(rows))],
            "kind": [r[0] for r in rows],
            "severity": pd.array([r[1] for r in rows], dtype="Int64"),
            "reach_m": [r[3] for r in rows],
            "accuracy_m": 1.0,
            "depth_m": [r[4] for r in rows],
            "note": ["below the old ash", "", "undercut", "", "trough"],
            "seen_at": [r[5] for r in rows],
            "seen_by": "Runa Telk",
        },
        geometry=[r[2] for r in rows],
        crs=METRIC.to_wkt(),
    )


def _ways_in(boxes: list[Polygon]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {
            "way_in_id": [f"w{i + 1}" for i in range(len(boxes))],
            "name": [f"Gate {i + 1}" for i in range(len(boxes))],
            "width_m": 4.0,
            "max_load_t": 12.0,
            "ambulance": [i == 0 for i in range(len(boxes))],
            "note": "",
        },
        geometry=[Point(b.bounds[0] + SIDE / 2, b.bounds[1]) for b in boxes],
        crs=METRIC.to_wkt(),
    )
