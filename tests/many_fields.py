"""A farm of hundreds of tiny fields, quick to survey, and quick settings for it that a command can read."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import quick_farm
import small_farm
from made import METRIC, make_grid, middle_xy, rectangle

from atlas.farm.writing import write_farm
from atlas.grid import Heights

SIDE = 7.0
APART = 9.0
SLOPES = ("pasture", "meadow", "hay")


def write(path: Path, fields: int = 300) -> Path:
    """Fields F001, F002 … in rows of twenty on one slope; no markings, no ways in."""
    rows = -(-fields // 20)
    grid = make_grid(int(rows * APART) + 12, int(20 * APART) + 12)
    x, y = middle_xy(grid)
    noise = np.random.default_rng(11).normal(0, 0.02, grid.shape)
    small_farm.with_tif(path.with_suffix(".tif"), Heights(grid, 500 + 0.3 * y + np.cos(x / 9) + noise))
    boxes = []
    for i in range(fields):
        west, south = 5 + APART * (i % 20), 5 + APART * (i // 20)
        boxes.append(rectangle(grid, west, south, west + SIDE, south + SIDE))
    parcels = gpd.GeoDataFrame(
        {
            "field_id": [f"F{i + 1:03d}" for i in range(fields)],
            "name": [f"Plot {i + 1}" for i in range(fields)],
            "use": [SLOPES[i % 3] for i in range(fields)],
        },
        geometry=boxes,
        crs=METRIC.to_wkt(),
    )
    write_farm(path, parcels, dem_tif=path.with_suffix(".tif"), overwrite=True)
    return path


def settings_file(path: Path, pdf: bool = False) -> Path:
    """The quick settings of `quick_farm`, as a file."""
    raw = quick_farm.settings().model_dump(mode="json", exclude_unset=True)
    lines = ["[print]", f"pdf = {json.dumps(pdf)}"]
    for kind in ("machines", "drivers", "grounds"):
        for key, table in raw[kind].items():
            lines += [f"[{kind}.{key}]", *(f"{name} = {json.dumps(value)}" for name, value in table.items())]
    path.write_text("\n".join(lines) + "\n")
    return path
