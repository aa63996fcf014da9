"""Farm files before the world's own tools: GDAL's checker, and heights as other programs store and read them.

The checker is `osgeo_utils.samples.validate_gpkg` of Debian's python3-gdal: it tests a file against the numbered
requirements of OGC 12-128 (GeoPackage) and 17-066 (tiled gridded coverages). `gdal_translate`, `gdallocationinfo`
and `ogrinfo` are Debian's gdal-bin: another build of GDAL, and another version, than the ones our libraries carry.
"""

from __future__ import annotations

import sqlite3
import subprocess
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from farm_files import CRS, GAP, NORTH, WEST, farm_file, fields, hill_cells, hill_tif, marks, patch, write_tif
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point

from atlas.farm import datasets
from atlas.farm.opening import open_farm
from atlas.farm.starting import start
from atlas.grid import Bounds
from atlas.settings import Settings, parse

PYTHON = Path("/usr/bin/python3")
WHEN = datetime(2026, 5, 4, 6, 10, tzinfo=UTC)


def passes_gdals_checker(path: Path) -> None:
    """Run the checker; a failure shows the requirement it names."""
    there = subprocess.run(
        [PYTHON, "-c", "import osgeo_utils.samples.validate_gpkg"], capture_output=True, check=False
    )
    assert there.returncode == 0, "GDAL's GeoPackage checker is missing: apt-get install python3-gdal"
    told = subprocess.run(
        [PYTHON, "-m", "osgeo_utils.samples.validate_gpkg", str(path)], capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, told.stderr


def full(folder: Path, **more: Any) -> Path:
    """A farm file with something in every layer."""
    return farm_file(
        folder,
        parcels=fields(name=["Top & <b>", None]),
        hazards=marks(
            [
                patch(30, 30, 9, 9),
                Point(WEST + 50, NORTH - 50),
                LineString([(WEST, NORTH), (WEST + 9, NORTH)]),
                None,
            ],
            photo=[b"\xff\xd8", None, None, None],
            seen_at=[WHEN, None, None, None],
            retired_at=[None, None, None, WHEN],
        ),
        ways_in=gpd.GeoDataFrame(
            {"way_in_id": ["G"], "ambulance": [True]}, geometry=[Point(WEST, NORTH)], crs=CRS
        ),
        storms=pd.DataFrame({"storm_id": ["S"], "passed_at": [WHEN]}),
        releases=pd.DataFrame({"field_id": ["F1"], "ground": ["firm"], "released_at": [WHEN], "until": [WHEN]}),
        **more,
    )


def test_the_checker_itself_can_fail(tmp_path: Path) -> None:
    path = full(tmp_path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP TRIGGER rtree_hazards_geom_delete")
    with pytest.raises(AssertionError, match="Req 75"):
        passes_gdals_checker(path)


@pytest.mark.parametrize("tiles", ["TIFF", "PNG"])
def test_written_farm_files_pass(tmp_path: Path, tiles: str) -> None:
    picture = tmp_path / "picture.tif"
    profile = {"driver": "GTiff", "height": 300, "width": 400, "count": 3, "dtype": "uint8", "crs": CRS}
    with rasterio.open(picture, "w", transform=from_origin(WEST, NORTH, 1, 1), **profile) as sink:
        sink.write(np.full((3, 300, 400), 130, dtype=np.uint8))
    passes_gdals_checker(full(tmp_path, tile_format=tiles, backdrop_tif=picture, dem_source="made for a test"))


def test_empty_farm_files_pass(tmp_path: Path) -> None:
    passes_gdals_checker(farm_file(tmp_path, parcels=fields([])))


def test_started_farm_files_pass(tmp_path: Path) -> None:
    fields().to_crs("EPSG:4326").to_file(tmp_path / "f.geojson", engine="pyogrio")
    marks([Point(WEST + 50, NORTH - 50)]).to_file(tmp_path / "m.gpkg", engine="pyogrio")
    start(tmp_path / "a.gpkg", tmp_path / "f.geojson", [hill_tif(tmp_path / "d.tif")], [tmp_path / "m.gpkg"])
    passes_gdals_checker(tmp_path / "a.gpkg")


def test_a_farm_on_a_map_in_feet_passes(tmp_path: Path) -> None:
    """Its CRS, counted in metres, is in no register and stands in the file by its definition alone."""
    place = from_origin(6_100_000, 2_100_000, 3, 3)
    tif = write_tif(tmp_path / "feet.tif", np.full((200, 200), 500.0), place, "EPSG:2227", unit="US survey foot")
    outline = gpd.GeoDataFrame(
        {"field_id": ["A"]}, geometry=[Point(6_100_300, 2_099_700).buffer(150)], crs="EPSG:2227"
    )
    outline.to_file(tmp_path / "f.gpkg", engine="pyogrio")
    start(tmp_path / "a.gpkg", tmp_path / "f.gpkg", [tif])
    passes_gdals_checker(tmp_path / "a.gpkg")
    farm = open_farm(tmp_path / "a.gpkg", Settings())
    foot = 1200 / 3937
    assert farm.parcels[0].shape.area == pytest.approx(float(outline.area.iloc[0]) * foot**2, rel=1e-6)
    z = farm.terrain.read(Bounds(*farm.parcels[0].shape.bounds)).z
    assert np.allclose(z, 500 * foot, rtol=1e-6)
    datasets.close()


def test_another_build_of_gdal_lists_our_layers(tmp_path: Path) -> None:
    told = subprocess.run(
        ["ogrinfo", "-ro", "-so", "-al", str(full(tmp_path))], capture_output=True, text=True, check=True
    )
    for name, count in (("parcels", 2), ("hazards", 4), ("ways_in", 1), ("storms", 1), ("releases", 1)):
        assert f"Layer name: {name}\n" in told.stdout
        assert f"Feature Count: {count}\n" in told.stdout.split(f"Layer name: {name}\n")[1].split("Layer name")[0]


def seen_by_gdal(path: Path, cells: list[tuple[int, int]]) -> list[float]:
    """Heights at columns and rows as gdallocationinfo prints them."""
    asked = "\n".join(f"{col} {row}" for col, row in cells)
    told = subprocess.run(
        ["gdallocationinfo", "-valonly", str(path)], input=asked, capture_output=True, text=True, check=True
    )
    return [float(line) for line in told.stdout.split()]


VARIANTS = {
    "32-bit": ["-co", "TILE_FORMAT=TIFF"],
    "32-bit, no nodata entry": ["-co", "TILE_FORMAT=TIFF", "-a_nodata", "none"],
    "scaled 16-bit": ["-co", "TILE_FORMAT=PNG", "-co", "PRECISION=0.001"],
    "scaled 16-bit, no nodata entry": ["-co", "TILE_FORMAT=PNG", "-co", "PRECISION=0.001", "-a_nodata", "none"],
    "whole numbers": ["-ot", "Int16", "-a_nodata", "-9999"],
    "whole positive numbers": ["-ot", "UInt16", "-a_nodata", "0"],
    "other tiles": ["-co", "TILE_FORMAT=TIFF", "-co", "BLOCKSIZE=100"],
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_heights_are_those_gdallocationinfo_reads(tmp_path: Path, variant: str) -> None:
    z = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    z[250:280, 300:340] = GAP if variant != "whole positive numbers" else 0
    tif = write_tif(tmp_path / "hill.tif", z, nodata=GAP)
    path = tmp_path / "other.gpkg"
    command = [
        "gdal_translate",
        "-q",
        "-of",
        "GPKG",
        "-co",
        "RASTER_TABLE=dem",
        *VARIANTS[variant],
        str(tif),
        str(path),
    ]
    subprocess.run(command, check=True, capture_output=True)
    fields().to_file(path, layer="parcels", mode="a", engine="pyogrio")
    no_zones = parse({"terrain": {"zones_up_to_cell_m": 0.5}})  # or heights in whole metres would be refused
    terrain = open_farm(path, no_zones).terrain
    assert terrain.grid.shape == (300, 400)
    rng = np.random.default_rng(7)
    cells = [(int(c), int(r)) for c, r in zip(rng.integers(0, 400, 60), rng.integers(0, 240, 60), strict=True)]
    ours = [
        float(terrain.read(Bounds(WEST + c + 0.2, NORTH - r - 0.8, WEST + c + 0.8, NORTH - r - 0.2)).z[0, 0])
        for c, r in cells
    ]
    assert ours == pytest.approx(seen_by_gdal(path, cells), abs=1e-4)
    hole = terrain.read(Bounds(WEST + 300, NORTH - 280, WEST + 340, NORTH - 250)).z
    assert np.isnan(hole).all()
    datasets.close()


def test_scaled_tiles_are_not_rounded_to_whole_metres(tmp_path: Path) -> None:
    """GDAL's command writes a precision of 1 unless told; its reader then rounds what is stored in millimetres.

    Found by trying, GDAL 3.6.2 and 3.10.3. What the tiles hold is read here by the formula of OGC 17-066.
    """
    z = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    tif = write_tif(tmp_path / "hill.tif", z)
    path = tmp_path / "other.gpkg"
    options = ["-co", "TILE_FORMAT=PNG", "-co", "RASTER_TABLE=dem"]
    subprocess.run(["gdal_translate", "-q", "-of", "GPKG", *options, str(tif), str(path)], check=True)
    assert seen_by_gdal(path, [(50, 50)])[0] == round(z[50, 50])
    fields().to_file(path, layer="parcels", mode="a", engine="pyogrio")
    read = open_farm(path, Settings()).terrain.read(Bounds(WEST, NORTH - 300, WEST + 400, NORTH)).z
    assert np.abs(read - z).max() < 2e-3
    datasets.close()
