"""The aerial picture: cut to a box, turned to the terrain's grid, in its place, and only where there is one."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import rasterio
import small_farm
from PIL import Image
from rasterio.transform import from_origin
from rasterio.warp import transform_bounds

from atlas.errors import LayerError
from atlas.farm import coverage_table
from atlas.farm.backdrop import aerial_picture, backdrop_mark
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.grid import Bounds, Bytes
from atlas.settings import Settings

STAMP = "2026-05-01T00:00:00Z"


def farm_with(tmp_path: Path, crs: str) -> Farm:
    """A small farm with a picture: dark in the western half of its terrain, bright in the eastern."""
    path = small_farm.write(tmp_path / "farm.gpkg")
    bare = open_farm(path, Settings())
    b, own = bare.terrain.grid.bounds, bare.terrain.grid.crs
    west, south, east, north = transform_bounds(own, crs, b.west, b.south, b.east, b.north)
    wide, high = 400, 300
    pixels = np.full((3, high, wide), 220, dtype=np.uint8)
    pixels[:, :, : wide // 2] = 40
    profile = {"driver": "GTiff", "height": high, "width": wide, "count": 3, "dtype": "uint8", "crs": crs}
    place = from_origin(west, north, (east - west) / wide, (north - south) / high)
    with rasterio.open(tmp_path / "picture.tif", "w", transform=place, **profile) as sink:
        sink.write(pixels)
    coverage_table.copy_picture(tmp_path / "picture.tif", path, STAMP)
    return open_farm(path, Settings())


def pixels_of(jpeg: bytes) -> Bytes:
    return np.asarray(Image.open(io.BytesIO(jpeg)))


@pytest.mark.parametrize("crs", ["EPSG:25832", "EPSG:4326"])
def test_the_picture_lies_in_its_place(tmp_path: Path, crs: str) -> None:
    farm = farm_with(tmp_path, crs)
    b = farm.terrain.grid.bounds
    middle = b.west + b.width / 2
    for box, lowest, highest in (
        (Bounds(b.west + 5, b.south + 5, middle - 8, b.north - 5), 30, 50),
        (Bounds(middle + 8, b.south + 5, b.east - 5, b.north - 5), 210, 230),
    ):
        found = aerial_picture(farm, box)
        assert found is not None
        grey = pixels_of(found.jpeg)
        assert grey.ndim == 2
        assert lowest <= np.median(grey) <= highest
        assert grey.shape[1] / grey.shape[0] == pytest.approx(box.width / box.height, rel=0.02)


def test_beside_the_picture_there_is_none(tmp_path: Path) -> None:
    farm = farm_with(tmp_path, "EPSG:25832")
    b = farm.terrain.grid.bounds
    assert aerial_picture(farm, Bounds(b.east + 5000, b.south, b.east + 5100, b.south + 100)) is None


def test_a_farm_without_a_picture_has_none(tmp_path: Path) -> None:
    farm = open_farm(small_farm.write(tmp_path / "farm.gpkg"), Settings())
    assert farm.backdrop is None
    assert aerial_picture(farm, farm.terrain.grid.bounds) is None
    assert backdrop_mark(farm) == ""


def test_the_same_picture_gives_the_same_bytes_and_another_another_mark(tmp_path: Path) -> None:
    farm = farm_with(tmp_path, "EPSG:25832")
    box = farm.terrain.grid.bounds
    assert aerial_picture(farm, box) == aerial_picture(farm, box)
    before = backdrop_mark(farm)
    with rasterio.open(tmp_path / "picture.tif", "r+") as picture:
        picture.write(255 - picture.read())
    fresh = small_farm.write(tmp_path / "other.gpkg")
    coverage_table.copy_picture(tmp_path / "picture.tif", fresh, "2026-05-02T00:00:00Z")
    assert backdrop_mark(open_farm(fresh, Settings())) != before


def test_a_damaged_picture_is_one_sentence(tmp_path: Path) -> None:
    import sqlite3
    from contextlib import closing

    farm = farm_with(tmp_path, "EPSG:25832")
    with closing(sqlite3.connect(farm.path)) as db, db:
        db.execute("DELETE FROM gpkg_tile_matrix WHERE table_name = ?", (farm.backdrop,))
    with pytest.raises(LayerError, match=r"layer '.*' cannot be read as a picture .*; write it anew or drop it"):
        aerial_picture(farm, farm.terrain.grid.bounds)
