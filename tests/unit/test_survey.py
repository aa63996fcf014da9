"""One field from the file to its figures: what around it counts."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from farm_files import farm_file, fields, marks, patch, write_tif

from atlas.driving.machines import rig
from atlas.driving.records import Reason, Zone
from atlas.editions.keys import field_key
from atlas.farm.opening import open_farm
from atlas.settings import parse
from atlas.survey import survey_field

NOW = datetime(2026, 5, 3, tzinfo=UTC)
MACHINE = {
    "name": "Mower", "track_m": 2.0, "wheelbase_m": 2.0, "cog_height_m": 0.7, "cog_ahead_m": 1.0,
    "width_m": 2.2, "mass_kg": 1000, "turn_radius_m": 3.0, "side_limit_pct": 20, "climb_limit_pct": 60,
}  # fmt: skip
SETTINGS = {
    "machines": {"mower": MACHINE},
    "drivers": {"new": {"share": 0.99}},
    "grounds": {"firm": {"grip": 0.9}},
    "print": {"pdf": False},
}


@pytest.mark.parametrize(("within_m", "off_m"), [(20, 12), (20, 17), (60, 45)])
def test_a_wall_past_the_edge_counts_as_far_as_slides_are_followed(
    tmp_path: Path, within_m: float, off_m: float
) -> None:
    """Its own reach of half a metre says how near a machine may come, not where a slide ends."""
    z = np.tile(900.0 - 0.25 * np.arange(240.0)[:, None], (1, 120))
    dem = write_tif(tmp_path / "slope.tif", z)
    settings = parse({**SETTINGS, "drops": {"within_m": within_m}})
    found, keys = [], []
    for name, shapes in (("without", []), ("with", [patch(10, 140 + off_m, 100, 3)])):
        wall = marks(
            shapes, kind=["obstacle"] * len(shapes), reach_m=[0.5] * len(shapes), accuracy_m=[0.0] * len(shapes)
        )
        path = farm_file(tmp_path, f"{name}.gpkg", fields([patch(40, 80, 40, 60)]), hazards=wall, dem_tif=dem)
        farm = open_farm(path, settings, NOW)
        keys.append(field_key("", farm, farm.parcels[0], settings))
        survey = survey_field(farm, farm.parcels[0], settings, rig(settings))
        firm = next(d for d in survey.driving.drives if d.ground == "firm")
        found.append((firm, survey.terrain.covered > 0.99))
    (before, inside), (after, _) = found
    assert (before.zone[inside] == Zone.UP_DOWN).all()
    named = inside & (after.reason == Reason.DROP_BELOW)
    assert (after.zone[named] == Zone.ON_FOOT).all()
    assert named.sum() == pytest.approx(40 * (within_m - off_m), abs=40)
    assert keys[0] != keys[1]  # or a wall that was moved would not make a map anew
