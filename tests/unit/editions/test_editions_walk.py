"""Water runs into a field from far off, and one sees further: heights there are part of what a sheet rests on."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
import small_farm
from made import make_grid, middle_xy
from shapely.strtree import STRtree
from small_farm import SIDE

from atlas.editions.keys import field_key, shared_key
from atlas.farm.opening import open_farm
from atlas.grid import Heights
from atlas.settings import parse


def keys(
    path: Path, bump_at: float | None, monkeypatch: pytest.MonkeyPatch, ways_in: bool = False, cols: int = 400
) -> dict[str, str]:
    """Every field's key, with a ridge a metre high and 8 m wide, `bump_at` metres east of the first field's edge.

    Heights lie in a raster beside the file: of one, the very cells count, not the tiles they are stored in.
    """
    grid = make_grid(260 if cols == 400 else 120, cols)
    x, y = middle_xy(grid)
    z = 600 + 0.1 * y
    if bump_at is not None:
        z = z + (abs(x - (3 + SIDE + bump_at - cols / 2)) < 4)
    monkeypatch.setattr(small_farm, "terrain", lambda: Heights(grid, z))
    settings = parse({"layers": {"dem": ["farm.tif"]}})
    path.mkdir()
    farm = open_farm(small_farm.write(path / "farm.gpkg", fields=1), settings)
    if not ways_in:
        farm = replace(farm, ways_in=(), way_in_index=STRtree([]))
    shared = shared_key(farm, settings)
    return {p.field_id: field_key(shared, farm, p, settings) for p in farm.parcels}


def test_heights_a_hundred_metres_off_count_and_no_farther(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = keys(tmp_path / "flat", None, monkeypatch)
    assert keys(tmp_path / "same", None, monkeypatch) == before
    assert keys(tmp_path / "near", 90.0, monkeypatch) != before
    assert keys(tmp_path / "far", 110.0, monkeypatch) == before


def test_with_a_way_in_heights_count_as_far_as_one_sees(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, near, far = (
        keys(tmp_path / name, at, monkeypatch, ways_in=True, cols=2000)
        for name, at in (("flat", None), ("near", 1400.0), ("far", 1600.0))
    )
    assert near != before
    assert far == before


def test_the_data_file_names_each_field_s_likely_wet_places(small_atlas: Path) -> None:
    fields = json.loads((small_atlas / "data" / "atlas.json").read_bytes())["fields"]
    named = [w for f in fields for w in f["likely_wet"]]
    assert named
    for w in named:
        assert set(w) >= {"rank", "x", "y", "lon", "lat", "place"}
    for f in fields:
        assert [w["rank"] for w in f["likely_wet"]] == list(range(1, len(f["likely_wet"]) + 1))
