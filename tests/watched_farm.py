"""One field for walking over with a set position: even ground in bands, so that each state has its own stretch.

From north to south: 8 % (drive in any direction), then 26 % (straight up or down), then a terrace wall in the
south-east. A wet spot over the ankle lies on the gentle band.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from made import METRIC, make_grid, middle_xy, rectangle
from shapely.geometry import Point
from small_farm import with_tif

from atlas.farm.writing import write_farm
from atlas.grid import Grid, Heights
from atlas.settings import Settings, parse

SLUG = "banded-field"
GENTLE, STEEP, WALL_M = 0.08, 0.26, 4.0
GRID: Grid = make_grid(160, 200)
BREAK_Y, WALL_Y, WALL_X = 10.0, -38.0, 20.0  # metres from the grid's middle
WET_XY = (-25.0, 32.0)
MIDDLE = (GRID.west + 100.0, GRID.north - 80.0)


def at(x: float, y: float) -> tuple[float, float]:
    """Terrain coordinates of a place in metres east and north of the grid's middle."""
    return MIDDLE[0] + x, MIDDLE[1] + y


def settings(near_m: float = 15.0) -> Settings:
    return parse(
        {
            "farm": {"name": "Hof am Zwaibel", "lead_name": "Runa Telk", "lead_phone": "+43 000 555 0143"},
            "watch": {"near_m": near_m},
            "machines": {
                "mower": {
                    "name": "Mower", "track_m": 1.9, "wheelbase_m": 2.2, "cog_height_m": 0.85, "cog_ahead_m": 0.95,
                    "front_axle": "pivots", "pivot_height_m": 0.5, "width_m": 2.3, "mass_kg": 3200,
                    "side_limit_pct": 24, "climb_limit_pct": 40, "turn_radius_m": 4.5,
                },
                "wide": {
                    "name": "Wide mower", "track_m": 2.0, "wheelbase_m": 2.4, "cog_height_m": 0.6,
                    "cog_ahead_m": 1.1, "front_axle": "fixed", "width_m": 6.0, "mass_kg": 2500,
                    "side_limit_pct": 50, "climb_limit_pct": 50, "turn_radius_m": 4.5,
                },
            },
            "drivers": {"new": {"share": 0.6}, "practised": {"share": 1.0}},
            "grounds": {"firm": {"grip": 0.6, "sink_m": 0.0}, "wet": {"grip": 0.5, "sink_m": 0.01}},
            "shown": {"driver": "practised"},
        }
    )  # fmt: skip


def heights() -> Heights:
    x, y = middle_xy(GRID)
    z = 600 + np.where(y > BREAK_Y, STEEP * BREAK_Y + GENTLE * (y - BREAK_Y), STEEP * y)
    return Heights(GRID, np.where((y < WALL_Y) & (x > WALL_X), z - WALL_M, z))


def write(path: Path) -> Path:
    """The farm file; the field lies 30 m inside its heights."""
    with_tif(path.with_suffix(".tif"), heights())
    field = rectangle(GRID, 30, 25, 170, 135)
    parcels = gpd.GeoDataFrame(
        {"field_id": ["F1"], "name": ["Banded field"], "use": ["meadow"], "note": [""], "first_pass": [""]},
        geometry=[field], crs=METRIC.to_wkt(),
    )  # fmt: skip
    hazards = gpd.GeoDataFrame(
        {
            "hazard_id": ["00000000-0000-4000-8000-000000000001"], "kind": ["wet_spot"],
            "severity": pd.array([3], dtype="Int64"), "reach_m": [2.0], "accuracy_m": [1.0],
            "depth_m": [None], "note": [""], "seen_at": ["2026-06-11T06:00:00Z"], "seen_by": ["Runa Telk"],
        },
        geometry=[Point(at(*WET_XY)).buffer(4)], crs=METRIC.to_wkt(),
    )  # fmt: skip
    ways_in = gpd.GeoDataFrame(
        {
            "way_in_id": ["w1"], "name": ["Gate"], "width_m": [4.0], "max_load_t": [12.0], "ambulance": [True],
            "note": [""],
        },
        geometry=[Point(at(0.0, 55.0))], crs=METRIC.to_wkt(),
    )  # fmt: skip
    storms = pd.DataFrame({"storm_id": ["s1"], "passed_at": ["2026-06-10T04:00:00Z"], "note": [""]})
    releases = pd.DataFrame(
        {
            "field_id": ["F1"], "ground": ["firm"], "released_by": ["Runa Telk"],
            "released_at": ["2026-06-12T05:00:00Z"], "until": ["2026-06-12T20:00:00Z"],
        }
    )  # fmt: skip
    write_farm(path, parcels, hazards, ways_in, storms, releases, dem_tif=path.with_suffix(".tif"), overwrite=True)
    return path
