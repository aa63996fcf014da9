"""Heights come out as they were stored, whichever way they were stored."""

from __future__ import annotations

import pickle
import re
import subprocess
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import pyproj
import pytest
from farm_files import (
    CRS,
    GAP,
    NORTH,
    WEST,
    farm_file,
    fields,
    hill,
    hill_cells,
    hill_tif,
    patch,
    write_tif,
)
from pyproj import Transformer
from rasterio.transform import Affine, from_origin

from atlas.errors import TerrainError
from atlas.farm import datasets, layers
from atlas.farm.inspecting import inspect
from atlas.farm.opening import open_farm
from atlas.farm.terrain_opening import open_rasters
from atlas.farm.terrain_source import TerrainSource
from atlas.grid import Bounds
from atlas.settings import Settings, TerrainTable, parse

PLAIN = TerrainTable()
SOME = Bounds(WEST + 30.2, NORTH - 90.7, WEST + 77.9, NORTH - 41.1)


def heights_differ(source: TerrainSource, bounds: Bounds = SOME) -> float:
    """The largest difference to the hill, in metres, over a window without gaps."""
    read = source.read(bounds)
    return float(np.abs(read.z - hill(read.grid.xs[None, :], read.grid.ys[:, None])).max())


def in_gpkg(tif: Path, *options: str) -> Path:
    """The raster as a coverage named `dem`, made by GDAL's own command from the system, not by our GDAL."""
    target = tif.with_suffix(".gpkg")
    target.unlink(missing_ok=True)
    command = ["gdal_translate", "-q", "-of", "GPKG", "-co", "RASTER_TABLE=dem", *options, str(tif), str(target)]
    subprocess.run(command, check=True, capture_output=True)
    return target


def of_gpkg(path: Path, settings: Settings | None = None) -> TerrainSource:
    from atlas.farm.terrain_opening import open_terrain

    dem = next(layer for layer in layers.catalogue(path) if layer.kind == "coverage")
    return open_terrain(path, dem, settings or Settings())


@pytest.fixture(scope="module")
def gappy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The hill with a hole of 20 × 30 cells at row 100, column 120."""
    z = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    z[100:120, 120:150] = GAP
    return write_tif(tmp_path_factory.mktemp("gappy") / "gappy.tif", z)


@pytest.mark.parametrize(
    ("options", "tolerance"),
    [
        (("-co", "TILE_FORMAT=TIFF"), 1e-4),
        (("-co", "TILE_FORMAT=PNG"), 2e-3),  # 16 bits over a tile's relief of some 90 m are steps of 1.4 mm
    ],
)
def test_a_coverage_is_read_as_stored_and_its_hole_is_a_hole(
    gappy: Path, options: tuple[str, ...], tolerance: float
) -> None:
    source = of_gpkg(in_gpkg(gappy, *options))
    assert heights_differ(source) < tolerance
    hole = source.read(Bounds(WEST + 115, NORTH - 125, WEST + 155, NORTH - 95)).z
    assert np.isnan(hole).sum() == 20 * 30
    source.close()


@pytest.mark.parametrize("tiles", ["TIFF", "PNG"])
def test_without_a_nodata_entry_the_mark_is_no_height(gappy: Path, tiles: str) -> None:
    source = of_gpkg(in_gpkg(gappy, "-a_nodata", "none", "-co", f"TILE_FORMAT={tiles}"))
    hole = source.read(Bounds(WEST + 115, NORTH - 125, WEST + 155, NORTH - 95)).z
    assert np.isnan(hole[5:25, 5:35]).all()
    assert not (hole < 0).any()
    source.close()


def test_coarse_steps_of_stored_heights_are_said(gappy: Path) -> None:
    source = of_gpkg(in_gpkg(gappy, "-a_nodata", "none", "-co", "TILE_FORMAT=PNG"))
    assert any("steps of 0.17" in r.text for r in source.remarks)
    assert not of_gpkg(in_gpkg(gappy, "-co", "TILE_FORMAT=PNG")).remarks


def test_a_window_past_the_model_is_filled_with_gaps(tmp_path: Path) -> None:
    source = open_rasters([hill_tif(tmp_path / "a.tif")], PLAIN)
    read = source.read(Bounds(WEST - 12, NORTH - 20, WEST + 5, NORTH + 7), margin_m=1.0)
    assert read.grid.shape == (29, 19)
    assert read.grid.west == WEST - 13
    assert read.grid.north == NORTH + 8
    assert np.isnan(read.z[:8]).all()
    assert np.isnan(read.z[:, :13]).all()
    assert not np.isnan(read.z[8:, 13:]).any()
    far = source.read(Bounds(WEST - 500, NORTH - 20, WEST - 480, NORTH))
    assert np.isnan(far.z).all()
    source.close()


def test_cells_that_are_not_square_stay_so(tmp_path: Path) -> None:
    source = open_rasters([hill_tif(tmp_path / "a.tif", 150, 400, 1.0, 2.0)], PLAIN)
    assert (source.grid.cell_x, source.grid.cell_y) == (1.0, 2.0)
    assert heights_differ(source) < 1e-3
    source.close()


def test_south_up_is_turned(tmp_path: Path) -> None:
    t = Affine(1, 0, WEST, 0, 1, NORTH - 300)
    source = open_rasters([write_tif(tmp_path / "a.tif", hill_cells(t, 300, 400), t)], PLAIN)
    assert source.grid.north == NORTH
    assert heights_differ(source) < 1e-3
    edge = source.read(Bounds(WEST - 5, NORTH - 10, WEST + 5, NORTH + 5))
    assert np.isnan(edge.z[:5]).all()
    assert not np.isnan(edge.z[5:, 5:]).any()
    assert any("south-up" in r.text for r in source.remarks)
    source.close()


def test_several_rasters_on_one_grid_act_as_one(tmp_path: Path) -> None:
    whole = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    paths = []
    for i, (r, c) in enumerate([(0, 0), (0, 200), (150, 0)]):  # the fourth quarter is missing
        t = from_origin(WEST + c, NORTH - r, 1, 1)
        gap = (GAP, -32767.0, float("nan"))[i]
        part = whole[r : r + 150, c : c + 200].copy()
        part[:2, :3] = gap
        paths.append(write_tif(tmp_path / f"t{i}.tif", part, t, nodata=gap))
    source = open_rasters(paths, PLAIN)
    assert source.grid.shape == (300, 400)
    read = source.read(source.grid.bounds)
    gaps = np.isnan(read.z)
    assert gaps.sum() == 150 * 200 + 3 * 6
    assert np.abs(read.z - whole)[~gaps].max() < 1e-3
    source.close()


def test_where_rasters_overlap_the_first_one_named_counts(tmp_path: Path) -> None:
    z = np.full((50, 50), 700.0)
    z[10:20, 10:20] = GAP
    first = write_tif(tmp_path / "first.tif", z)
    second = write_tif(tmp_path / "second.tif", np.full((50, 60), 800.0))
    read = open_rasters([first, second], PLAIN).read(Bounds(WEST, NORTH - 50, WEST + 60, NORTH)).z
    assert (read[:10, :50] == 700).all()
    assert (read[10:20, 10:20] == 800).all()  # a gap in the first is filled from the second
    assert (read[:, 50:] == 800).all()
    datasets.close()


def test_a_mask_band_makes_gaps(tmp_path: Path) -> None:
    import rasterio

    path = write_tif(tmp_path / "masked.tif", np.full((40, 40), 500.0), nodata=None)
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as sink:
        mask = np.full((40, 40), 255, dtype=np.uint8)
        mask[5:9, 5:9] = 0
        sink.write_mask(mask)
    z = open_rasters([path], PLAIN).read(Bounds(WEST, NORTH - 40, WEST + 40, NORTH)).z
    assert np.isnan(z).sum() == 16
    datasets.close()


def test_scale_and_offset_of_a_raster_are_heeded(tmp_path: Path) -> None:
    import rasterio

    path = write_tif(tmp_path / "cm.tif", np.full((40, 40), 5000), dtype="int16", nodata=-1)
    with rasterio.open(path, "r+") as sink:
        sink.scales, sink.offsets = (0.01,), (600.0,)
    for source in (open_rasters([path], PLAIN), open_rasters([path, path], PLAIN)):
        assert np.allclose(source.read(Bounds(WEST, NORTH - 40, WEST + 40, NORTH)).z, 650.0)
    datasets.close()


@pytest.mark.parametrize(
    ("terrain", "unit", "crs", "factor"),
    [
        (TerrainTable(height_unit="ft"), None, CRS, 0.3048),
        (TerrainTable(height_unit="us-ft"), None, CRS, 1200 / 3937),
        (PLAIN, "ft", CRS, 0.3048),
        (PLAIN, "US survey foot", CRS, 1200 / 3937),
        (PLAIN, None, f"{CRS}+8228", 0.3048),  # NAVD88 height (ft), EPSG:8228
        (PLAIN, None, f"{CRS}+5703", 1.0),  # NAVD88 height in metres
        (TerrainTable(height_unit="m"), "ft", CRS, 1.0),
    ],
)
def test_feet_become_metres(
    tmp_path: Path, terrain: TerrainTable, unit: str | None, crs: str, factor: float
) -> None:
    path = write_tif(tmp_path / "feet.tif", np.full((40, 40), 3280.0), crs=crs, unit=unit)
    source = open_rasters([path], terrain)
    assert np.allclose(source.read(Bounds(WEST, NORTH - 40, WEST + 40, NORTH)).z, 3280 * factor, rtol=1e-9)
    assert any("feet" in r.text for r in source.remarks) == (factor != 1.0)
    assert source.grid.crs.to_epsg() == 25832
    source.close()


def test_a_map_in_feet_is_counted_in_metres_without_moving(tmp_path: Path) -> None:
    """California zone 3 in US survey feet: the same place in metres, checked through degrees with PROJ."""
    east, north = 6_100_000.0, 2_100_000.0
    path = write_tif(tmp_path / "feet.tif", np.full((30, 40), 100.0), from_origin(east, north, 3, 3), "EPSG:2227")
    source = open_rasters([path], PLAIN)
    assert source.grid.cell_x == pytest.approx(3 * 1200 / 3937, rel=1e-12)
    there = Transformer.from_crs("EPSG:2227", "EPSG:4269", always_xy=True).transform(east, north)
    here = Transformer.from_crs(source.grid.crs.to_wkt(), "EPSG:4269", always_xy=True)
    assert here.transform(source.grid.west, source.grid.north) == pytest.approx(there, abs=1e-9)
    assert any("counted in metres" in r.text for r in source.remarks)
    assert any("not stated" in r.text for r in source.remarks)
    source.close()


def test_degrees_are_warped_to_the_utm_zone(tmp_path: Path) -> None:
    """A plane in UTM, sampled in degrees, comes back as that plane; whole numbers stay no stairs."""
    to_utm = Transformer.from_crs("EPSG:4326", "EPSG:32632", always_xy=True)
    t = from_origin(10.31, 46.95, 1e-5, 1e-5)
    lon, lat = np.meshgrid(t.c + (np.arange(300) + 0.5) * 1e-5, t.f - (np.arange(200) + 0.5) * 1e-5)
    x, y = to_utm.transform(lon, lat)
    x0, y0 = float(x.mean()), float(y.mean())
    path = write_tif(tmp_path / "degrees.tif", 1000 + 0.3 * (x - x0) + 0.2 * (y - y0), t, "EPSG:4326")
    source = open_rasters([path], PLAIN)
    assert source.grid.crs.to_epsg() == 32632
    assert source.grid.cell_x == source.grid.cell_y == pytest.approx(0.97, abs=0.1)
    read = source.read(Bounds(x0 - 50, y0 - 50, x0 + 50, y0 + 50))
    plane = 1000 + 0.3 * (read.grid.xs[None, :] - x0) + 0.2 * (read.grid.ys[:, None] - y0)
    assert np.abs(read.z - plane).max() < 0.02
    assert any("warped to WGS 84 / UTM zone 32N" in r.text for r in source.remarks)
    whole = write_tif(
        tmp_path / "whole.tif",
        np.indices((20, 20)).sum(axis=0),
        from_origin(10.31, 46.95, 1e-4, 1e-4),
        "EPSG:4326",
        dtype="int16",
    )
    z = open_rasters([whole], PLAIN).read(Bounds(x0, y0 - 20, x0 + 60, y0 + 20)).z
    assert np.isnan(z).all() or (z % 1 != 0).any()
    datasets.close()


def test_a_shaded_relief_is_no_terrain(tmp_path: Path) -> None:
    """An even slope is shaded evenly: read as heights it would be level ground."""
    path = write_tif(tmp_path / "relief.tif", np.full((40, 40), 170), dtype="uint8", nodata=0)
    with pytest.raises(TerrainError, match=r"relief\.tif: holds whole numbers of one byte, a picture"):
        open_rasters([path], PLAIN)


def test_stairs_are_told_in_metres(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "dm.tif", np.full((40, 40), 5000), dtype="int16", nodata=-1)
    source = open_rasters([path], TerrainTable(height_unit="dm"))
    assert np.allclose(source.read(Bounds(WEST, NORTH - 40, WEST + 40, NORTH)).z, 500.0)
    assert [r.text for r in source.remarks] == [
        "its heights are in units of 0.1 m and were turned into metres (× 0.1)",
        "its heights are stored in steps of 0.1 m; slopes are no finer than that",
    ]
    datasets.close()


@pytest.mark.parametrize("code", [3857, 3395])
def test_a_map_that_stretches_metres_is_warped(tmp_path: Path, code: int) -> None:
    """A plane of 30 % in Web or World Mercator at 47° north: read as it lies, it would pass for 20 %."""
    to_utm = Transformer.from_crs(code, 32632, always_xy=True)
    east, north = Transformer.from_crs(4326, code, always_xy=True).transform(10.31, 46.95)
    t = from_origin(east, north, 1.5, 1.5)
    x, y = to_utm.transform(*np.meshgrid(t.c + (np.arange(300) + 0.5) * 1.5, t.f - (np.arange(200) + 0.5) * 1.5))
    x0, y0 = float(x.mean()), float(y.mean())
    heights = 1000 + 0.18 * (x - x0) + 0.24 * (y - y0)
    source = open_rasters([write_tif(tmp_path / "m.tif", heights, t, f"EPSG:{code}")], PLAIN)
    assert source.grid.crs.to_epsg() == 32632
    read = source.read(Bounds(x0 - 50, y0 - 40, x0 + 50, y0 + 40))
    plane = 1000 + 0.18 * (read.grid.xs[None, :] - x0) + 0.24 * (read.grid.ys[:, None] - y0)
    assert np.abs(read.z - plane).max() < 0.02
    said = " ".join(r.text for r in source.remarks)
    assert re.search(
        r"Mercator, where a metre of ground is drawn as 1\.4\d m, and was warped to WGS 84 / UTM", said
    )
    datasets.close()


@pytest.mark.parametrize("code", [3035, 31254, 25833, 2056, 2154, 3763, 3006, 31288, 5514, 20791, 27563])
def test_maps_made_for_the_land_stay_as_they_are(tmp_path: Path, code: int) -> None:
    """National grids, the neighbouring UTM zone and the European equal-area map: not a height is resampled."""
    used = pyproj.CRS.from_epsg(code).area_of_use
    assert used is not None
    middle = ((used.west + used.east) / 2, (used.south + used.north) / 2)
    place = (10.31, 46.95) if code in (3035, 25833) else middle
    x, y = Transformer.from_crs(4326, code, always_xy=True).transform(*place)
    path = write_tif(tmp_path / "m.tif", np.full((20, 20), 500.0), from_origin(x, y, 1, 1), f"EPSG:{code}")
    source = open_rasters([path], PLAIN)
    assert source.stored.warp_to is None
    assert source.grid.crs.to_epsg() == code
    assert source.remarks == ()
    datasets.close()


def test_implausible_heights_are_gaps(tmp_path: Path) -> None:
    z = np.full((40, 40), 500.0)
    z[0, 0], z[0, 1], z[0, 2], z[0, 3] = np.inf, 3.0e38, -9999.0, 9000.0
    read = open_rasters([write_tif(tmp_path / "odd.tif", z, nodata=None)], PLAIN)
    found = read.read(Bounds(WEST, NORTH - 40, WEST + 40, NORTH)).z
    assert np.isnan(found[0, :3]).all()
    assert found[0, 3] == 9000.0
    datasets.close()


@pytest.mark.parametrize(
    ("filled", "unit"),
    [(-9999.0, "dm"), (-9999.0, "ft"), (-9999.0, "us-ft"), (-99999.0, "cm"), (0.0, "m"), (0.0, "ft")],
)
def test_a_number_filled_in_for_gaps_is_no_height_in_any_unit(
    tmp_path: Path, filled: float, unit: Literal["m", "dm", "cm", "ft", "us-ft"]
) -> None:
    """A level plain a kilometre below the sea, or at sea level, would be open ground for every machine."""
    z = np.tile(4000.0 + np.arange(40.0), (40, 1))
    z[:, 25:] = filled
    terrain = TerrainTable(height_unit=unit)
    source = open_rasters([write_tif(tmp_path / "filled.tif", z, nodata=None)], terrain)
    for west, gaps in ((WEST, 15), (WEST + 30, 10)):  # beside measured ground, and with none around
        found = source.read(Bounds(west, NORTH - 40, WEST + 40, NORTH))
        assert np.isnan(found.z[:, -gaps:]).all()
        assert not np.isnan(found.z[:, :-gaps]).any()
        assert found.implausible == gaps * 40
    datasets.close()


def test_ground_at_sea_level_is_measured_where_it_is_no_plain_of_zeros(tmp_path: Path) -> None:
    z = np.tile(np.arange(-20.0, 20.0), (40, 1))
    z[10:12, 10:12] = 0.0
    source = open_rasters([write_tif(tmp_path / "coast.tif", z, nodata=None)], PLAIN)
    assert not np.isnan(source.read(Bounds(WEST, NORTH - 40, WEST + 40, NORTH)).z).any()
    datasets.close()


@pytest.mark.parametrize(("latitude", "tall", "wide", "cell"), [(46.95, 2.6, 1.2, 2.6), (65.0, 3.0, 1.0, 3.0)])
def test_oblong_cells_in_degrees_stay_as_coarse_as_they_are(
    tmp_path: Path, latitude: float, tall: float, wide: float, cell: float
) -> None:
    """Squares of the same diagonal would be within the 2 m that zones need, and half of their heights made up."""
    north, east = tall / 111_400, wide / (111_400 * np.cos(np.radians(latitude)))
    place = Affine(east, 0, 10.31, 0, -north, latitude)
    source = open_rasters([write_tif(tmp_path / "tall.tif", np.full((60, 90), 500.0), place, "EPSG:4326")], PLAIN)
    assert source.grid.cell_m == pytest.approx(cell, rel=0.01)
    assert any("too coarse to say where a machine may drive" in remark.text for remark in source.remarks)
    datasets.close()


def refused(match: str, *paths: Path, terrain: TerrainTable = PLAIN) -> None:
    with pytest.raises(TerrainError, match=match):
        open_rasters(list(paths), terrain)


def test_terrain_that_cannot_be_placed_is_refused(tmp_path: Path) -> None:
    z = np.full((30, 30), 500.0)
    refused("has no CRS", write_tif(tmp_path / "a.tif", z, crs=None))
    turned = Affine(0.98, 0.17, WEST, 0.17, -0.98, NORTH)
    refused("is rotated", write_tif(tmp_path / "b.tif", z, turned))
    refused("is mirrored", write_tif(tmp_path / "c.tif", z, Affine(-1, 0, WEST, 0, -1, NORTH)))
    yard = write_tif(tmp_path / "d.tif", z, crs='LOCAL_CS["yard",UNIT["metre",1]]')
    refused("no place on the globe", yard)
    refused("d2.tif: is not there", tmp_path / "d2.tif")
    (tmp_path / "e.tif").write_bytes(b"II*\x00 but no more")
    refused("e.tif: cannot be read as a raster", tmp_path / "e.tif")
    odd = write_tif(tmp_path / "f.tif", z, unit="fathom")
    refused("heights are in 'fathom'", odd)


def test_rasters_that_do_not_fit_together_are_refused(tmp_path: Path) -> None:
    z = np.full((30, 30), 500.0)
    a = write_tif(tmp_path / "a.tif", z)
    refused("lie askew", a, write_tif(tmp_path / "b.tif", z, from_origin(WEST + 30.5, NORTH, 1, 1)))
    refused("has cells of 2 by 2", a, write_tif(tmp_path / "c.tif", z, from_origin(WEST, NORTH, 2, 2)))
    refused("into one CRS", a, write_tif(tmp_path / "d.tif", z, crs="EPSG:25833"))
    refused("use one unit", a, write_tif(tmp_path / "e.tif", z, unit="ft"))


def test_a_picture_is_no_terrain(tmp_path: Path) -> None:
    import rasterio

    path = tmp_path / "picture.tif"
    profile = {"driver": "GTiff", "height": 8, "width": 8, "count": 3, "dtype": "uint8", "crs": CRS}
    with rasterio.open(path, "w", transform=from_origin(WEST, NORTH, 1, 1), **profile) as sink:
        sink.write(np.zeros((3, 8, 8), dtype=np.uint8))
    refused("has 3 bands of uint8", path)


def test_terrain_elsewhere_or_all_gaps_is_refused(tmp_path: Path) -> None:
    away = fields([patch(5000, 5000, 50, 50)])
    with pytest.raises(TerrainError, match="lies elsewhere and covers no parcel"):
        open_farm(farm_file(tmp_path, "away.gpkg", away), Settings())
    empty = write_tif(tmp_path / "empty.tif", np.full((300, 400), GAP))
    with pytest.raises(TerrainError, match="only gaps and covers no parcel"):
        open_farm(farm_file(tmp_path, "empty.gpkg", dem_tif=empty), Settings())


def test_terrain_under_part_of_a_parcel_is_enough(tmp_path: Path) -> None:
    over_the_edge = fields([patch(380, 20, 100, 50)])
    farm = open_farm(farm_file(tmp_path, "edge.gpkg", over_the_edge), Settings())
    z = farm.terrain.read(Bounds(*farm.parcels[0].shape.bounds)).z
    assert np.isnan(z[:, 20:]).all()
    assert not np.isnan(z[:, :20]).any()
    datasets.close()


STEEP = parse({"drivers": {"practised": {"share": 1.0}}, "print": {"pdf": False}})


def stairs(cell_m: int, slope: float, round_to: float = 0.0) -> npt.NDArray[np.float64]:
    """A plane in cells of `cell_m`, copied into cells of 1 m or rounded, 120 by 120 m."""
    side = 120 // cell_m
    coarse = 900.0 + slope * cell_m * (0.9 * np.arange(side)[:, None] + 0.44 * np.arange(side)[None, :])
    z = np.kron(coarse, np.ones((cell_m, cell_m)))
    stored: npt.NDArray[np.float64] = np.asarray(np.round(z / round_to) * round_to if round_to else z)
    return stored


@pytest.mark.parametrize(("cell_m", "slope", "round_to"), [(10, 0.3, 0), (10, 0.5, 0), (5, 0.4, 0), (1, 0.2, 1.0)])
def test_stairs_are_no_ground_to_judge_a_machine_on(
    tmp_path: Path, cell_m: int, slope: float, round_to: float
) -> None:
    """On a tread of 10 m every machine stood level: 40 % of a slope of 30 % was open on wet ground."""
    dem = write_tif(tmp_path / "stairs.tif", stairs(cell_m, slope, round_to))
    path = farm_file(tmp_path, parcels=fields([patch(20, 20, 60, 60)]), dem_tif=dem)
    told = "its heights stand in steps of"
    with pytest.raises(TerrainError, match=told):
        open_farm(path, STEEP)
    assert any(told in wrong for wrong in inspect(path, STEEP).problems)
    coarse = parse({"terrain": {"zones_up_to_cell_m": 0.5}})  # no zones on cells of 1 m, so nothing to judge
    assert open_farm(path, coarse).parcels


@pytest.mark.parametrize(
    ("cell_m", "slope", "round_to"), [(1, 0.3, 0.1), (1, 0.03, 0.1), (2, 0.4, 0), (1, 0.0, 0)]
)
def test_fine_steps_and_level_ground_are_read(tmp_path: Path, cell_m: int, slope: float, round_to: float) -> None:
    dem = write_tif(tmp_path / "fine.tif", stairs(cell_m, slope, round_to))
    path = farm_file(tmp_path, parcels=fields([patch(20, 20, 60, 60)]), dem_tif=dem)
    assert open_farm(path, STEEP).parcels


def test_a_source_survives_the_way_to_a_worker(tmp_path: Path) -> None:
    farm = open_farm(farm_file(tmp_path), Settings())
    assert isinstance(farm.terrain, TerrainSource)
    copy = pickle.loads(pickle.dumps(farm.terrain))
    assert heights_differ(copy) < 1e-3
    assert copy.fingerprint(SOME) == farm.terrain.fingerprint(SOME)
    datasets.close()


@pytest.mark.parametrize("stored_in", ["gpkg", "tif"])
def test_a_fingerprint_follows_the_heights(tmp_path: Path, stored_in: str) -> None:
    z = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    changed = z.copy()
    changed[60, 50] += 0.5

    def source(name: str, heights: np.ndarray) -> TerrainSource:
        tif = write_tif(tmp_path / f"{name}.tif", heights)
        return open_rasters([tif], PLAIN) if stored_in == "tif" else of_gpkg(in_gpkg(tif))

    one, same, other = source("one", z), source("same", z), source("other", changed)
    assert one.fingerprint(SOME) == same.fingerprint(SOME)
    assert one.fingerprint(SOME) != other.fingerprint(SOME)
    assert one.fingerprint(SOME) != one.fingerprint(SOME, margin_m=1.0)
    away = Bounds(WEST + 300, NORTH - 290, WEST + 350, NORTH - 270)
    assert one.fingerprint(away) == other.fingerprint(away)
    datasets.close()


def test_few_files_stay_open_and_none_after_closing(tmp_path: Path) -> None:
    sources = [open_rasters([hill_tif(tmp_path / f"{i}.tif", 60, 60)], PLAIN) for i in range(7)]
    for source in sources:
        source.read(Bounds(WEST, NORTH - 9, WEST + 9, NORTH))
    held = [p for p in Path("/proc/self/fd").iterdir() if p.is_symlink() and str(tmp_path) in str(p.readlink())]
    assert len(held) == datasets.KEPT_OPEN
    datasets.close()
    held = [p for p in Path("/proc/self/fd").iterdir() if p.is_symlink() and str(tmp_path) in str(p.readlink())]
    assert held == []


def test_a_replaced_file_is_read_anew(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "a.tif", np.full((30, 30), 500.0))
    source = open_rasters([path], PLAIN)
    corner = Bounds(WEST, NORTH - 1, WEST + 1, NORTH)
    assert source.read(corner).z == 500.0
    write_tif(tmp_path / "b.tif", np.full((30, 30), 600.0), compress="deflate").replace(path)
    assert source.read(corner).z == 600.0
    datasets.close()


def test_source_and_date_are_as_stated(tmp_path: Path) -> None:
    path = farm_file(tmp_path, dem_source="made for a test")
    assert open_farm(path, Settings()).terrain.source == "made for a test"
    told = parse({"terrain": {"source": "survey by air", "date": "2024"}})
    terrain = open_farm(path, told).terrain
    assert (terrain.source, terrain.date) == ("survey by air", "2024")
    datasets.close()
