"""Foreign farm files: written in their own names, CRS and shapes; what they lack is added beside, and GDAL's own
checker finds nothing wrong after a thousand changes.
"""

from __future__ import annotations

import random
import sqlite3
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from pyproj import Transformer
from shapely.geometry import LineString, Point, box

from atlas.errors import LayerError
from atlas.farm.change import mark, release, retire, storm
from atlas.farm.edit_geometry import to_shape
from atlas.settings import parse

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
TO_DEGREES = Transformer.from_crs(25832, 4326, always_xy=True)
WEST, SOUTH = 620_000.0, 5_210_000.0
NAMED = parse(
    {
        "layers": {"parcels": "Flurstuecke", "hazards": ["Punkte", "Linien"]},
        "columns": {"field_id": "nr", "hazard_id": "kennung", "kind": "art", "severity": "stufe", "note": "text"},
    }
)


@pytest.fixture
def foreign(tmp_path: Path) -> Path:
    """Parcels in metres, hazards in degrees, points and lines apart, other names, no storms and no releases."""
    path = tmp_path / "fremd.gpkg"
    fields = [box(WEST + 200 * i, SOUTH, WEST + 200 * i + 150, SOUTH + 120) for i in range(3)]
    save(path, "Flurstuecke", gpd.GeoDataFrame({"nr": ["1/2", "7", "Ö 3"]}, geometry=fields, crs=25832))
    told = {"kennung": ["a"], "art": ["wet_spot"], "stufe": [2.0], "text": ["alt"]}
    points = gpd.GeoDataFrame(told, geometry=[Point(WEST + 20, SOUTH + 20)], crs=25832)
    save(path, "Punkte", points.to_crs(4326))
    line = LineString([(WEST, SOUTH), (WEST + 50, SOUTH)])
    lines = gpd.GeoDataFrame({**told, "kennung": ["b"], "art": ["forest_edge"]}, geometry=[line], crs=25832)
    save(path, "Linien", lines.to_crs(4326))
    return path


def save(path: Path, layer: str, frame: gpd.GeoDataFrame) -> None:
    """GeoPackage 1.2, which GDAL 3.6's checker knows (the triggers of 1.4 are newer than it is)."""
    options: dict[str, Any] = {} if path.exists() else {"VERSION": "1.2"}
    frame.to_file(path, layer=layer, driver="GPKG", engine="pyogrio", **options)


def rows(farm: Path, sql: str, *told: Any) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(farm)
    try:
        return db.execute(sql, told).fetchall()
    finally:
        db.close()


def checker(path: Path) -> None:
    """GDAL's own GeoPackage checker (osgeo_utils.samples.validate_gpkg, Debian's python3-gdal)."""
    done = subprocess.run(
        ["/usr/bin/python3", "-m", "osgeo_utils.samples.validate_gpkg", str(path)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_marks_go_into_the_layer_that_fits_in_its_own_words_and_crs(foreign: Path) -> None:
    where = Point(WEST + 40, SOUTH + 60)
    point = mark(foreign, "wet_spot", where, severity=3, note="neu", by="Ida", seen_at=NOW, settings=NAMED)
    line = mark(foreign, "obstacle", LineString([(where.x, where.y), (where.x + 9, where.y)]), settings=NAMED)
    told = rows(foreign, "SELECT art, stufe, text, geom FROM Punkte WHERE kennung = ?", point)
    assert told[0][:3] == ("wet_spot", 3.0, "neu")
    shape = to_shape(told[0][3])
    assert isinstance(shape, Point)
    assert (shape.x, shape.y) == pytest.approx(TO_DEGREES.transform(where.x, where.y), abs=1e-9)
    assert rows(foreign, "SELECT art FROM Linien WHERE kennung = ?", line) == [("obstacle",)]
    # columns they lack are appended, theirs stand as they stood
    columns = [row[1] for row in rows(foreign, "PRAGMA table_info(Punkte)")]
    assert columns[:6] == ["fid", "geom", "kennung", "art", "stufe", "text"]
    assert {"seen_at", "seen_by"} <= set(columns[6:])
    assert rows(foreign, "SELECT kennung, art, stufe, text FROM Punkte WHERE fid = 1") == [
        ("a", "wet_spot", 2.0, "alt")
    ]
    checker(foreign)


def test_what_the_file_lacks_is_added_beside(foreign: Path) -> None:
    before = {row[0] for row in rows(foreign, "SELECT table_name FROM gpkg_contents")}
    theirs = rows(foreign, "SELECT * FROM Flurstuecke"), rows(foreign, "SELECT * FROM Linien")
    storm(foreign, NOW, settings=NAMED)
    assert release(foreign, ["Ö 3", "1/2"], "firm", NOW + timedelta(hours=9), "Ida", NOW, NAMED) == ("Ö 3", "1/2")
    after = {row[0] for row in rows(foreign, "SELECT table_name FROM gpkg_contents")}
    assert after - before == {"storms", "releases"}
    assert (rows(foreign, "SELECT * FROM Flurstuecke"), rows(foreign, "SELECT * FROM Linien")) == theirs
    assert gpd.read_file(foreign, layer="releases").field_id.tolist() == ["Ö 3", "1/2"]
    checker(foreign)


def test_a_hazard_is_retired_in_a_layer_that_knew_no_end(foreign: Path) -> None:
    retire(foreign, "b", "Ida", NOW, NAMED)
    told = rows(foreign, "SELECT retired_at, retired_by, text FROM Linien")
    assert told == [("2026-05-04T06:00:00.000Z", "Ida", "alt")]
    checker(foreign)


def test_where_settings_name_the_layers_nothing_goes_where_no_one_reads(foreign: Path) -> None:
    before = foreign.read_bytes()
    area = Point(WEST + 40, SOUTH + 60).buffer(5)
    with pytest.raises(LayerError, match=r"no hazard layer \('Punkte', 'Linien'\) takes a Polygon; add a layer"):
        mark(foreign, "no_go", area, settings=NAMED)
    assert foreign.read_bytes() == before


def test_a_file_without_hazards_gets_our_layer(tmp_path: Path) -> None:
    path = tmp_path / "bare.gpkg"
    fields = [box(WEST, SOUTH, WEST + 150, SOUTH + 120)]
    save(path, "fields", gpd.GeoDataFrame({"field_id": ["F"]}, geometry=fields, crs=25832))
    hazard_id = mark(path, "slip", Point(WEST + 9, SOUTH + 9))
    area = mark(path, "no_go", Point(WEST + 30, SOUTH + 30).buffer(5))
    found = gpd.read_file(path, layer="hazards")
    assert found.hazard_id.tolist() == [hazard_id, area]
    assert found.crs == "EPSG:25832"
    checker(path)


def test_a_layer_of_points_called_hazards_gets_a_second_one_beside(tmp_path: Path) -> None:
    path = tmp_path / "points.gpkg"
    fields = [box(WEST, SOUTH, WEST + 150, SOUTH + 120)]
    save(path, "parcels", gpd.GeoDataFrame({"field_id": ["F"]}, geometry=fields, crs=25832))
    told = {"hazard_id": ["x"], "kind": ["slip"]}
    save(path, "hazards", gpd.GeoDataFrame(told, geometry=[Point(WEST + 5, SOUTH + 5)], crs=25832))
    first = mark(path, "no_go", Point(WEST + 30, SOUTH + 30).buffer(5))
    second = mark(path, "no_go", Point(WEST + 60, SOUTH + 30).buffer(5))
    assert gpd.read_file(path, layer="hazards_more").hazard_id.tolist() == [first, second]
    retire(path, second)  # found again, so read by whoever reads hazards
    checker(path)


def test_gdals_checker_after_a_thousand_changes(foreign: Path) -> None:
    chance = random.Random(4)
    known = {"a", "b"}
    for number in range(1_000):
        at = NOW + timedelta(minutes=number)
        if number % 10 == 9:
            gone = chance.choice(sorted(known))
            retire(foreign, gone, "Ida", at, NAMED)
            known.remove(gone)
        elif number % 100 == 50:
            storm(foreign, at, settings=NAMED)
        elif number % 20 == 5:
            release(foreign, ["7"], "damp", at + timedelta(hours=1), "Ida", at, NAMED)
        else:
            known.add(marked_one(foreign, chance, at))
        if number in (0, 99):
            checker(foreign)
    checker(foreign)
    for layer in ("Punkte", "Linien"):
        books_are_right(foreign, layer)


def marked_one(path: Path, chance: random.Random, at: datetime) -> str:
    start = Point(WEST + chance.uniform(0, 550), SOUTH + chance.uniform(0, 120))
    shape = start if chance.random() < 0.5 else LineString([(start.x, start.y), (start.x + 9, start.y + 4)])
    kind = chance.choice(["wet_spot", "obstacle", "slip"])
    return mark(path, kind, shape, severity=chance.choice([None, 1, 2, 3]), seen_at=at, settings=NAMED)


def books_are_right(path: Path, layer: str) -> None:
    """Index, extent, count and date of change, by other means than the code that keeps them."""
    frame = gpd.read_file(path, layer=layer, engine="pyogrio", fid_as_index=True)
    (index,) = rows(path, f"SELECT rtreecheck('rtree_{layer}_geom')")
    assert index == ("ok",)
    boxes = {key: box for key, *box in rows(path, f"SELECT id, minx, miny, maxx, maxy FROM rtree_{layer}_geom")}
    assert boxes.keys() == set(frame.index)
    bounds = frame.bounds
    for key, (min_x, min_y, max_x, max_y) in boxes.items():
        true = bounds.loc[key]
        assert min_x <= true.minx
        assert max_x >= true.maxx
        assert min_y <= true.miny
        assert max_y >= true.maxy
    (extent,) = rows(path, "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = ?", layer)
    assert extent == pytest.approx(tuple(frame.total_bounds))
    (changed,) = rows(path, "SELECT last_change FROM gpkg_contents WHERE table_name = ?", layer)
    assert abs(datetime.fromisoformat(changed[0]) - datetime.now(UTC)) < timedelta(minutes=2)
    (count,) = rows(path, "SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = ?", layer)
    assert count in ((len(frame),), (None,))
