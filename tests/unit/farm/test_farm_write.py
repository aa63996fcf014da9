"""Written farm files: the same bytes for the same input, in one move, under the names they should have."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rasterio
from farm_files import GAP, NORTH, WEST, farm_file, fields, hill_cells, marks, patch, write_tif
from rasterio.transform import from_origin

from atlas.errors import FarmFileError, OutputError
from atlas.farm import datasets
from atlas.farm.opening import open_farm
from atlas.farm.writing import write_farm
from atlas.grid import Bounds
from atlas.settings import Settings

WHEN = datetime(2026, 5, 4, 6, 10, tzinfo=UTC)


def full(folder: Path, name: str, **more: Any) -> Path:
    return farm_file(
        folder,
        name,
        hazards=marks([patch(30, 30, 10, 10)], photo=[b"\xff\xd8"], seen_at=[WHEN]),
        storms=pd.DataFrame({"storm_id": ["S"], "passed_at": [WHEN]}),
        written_at=WHEN,
        **more,
    )


def asked(path: Path, sql: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return db.execute(sql).fetchall()


@pytest.mark.parametrize("tiles", ["TIFF", "PNG"])
def test_the_same_input_gives_the_same_bytes(tmp_path: Path, tiles: str) -> None:
    (tmp_path / "elsewhere").mkdir()
    one = full(tmp_path, "one.gpkg", tile_format=tiles)
    two = full(tmp_path / "elsewhere", "two.gpkg", tile_format=tiles)
    assert one.read_bytes() == two.read_bytes()
    assert {when for (when,) in asked(one, "SELECT last_change FROM gpkg_contents")} == {
        "2026-05-04T06:10:00.000Z"
    }


def test_all_layers_stand_in_the_file_under_our_names(tmp_path: Path) -> None:
    kinds = dict(asked(full(tmp_path, "farm.gpkg"), "SELECT table_name, data_type FROM gpkg_contents"))
    assert kinds == {
        "dem": "2d-gridded-coverage",
        "parcels": "features",
        "hazards": "features",
        "ways_in": "features",
        "storms": "attributes",
        "releases": "attributes",
        "field_atlas_tile_sums": "attributes",
    }


@pytest.mark.parametrize(("tiles", "tolerance"), [("TIFF", 1e-4), ("PNG", 2e-3)])
def test_heights_and_gaps_survive(tmp_path: Path, tiles: str, tolerance: float) -> None:
    z = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    z[100:120, 120:150] = GAP
    path = full(tmp_path, "farm.gpkg", dem_tif=write_tif(tmp_path / "gappy.tif", z), tile_format=tiles)
    read = open_farm(path, Settings()).terrain.read(Bounds(WEST, NORTH - 300, WEST + 400, NORTH)).z
    assert (np.isnan(read) == (z == GAP)).all()
    assert np.nanmax(np.abs(read - z)) < tolerance
    with datasets.open_dataset(str(path), "dem") as other:  # and GDAL's own reader finds no whole metres
        seen = other.read(1, masked=True).filled(np.nan)
    assert np.nanmax(np.abs(seen - z)) < tolerance
    datasets.close()


def test_a_backdrop_is_a_tile_pyramid_of_its_name(tmp_path: Path) -> None:
    picture = tmp_path / "picture.tif"
    profile = {"driver": "GTiff", "height": 300, "width": 400, "count": 3, "dtype": "uint8", "crs": "EPSG:25832"}
    with rasterio.open(picture, "w", transform=from_origin(WEST, NORTH, 1, 1), **profile) as sink:
        sink.write(np.full((3, 300, 400), 130, dtype=np.uint8))
    path = full(tmp_path, "farm.gpkg", backdrop_tif=picture)
    assert path.read_bytes() == full(tmp_path, "again.gpkg", backdrop_tif=picture).read_bytes()
    assert ("backdrop", "tiles") in asked(path, "SELECT table_name, data_type FROM gpkg_contents")
    assert open_farm(path, Settings()).backdrop == "backdrop"
    with datasets.open_dataset(str(path), "backdrop") as opened:
        assert abs(int(opened.read(1)[150, 200]) - 130) <= 2
    datasets.close()


def test_a_file_that_is_there_stays_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "farm.gpkg"
    path.write_text("mine")
    with pytest.raises(OutputError, match=r"farm\.gpkg: exists already; choose another name"):
        full(tmp_path, "farm.gpkg")
    assert path.read_text() == "mine"
    full(tmp_path, "farm.gpkg", overwrite=True)
    assert len(open_farm(path, Settings()).parcels) == 2
    datasets.close()


def test_a_write_that_fails_leaves_what_was_there(tmp_path: Path) -> None:
    path = full(tmp_path, "farm.gpkg")
    before = path.read_bytes()
    names = sorted(p.name for p in tmp_path.iterdir())
    with pytest.raises(OutputError, match="cannot be written"):
        full(tmp_path, "farm.gpkg", backdrop_tif=tmp_path / "none.tif", overwrite=True)
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == names
    with pytest.raises(OutputError, match="cannot be written"):
        write_farm(tmp_path / "no" / "such" / "farm.gpkg", fields(), dem_tif=tmp_path / "hill.tif")


def test_frames_and_heights_must_share_a_crs(tmp_path: Path) -> None:
    with pytest.raises(FarmFileError, match="parcels: is in EPSG:4326, the heights are in EPSG:25832"):
        farm_file(tmp_path, parcels=fields().to_crs("EPSG:4326"))


def test_where_heights_come_from_is_written(tmp_path: Path) -> None:
    path = full(tmp_path, "farm.gpkg", dem_source="flown in spring")
    assert asked(path, "SELECT description FROM gpkg_contents WHERE table_name = 'dem'") == [("flown in spring",)]
