"""Files as other programs make them: other names, several layers, other CRSs, heights beside them."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from farm_files import CRS, GAP, NORTH, WEST, fields, hill, hill_cells, hill_tif, marks, patch, write_tif
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point

from atlas.errors import LayerError, TerrainError
from atlas.farm import datasets
from atlas.farm.opening import open_farm
from atlas.grid import Bounds
from atlas.settings import Settings, parse


def vectors(path: Path, **layers: gpd.GeoDataFrame | Any) -> Path:
    """A GeoPackage of vector layers as geopandas writes them; no terrain inside."""
    for name, frame in layers.items():
        pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", append=path.exists())
    return path


@pytest.fixture
def beside(tmp_path: Path) -> Iterator[Path]:
    """A folder with the hill as dem.tif in it."""
    hill_tif(tmp_path / "dem.tif")
    yield tmp_path
    datasets.close()


def notes(path: Path, settings: Settings | None = None) -> str:
    farm = open_farm(path, settings or Settings())
    return " | ".join(f"{r.layer}: {r.text}" for r in farm.remarks)


def test_the_only_polygons_and_the_only_raster_are_found(beside: Path) -> None:
    path = vectors(
        beside / "f.gpkg", Schlaege=fields(), Wege=gpd.GeoDataFrame(geometry=[Point(WEST, NORTH)], crs=CRS)
    )
    farm = open_farm(path, Settings())
    assert [p.field_id for p in farm.parcels] == ["F1", "F2"]
    assert "Schlaege: taken as the parcels, being the only layer of polygons" in notes(path)
    assert "dem.tif taken as the terrain, being the only raster beside the farm file" in notes(path)


def test_layer_names_match_without_case(beside: Path) -> None:
    path = vectors(
        beside / "f.gpkg", PARCELS=fields(), Hazards=marks([Point(WEST + 50, NORTH - 50)]), other=fields()
    )
    farm = open_farm(path, Settings())
    assert (len(farm.parcels), len(farm.hazards)) == (2, 1)
    named = parse({"layers": {"parcels": "OTHER", "hazards": "hAZARDS", "dem": "dem.tif"}})
    assert len(open_farm(path, named).parcels) == 2


def test_other_columns_through_settings(beside: Path) -> None:
    frame = fields(name=["Top", "Low"]).rename(columns={"field_id": "FLAECHE_NR", "name": "field_id"})
    path = vectors(beside / "f.gpkg", schlaege=frame)
    settings = parse(
        {"layers": {"parcels": "schlaege"}, "columns": {"field_id": "flaeche_nr", "name": "field_id"}}
    )
    farm = open_farm(path, settings)
    assert [(p.field_id, p.name) for p in farm.parcels] == [("F1", "Top"), ("F2", "Low")]


def test_whole_numbers_as_ids_keep_their_shape(beside: Path) -> None:
    path = vectors(beside / "f.gpkg", parcels=fields(field_id=[7, 12]))
    assert [p.field_id for p in open_farm(path, Settings()).parcels] == ["7", "12"]


def test_several_hazard_layers_are_joined(beside: Path) -> None:
    path = vectors(
        beside / "f.gpkg",
        parcels=fields(),
        spots=marks([Point(WEST + 40, NORTH - 40)], hazard_id=["a"]),
        lines=marks(
            [LineString([(WEST + 40, NORTH - 40), (WEST + 60, NORTH - 40)])], hazard_id=["b"], kind=["Forest edge"]
        ),
        areas=marks([patch(30, 30, 9, 9)], hazard_id=["c"], kind=["no_go"]),
    )
    assert [h.hazard_id for h in open_farm(path, Settings()).hazards] == ["a", "b", "c"]
    farm = open_farm(path, parse({"layers": {"hazards": ["spots", "LINES", "areas"]}}))
    assert [(h.hazard_id, h.kind) for h in farm.hazards] == [
        ("a", "wet_spot"),
        ("b", "forest_edge"),
        ("c", "no_go"),
    ]
    with pytest.raises(LayerError, match=r"has no layer 'lanes' for layers\.hazards; it has 'parcels', 'spots'"):
        open_farm(path, parse({"layers": {"hazards": ["lanes"]}}))


def test_hazards_without_names_and_dates_get_all_defaults(beside: Path) -> None:
    frame = gpd.GeoDataFrame({"kind": ["wet_spot"]}, geometry=[Point(WEST + 40, NORTH - 40)], crs=CRS)
    path = vectors(beside / "f.gpkg", parcels=fields(), hazards=frame)
    hazard = open_farm(path, Settings()).hazards[0]
    assert re.fullmatch(r"hazards-[0-9a-f]{10}", hazard.hazard_id)
    assert (hazard.reach_m, hazard.accuracy_m, hazard.severity) == (5.0, 2.0, 2)
    assert "hazards: has no column reach_m; 5 m is kept away" in notes(path)
    assert "hazards: has no column severity; severity 2 is taken" in notes(path)


def test_layers_in_degrees_and_in_other_zones_come_to_the_terrain(beside: Path) -> None:
    spot = Point(WEST + 50, NORTH - 50)
    path = vectors(
        beside / "f.gpkg",
        parcels=fields().to_crs("EPSG:4326"),
        hazards=marks([spot]).to_crs("EPSG:25833"),
        ways_in=gpd.GeoDataFrame({"way_in_id": ["G"]}, geometry=[spot], crs=CRS).to_crs("EPSG:3857"),
    )
    farm = open_farm(path, Settings())
    for parcel, frame in zip(farm.parcels, fields().geometry, strict=True):
        assert parcel.shape.symmetric_difference(frame).area < 0.01
    assert farm.hazards[0].shape.distance(spot) < 1e-3
    assert farm.ways_in[0].shape.distance(spot) < 1e-3


def test_a_layer_that_says_not_where_it_is_stops(beside: Path) -> None:
    path = vectors(beside / "f.gpkg", parcels=fields().set_crs(None, allow_override=True))
    with pytest.raises(LayerError, match="layer 'parcels': says not in which CRS it is"):
        open_farm(path, Settings())


def test_two_layers_that_could_be_the_parcels_stop(beside: Path) -> None:
    path = vectors(beside / "f.gpkg", east=fields(), west=fields())
    with pytest.raises(
        LayerError, match=r"'east' and 'west' could all be the parcels; name one in layers\.parcels"
    ):
        open_farm(path, Settings())
    assert len(open_farm(path, parse({"layers": {"parcels": "west"}})).parcels) == 2


def test_a_file_without_polygons_stops(beside: Path) -> None:
    path = vectors(beside / "f.gpkg", trees=gpd.GeoDataFrame({"a": [1]}, geometry=[Point(WEST, NORTH)], crs=CRS))
    with pytest.raises(LayerError, match="has no layer of polygons that could be the parcels; it has 'trees'"):
        open_farm(path, Settings())


def test_hazard_areas_are_not_taken_for_parcels(beside: Path) -> None:
    path = vectors(beside / "f.gpkg", meadows=fields(), wet=marks([patch(30, 30, 9, 9)]))
    farm = open_farm(path, Settings())
    assert (len(farm.parcels), len(farm.hazards)) == (2, 1)
    assert "wet: taken as hazards, because it has a column of hazard kinds" in notes(path)


def test_rasters_named_in_settings(tmp_path: Path) -> None:
    whole = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    (tmp_path / "tiles").mkdir()
    for i in range(4):
        place = from_origin(WEST + 100 * i, NORTH, 1, 1)
        write_tif(tmp_path / "tiles" / f"t{i}.tif", whole[:, 100 * i : 100 * i + 100], place)
    path = vectors(tmp_path / "f.gpkg", parcels=fields())
    for named in ([f"tiles/t{i}.tif" for i in range(4)], "tiles/*.tif"):
        farm = open_farm(path, parse({"layers": {"dem": named}}))
        read = farm.terrain.read(Bounds(*farm.parcels[1].shape.bounds))
        assert np.abs(read.z - hill(read.grid.xs[None, :], read.grid.ys[:, None])).max() < 1e-3
    datasets.close()
    for named, match in (
        ("none.tif", r"layers\.dem names 'none\.tif', neither a layer of it nor a file beside it"),
        ("none/*.tif", r"layers\.dem is 'none/\*\.tif', which no file beside it answers to"),
        ([], r"layers\.dem names no raster"),
    ):
        with pytest.raises(TerrainError, match=match):
            open_farm(path, parse({"layers": {"dem": named}}))


def test_no_terrain_or_too_many_rasters_stop(tmp_path: Path) -> None:
    path = vectors(tmp_path / "f.gpkg", parcels=fields())
    with pytest.raises(TerrainError, match="holds no terrain model and no raster lies beside it; name it in"):
        open_farm(path, Settings())
    for name in ("a.tif", "b.TIFF"):
        write_tif(tmp_path / name, np.full((4, 4), GAP))
    with pytest.raises(TerrainError, match="holds no terrain model and 2 rasters lie beside it"):
        open_farm(path, Settings())


def test_arcs_are_read_as_fine_chords(beside: Path) -> None:
    """A circle of 20 m radius drawn as two arcs, put into the file by GDAL's own tool."""
    x, y = WEST + 60, NORTH - 60
    (beside / "c.csv").write_text(
        f'field_id,wkt\nF1,"CURVEPOLYGON(CIRCULARSTRING({x - 20} {y},{x} {y + 20},'
        f'{x + 20} {y},{x} {y - 20},{x - 20} {y}))"\n'
    )
    subprocess.run(
        ["ogr2ogr", "-f", "GPKG", str(beside / "f.gpkg"), str(beside / "c.csv"), "-oo", "GEOM_POSSIBLE_NAMES=wkt",
         "-nln", "parcels", "-nlt", "CURVEPOLYGON", "-a_srs", CRS],
        check=True, capture_output=True,
    )  # fmt: skip
    shape = open_farm(beside / "f.gpkg", Settings()).parcels[0].shape
    assert shape.area == pytest.approx(np.pi * 400, rel=2e-3)
