"""A farm file started from what a farm has at hand."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import geopandas as gpd
import numpy as np
import pytest
import shapely
from farm_files import CRS, GAP, NORTH, WEST, fields, hill, hill_cells, hill_tif, marks, patch, write_tif
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point

from atlas.errors import FarmFileError, LayerError, OutputError, RowError, TerrainError
from atlas.farm import datasets
from atlas.farm.opening import open_farm
from atlas.farm.starting import start
from atlas.grid import Bounds, CellWindow
from atlas.settings import Settings, parse

WHEN = datetime(2026, 5, 4, tzinfo=UTC)


def boundaries(**columns: list[object]) -> gpd.GeoDataFrame:
    """Two fields whose columns are nobody's standard."""
    return gpd.GeoDataFrame(columns, geometry=list(fields().geometry), crs=CRS)


@pytest.fixture
def dem(tmp_path: Path) -> Path:
    return hill_tif(tmp_path / "hill.tif")


@pytest.mark.parametrize("ending", ["gpkg", "shp", "geojson", "fgb", "gml"])
def test_fields_come_from_any_vector_format(tmp_path: Path, dem: Path, ending: str) -> None:
    source = tmp_path / f"fields.{ending}"
    boundaries(NR=["7", "8"], label=["Top", "Low"]).to_crs("EPSG:4326").to_file(source, engine="pyogrio")
    said = start(tmp_path / "farm.gpkg", source, [dem])
    farm = open_farm(tmp_path / "farm.gpkg", Settings())
    parcels = sorted(farm.parcels, key=lambda p: p.field_id)  # some formats keep an order of their own
    assert [(p.field_id, p.name) for p in parcels] == [("7", "Top"), ("8", "Low")]
    assert any("taken as field_id" in r.text for r in said)
    for parcel, outline in zip(parcels, fields().geometry, strict=True):
        assert (
            parcel.shape.symmetric_difference(outline).area < 0.05
        )  # GeoJSON keeps 7 decimals, about a centimetre
    datasets.close()


def test_a_drawing_in_kml_with_folders_counts_as_one(tmp_path: Path, dem: Path) -> None:
    def placemark(name: str, shape: gpd.GeoSeries) -> str:
        ring = " ".join(f"{x},{y},0" for x, y in shape.exterior.coords)
        return (
            f"<Placemark><name>{name}</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}"
            "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
        )

    one, two = fields().to_crs("EPSG:4326").geometry
    gate = "<Placemark><name>gate</name><Point><coordinates>10.3,46.9</coordinates></Point></Placemark>"
    (tmp_path / "drawn.kml").write_text(
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<Folder><name>Up</name>{placemark('Top &amp; steep', one)}{gate}</Folder>"
        f"<Folder><name>Down</name>{placemark('Low', two)}</Folder></Document></kml>"
    )
    said = start(tmp_path / "farm.gpkg", tmp_path / "drawn.kml", [dem])
    farm = open_farm(tmp_path / "farm.gpkg", Settings())
    assert [(p.field_id, p.name) for p in farm.parcels] == [("F01", "Top & steep"), ("F02", "Low")]
    assert any("no ids found, so the fields are called F01 and on" in r.text for r in said)
    assert any("1 of 2 rows are no areas and left out" in r.text for r in said)
    datasets.close()


def test_ids_are_taken_only_where_each_field_has_its_own(tmp_path: Path, dem: Path) -> None:
    boundaries(id=[1, 1], code=["a", None], name=["Top", "Low"]).to_file(tmp_path / "f.gpkg", engine="pyogrio")
    start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [dem])
    assert [p.field_id for p in open_farm(tmp_path / "farm.gpkg", Settings()).parcels] == ["F01", "F02"]
    start(tmp_path / "b.gpkg", tmp_path / "f.gpkg", [dem], settings=parse({"columns": {"field_id": "name"}}))
    assert [p.field_id for p in open_farm(tmp_path / "b.gpkg", Settings()).parcels] == ["Top", "Low"]
    with pytest.raises(RowError, match=r"f\.gpkg, layer 'f', row 1: field_id '1' stands 2 times"):
        start(tmp_path / "c.gpkg", tmp_path / "f.gpkg", [dem], settings=parse({"columns": {"field_id": "id"}}))
    assert not (tmp_path / "c.gpkg").exists()
    datasets.close()


def test_several_height_models_become_one_and_far_ones_are_left_out(tmp_path: Path) -> None:
    parts = []
    for i in range(3):
        place = from_origin(WEST + 400 * i, NORTH, 1, 1)
        z = hill_cells(place, 300, 400)
        z[250:260, 10:20] = GAP
        parts.append(write_tif(tmp_path / f"part{i}.tif", z, place))
    fields([patch(380, 20, 60, 50)]).to_file(tmp_path / "f.gpkg", engine="pyogrio")
    said = start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", parts)
    assert any("farther than 250 m from the fields was left out" in r.text for r in said)
    terrain = open_farm(tmp_path / "farm.gpkg", Settings()).terrain
    assert (terrain.grid.west, terrain.grid.north) == (WEST + 130, NORTH)
    assert terrain.grid.shape == (300, 560)
    read = terrain.read(terrain.grid.bounds)
    assert np.isnan(read.z).sum() == 100  # the hole in the middle part; those of the others lie outside
    assert np.nanmax(np.abs(read.z - hill(read.grid.xs[None, :], read.grid.ys[:, None]))) < 1e-3
    datasets.close()


def test_marks_keep_what_they_say_and_get_ids_that_stay(tmp_path: Path, dem: Path) -> None:
    fields().to_file(tmp_path / "f.gpkg", engine="pyogrio")
    marks([Point(WEST + 40, NORTH - 40)], seen_at=["2026-05-01T06:00:00Z"], severity=[3], note=["<b>"]).to_file(
        tmp_path / "spots.gpkg", engine="pyogrio"
    )
    edge = LineString([(WEST + 20, NORTH - 20), (WEST + 120, NORTH - 20)])
    gpd.GeoDataFrame({"who": ["x"]}, geometry=[edge], crs=CRS).to_file(tmp_path / "forest_edges.geojson")
    files = [tmp_path / "spots.gpkg", tmp_path / "forest_edges.geojson"]
    start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [dem], files, written_at=WHEN)
    start(tmp_path / "again.gpkg", tmp_path / "f.gpkg", [dem], files, written_at=WHEN)
    assert (tmp_path / "farm.gpkg").read_bytes() == (tmp_path / "again.gpkg").read_bytes()
    spot, line = open_farm(tmp_path / "farm.gpkg", Settings()).hazards
    assert (spot.hazard_id, spot.kind, spot.severity, spot.note) == ("M1", "wet_spot", 3, "<b>")
    assert spot.seen_at == datetime(2026, 5, 1, 6, tzinfo=UTC)
    assert (line.kind, line.reach_m, line.assumed) == ("forest_edge", 3.0, ("reach_m", "accuracy_m", "severity"))
    assert len(line.hazard_id) == 36
    with closing(sqlite3.connect(tmp_path / "farm.gpkg")) as db:
        assert db.execute("SELECT reach_m, severity FROM hazards ORDER BY fid").fetchall() == [
            (None, 3),
            (None, None),
        ]
    datasets.close()


def test_marks_of_no_kind_stop(tmp_path: Path, dem: Path) -> None:
    fields().to_file(tmp_path / "f.gpkg", engine="pyogrio")
    gpd.GeoDataFrame({"a": [1]}, geometry=[Point(WEST + 40, NORTH - 40)], crs=CRS).to_file(tmp_path / "m.gpkg")
    with pytest.raises(LayerError, match=r"m\.gpkg, layer 'm': has no column 'kind' and its name tells none"):
        start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [dem], [tmp_path / "m.gpkg"])
    marks([Point(WEST + 40, NORTH - 40)], kind=["bog"]).to_file(tmp_path / "n.gpkg", engine="pyogrio")
    with pytest.raises(RowError, match=r"n\.gpkg, layer 'n', row 1: kind is 'bog'; it is one of"):
        start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [dem], [tmp_path / "n.gpkg"])


def test_inputs_that_are_none_stop(tmp_path: Path, dem: Path) -> None:
    new = tmp_path / "farm.gpkg"
    with pytest.raises(FarmFileError, match=r"none\.shp: is not there; check the name"):
        start(new, tmp_path / "none.shp", [dem])
    (tmp_path / "text.shp").write_text("no")
    with pytest.raises(
        FarmFileError, match=r"text\.shp: has no text\.shx and no text\.dbf beside it; copy all files"
    ):
        start(new, tmp_path / "text.shp", [dem])
    (tmp_path / "text.geojson").write_text("no")
    with pytest.raises(FarmFileError, match=r"text\.geojson: cannot be read as a vector file; fetch a whole copy"):
        start(new, tmp_path / "text.geojson", [dem])
    with pytest.raises(
        FarmFileError, match=r"hill\.tif: is a raster and holds no shapes; give heights as --dem and"
    ):
        start(new, dem, [dem])
    fields().to_file(tmp_path / "fields.gpkg", engine="pyogrio")
    with pytest.raises(
        TerrainError, match=r"fields\.gpkg: holds shapes and no heights; give heights as --dem and"
    ):
        start(new, tmp_path / "fields.gpkg", [tmp_path / "fields.gpkg"])
    (tmp_path / "folder").mkdir()
    (tmp_path / "dem.zip").write_bytes(b"PK\x05\x06" + bytes(18))
    for other, told in (
        ("folder", "is a folder; name the file in it"),
        ("dem.zip", "is packed; unpack it and name"),
    ):
        with pytest.raises(TerrainError, match=f"{other}: {told}"):
            start(new, tmp_path / "fields.gpkg", [tmp_path / other])
        with pytest.raises(FarmFileError, match=f"{other}: {told}"):
            start(new, tmp_path / other, [dem])
    (tmp_path / "empty.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": []}))
    with pytest.raises(LayerError, match=r"empty\.geojson: holds no polygons"):
        start(new, tmp_path / "empty.geojson", [dem])
    fields().to_file(tmp_path / "two.gpkg", layer="a", engine="pyogrio")
    fields().to_file(tmp_path / "two.gpkg", layer="b", engine="pyogrio", mode="a")
    with pytest.raises(LayerError, match="'a' and 'b' could all be the parcels"):
        start(new, tmp_path / "two.gpkg", [dem])
    fields([patch(9000, 9000, 50, 50)]).to_file(tmp_path / "far.gpkg", engine="pyogrio")
    with pytest.raises(TerrainError, match="lies elsewhere and covers no parcel"):
        start(new, tmp_path / "far.gpkg", [dem])
    turned = fields().to_crs("EPSG:4326")
    turned.geometry = turned.geometry.map(lambda shape: shapely.transform(shape, lambda xy: xy[:, ::-1]))
    turned.to_file(tmp_path / "turned.geojson", engine="pyogrio")
    why = r"lies at longitude 10\.32, latitude 46\.94, the first parcel at longitude 46\.95, latitude 10\.31\)"
    with pytest.raises(TerrainError, match=why):
        start(new, tmp_path / "turned.geojson", [dem])
    assert sorted(p.suffix for p in tmp_path.iterdir() if p.name.startswith((".", "farm"))) == []
    new.write_text("mine")
    with pytest.raises(OutputError, match="exists already"):
        start(new, tmp_path / "two.gpkg", [dem])
    assert new.read_text() == "mine"


def test_marks_that_lie_far_off_are_told(tmp_path: Path, dem: Path) -> None:
    fields().to_file(tmp_path / "f.gpkg", engine="pyogrio")
    marks([patch(9000, 0, 9, 9)]).to_file(tmp_path / "far.gpkg", engine="pyogrio")
    said = start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [dem], [tmp_path / "far.gpkg"])
    assert [(r.layer, r.row) for r in said if "more than 1000 m from every field" in r.text] == [("far", "1")]
    degrees = marks([patch(30, 30, 9, 9)]).to_crs("EPSG:4326").set_crs(CRS, allow_override=True)
    degrees.to_file(tmp_path / "deg.gpkg", engine="pyogrio")
    with pytest.raises(RowError, match=r"deg\.gpkg, layer 'deg', row 1: .* longitude, latitude in degrees"):
        start(tmp_path / "new.gpkg", tmp_path / "f.gpkg", [dem], [tmp_path / "deg.gpkg"])
    assert not (tmp_path / "new.gpkg").exists()


def test_heights_in_feet_and_degrees_are_brought_to_metres(tmp_path: Path) -> None:
    """A tilted plane in degrees and feet; what the farm file holds is metres in the UTM zone."""
    place = from_origin(10.31, 46.95, 1e-5, 1e-5)
    feet = 3280.84 + np.indices((400, 400))[0] * 0.5
    heights = write_tif(tmp_path / "deg.tif", feet, place, "EPSG:4326", unit="ft")
    outline = gpd.GeoDataFrame(
        {"field_id": ["A"]},
        geometry=[Point(10.312, 46.948).buffer(0.0005)],
        crs="EPSG:4326",
    )
    outline.to_file(tmp_path / "f.geojson", engine="pyogrio")
    said = " | ".join(r.text for r in start(tmp_path / "farm.gpkg", tmp_path / "f.geojson", [heights]))
    assert "in feet and were turned into metres" in said
    assert "warped to WGS 84 / UTM zone 32N" in said
    farm = open_farm(tmp_path / "farm.gpkg", Settings())
    assert farm.terrain.grid.crs.to_epsg() == 32632
    z = farm.terrain.read(Bounds(*farm.parcels[0].shape.bounds)).z
    assert float(np.nanmean(z)) == pytest.approx(0.3048 * (3280.84 + 200 * 0.5), abs=0.5)
    datasets.close()


@pytest.mark.parametrize(("unit", "metres"), [("ft", 0.3048), ("dm", 0.1)])
def test_settings_that_told_the_unit_do_not_count_twice(
    tmp_path: Path, unit: Literal["ft", "dm"], metres: float
) -> None:
    """`atlas.toml` lies beside the farm file from start on; turned twice, a slope of 30 % would pass for 9 %."""
    place = from_origin(WEST, NORTH, 1, 1)
    heights = write_tif(tmp_path / "h.tif", hill_cells(place, 300, 400) / metres)
    fields().to_file(tmp_path / "f.gpkg", engine="pyogrio")
    told = parse({"terrain": {"height_unit": unit}})
    if unit == "dm":
        with pytest.raises(
            TerrainError, match=r"no heights in metres; say in terrain\.height_unit whether they are dm"
        ):
            start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [heights])
    start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [heights], settings=told)
    farm = open_farm(tmp_path / "farm.gpkg", told)
    read = farm.terrain.read(Bounds(*farm.parcels[0].shape.bounds))
    assert np.abs(read.z - hill(read.grid.xs[None, :], read.grid.ys[:, None])).max() < 0.002
    assert any("in metres already; terrain.height_unit is for what start reads" in r.text for r in farm.remarks)
    datasets.close()


def test_settings_that_told_of_the_given_files_are_to_go(tmp_path: Path, dem: Path) -> None:
    boundaries(NR=["7", "8"]).to_file(tmp_path / "f.gpkg", layer="ours", engine="pyogrio")
    told = parse({"layers": {"parcels": "ours"}, "columns": {"field_id": "NR"}})
    said = start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [dem], settings=told)
    assert (
        said[-1].text
        == "[layers] and [columns] of the settings told of the given files; take them out before a build"
    )
    assert not any("take them out" in r.text for r in start(tmp_path / "b.gpkg", tmp_path / "f.gpkg", [dem]))


def test_heights_are_never_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No window asked of the source is larger than one block, though the model is."""
    big = write_tif(tmp_path / "big.tif", np.full((1300, 1400), 700.0), tiled=True)
    fields([patch(20, 20, 1300, 1200)]).to_file(tmp_path / "f.gpkg", engine="pyogrio")
    asked: list[int] = []
    true_read = datasets.read

    def spy(stored: datasets.Stored, window: CellWindow) -> object:
        asked.append(window.rows * window.cols)
        return true_read(stored, window)

    monkeypatch.setattr(datasets, "read", spy)
    monkeypatch.setattr("atlas.farm.terrain_source.TerrainSource.check_covers", lambda *_: None)
    start(tmp_path / "farm.gpkg", tmp_path / "f.gpkg", [big])
    assert sum(asked) == 1300 * 1400
    assert max(asked) == 512 * 512
    datasets.close()
