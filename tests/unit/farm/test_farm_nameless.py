"""Markings that were drawn without an id: known by what they are and where they lie, whatever row they are."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import geopandas as gpd
import pytest
import quick_farm
from made import METRIC
from pyproj import Transformer

from atlas.errors import RowError
from atlas.farm.change import retire
from atlas.farm.opening import open_farm
from atlas.farm.records import Hazard
from atlas.farm.takein import take_in

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()


@pytest.fixture
def farm(small_farm_file: Path, tmp_path: Path) -> Path:
    """The small farm as somebody draws it: no marking has an id."""
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_farm_file, path)
    rewritten(path, gpd.read_file(path, layer="hazards").assign(hazard_id=None))
    return path


def rewritten(path: Path, hazards: gpd.GeoDataFrame) -> None:
    """The layer as another program writes it anew: rows are numbered from one."""
    hazards.to_file(path, layer="hazards", driver="GPKG")


def without_the_first(path: Path) -> None:
    rewritten(path, gpd.read_file(path, layer="hazards").iloc[1:])


def live(path: Path, now: datetime = NOW) -> dict[str, Hazard]:
    return {h.hazard_id: h for h in open_farm(path, SETTINGS, now).hazards}


def told(path: Path, **properties: object) -> Path:
    feature = {
        "type": "Feature",
        "geometry": None,
        "properties": {"seen_at": "2026-05-04T05:00:00Z", **properties},
    }
    head = {"type": "FeatureCollection", "format": "field-atlas-marks/1", "edition": 1, "farm": ""}
    path.write_text(json.dumps({**head, "features": [feature]}))
    return path


def test_a_layer_written_anew_keeps_the_ids_of_markings_without_one(farm: Path) -> None:
    before = live(farm)
    without_the_first(farm)
    after = live(farm)
    assert len(after) == len(before) - 1
    for hazard_id, hazard in after.items():
        assert before[hazard_id].shape.equals(hazard.shape)
        assert before[hazard_id].kind == hazard.kind


def test_gone_on_an_old_map_retires_that_marking_or_none(farm: Path, tmp_path: Path) -> None:
    first, second, *_ = live(farm)
    without_the_first(farm)
    gone = told(tmp_path / "first.geojson", gone=first)
    report = take_in(farm, [gone], now=NOW, settings=SETTINGS)
    assert [row.status for row in report.rows] == ["refused"]
    assert "has no hazard" in report.rows[0].why
    assert second in live(farm)
    take_in(farm, [told(tmp_path / "second.geojson", gone=second)], now=NOW, settings=SETTINGS)
    assert second not in live(farm, NOW + timedelta(hours=1))


def test_by_hand_as_well(farm: Path) -> None:
    first, second, *_ = live(farm)
    without_the_first(farm)
    with pytest.raises(RowError, match="has no hazard"):
        retire(farm, first, "Runa", NOW, settings=SETTINGS)
    retire(farm, second, "Runa", NOW, settings=SETTINGS)
    assert second not in live(farm, NOW + timedelta(hours=1))


def test_two_that_are_the_same_are_both_drawn_and_neither_is_retired_for_the_other(farm: Path) -> None:
    rows = gpd.read_file(farm, layer="hazards")
    rewritten(farm, rows.iloc[[0, 0, 1]])
    first, again, _ = live(farm)
    assert again == f"{first}-2"
    for hazard_id, why in ((first, "stands 2 times"), (again, "has no hazard")):
        with pytest.raises(RowError, match=why):
            retire(farm, hazard_id, "Runa", NOW, settings=SETTINGS)
    assert len(live(farm)) == 3


def test_one_that_grows_by_merging_keeps_the_id_it_went_by(farm: Path, tmp_path: Path) -> None:
    hazard_id, area = next((key, h) for key, h in live(farm).items() if h.shape.geom_type == "Polygon")
    grown = area.shape.buffer(3)
    to_globe = Transformer.from_crs(METRIC.to_wkt(), 4326, always_xy=True)
    ring = [list(to_globe.transform(x, y)) for x, y in grown.exterior.coords]
    marks = told(tmp_path / "marks.geojson", kind=area.kind, severity=3)
    content = json.loads(marks.read_text())
    content["features"][0]["geometry"] = {"type": "Polygon", "coordinates": [ring]}
    marks.write_text(json.dumps(content))
    report = take_in(farm, [marks], merge=True, now=NOW, settings=SETTINGS)
    assert [row.status for row in report.rows] == ["merged"], report
    after = live(farm, NOW + timedelta(hours=1))
    assert after[hazard_id].shape.area > area.shape.area + 1
    that_day = live(farm, NOW - timedelta(days=1))
    assert that_day[hazard_id].shape.equals_exact(area.shape, 1e-6)
    retire(farm, hazard_id, "Runa", NOW + timedelta(hours=2), settings=SETTINGS)


def test_a_day_gone_by_is_the_same_after_a_layer_was_written_anew(farm: Path, tmp_path: Path) -> None:
    """What was remembered of one marking is not laid over another that has its row now."""
    first, second, *_ = live(farm)
    take_in(farm, [told(tmp_path / "a.geojson", seen_again=first, severity=1)], now=NOW, settings=SETTINGS)
    new = told(tmp_path / "b.geojson", hazard_id="11111111-1111-4111-8111-111111111111", kind="slip")
    content = json.loads(new.read_text())
    to_globe = Transformer.from_crs(METRIC.to_wkt(), 4326, always_xy=True)
    where = open_farm(farm, SETTINGS, NOW).parcels[1].shape.centroid
    content["features"][0]["geometry"] = {"type": "Point", "coordinates": to_globe.transform(where.x, where.y)}
    new.write_text(json.dumps(content))
    assert [row.status for row in take_in(farm, [new], now=NOW, settings=SETTINGS).rows] == ["new"]
    day_before = NOW - timedelta(days=1)
    then = live(farm, day_before)
    assert then[first].severity == 2
    assert set(then) < set(live(farm, NOW + timedelta(hours=1)))
    rewritten(farm, gpd.read_file(farm, layer="hazards").iloc[::-1])
    again = live(farm, day_before)
    assert {key: h.severity for key, h in again.items()} == {key: h.severity for key, h in then.items()}
    assert second in again
