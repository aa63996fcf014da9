"""The whole farm files that fuzz cases break: ours with float and scaled tiles, and a foreign one without sums."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import quick_farm
import small_farm

from atlas.farm import datasets, writing
from atlas.farm.opening import open_farm
from atlas.farm.schema import TILE_SUMS_TABLE
from atlas.grid import Bounds, Floats

NOW = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()
FIELDS = 2


def written_settings() -> str:
    """The quick settings as a file, for the command."""
    told = SETTINGS.model_dump(exclude_none=True, exclude_defaults=True)
    return "".join(_toml(key, value) for key, value in told.items())


def _toml(key: str, value: object) -> str:
    if isinstance(value, dict):
        return "".join(_toml(f"{key}.{name}", inner) for name, inner in value.items())
    return f"{key} = {json.dumps(value)}\n"


@dataclass(frozen=True)
class Base:
    """A whole farm file and the right answers to it, by which a broken copy is judged."""

    name: str
    data: bytes
    summed: bool
    window: Bounds
    heights: Floats
    parcels: int
    hazards: int
    ways_in: int


def make(folder: Path) -> dict[str, Base]:
    """Write the farm files once; the same bytes each time, so that a case is told by its family and seed."""
    whole = [folder / f"{name}.gpkg" for name in ("float", "scaled", "foreign")]
    if not whole[-1].exists():
        _write(folder)
    return {path.stem: _base(path, path.stem != "foreign") for path in whole}


def _write(folder: Path) -> None:
    floats = small_farm.write(folder / "float.gpkg", fields=FIELDS)
    _scaled(folder / "scaled.gpkg", floats)
    foreign = folder / "made.gpkg"
    foreign.write_bytes(floats.read_bytes())
    with closing(sqlite3.connect(foreign)) as db:
        with db:
            db.execute(f"DROP TABLE {TILE_SUMS_TABLE}")
            db.execute("DELETE FROM gpkg_contents WHERE table_name = ?", (TILE_SUMS_TABLE,))
        db.execute("VACUUM")
    foreign.rename(folder / "foreign.gpkg")


def _scaled(path: Path, floats: Path) -> None:
    frames = {name: gpd.read_file(floats, layer=name) for name in ("parcels", "hazards", "ways_in")}
    storms = pd.DataFrame({"storm_id": ["s1"], "passed_at": ["2026-05-01T04:00:00Z"], "note": [""]})
    writing.write_farm(
        path, **frames, storms=storms, dem_tif=floats.with_suffix(".tif"), tile_format="PNG", overwrite=True
    )


def _base(path: Path, summed: bool) -> Base:
    farm = open_farm(path, SETTINGS, NOW)
    window = farm.terrain.grid.bounds
    z = farm.terrain.read(window).z
    datasets.close()
    if np.isnan(z).any():
        raise RuntimeError(f"{path}: the base of all cases has gaps")
    counts = (len(farm.parcels), len(farm.hazards), len(farm.ways_in))
    return Base(path.stem, path.read_bytes(), summed, window, z, *counts)
