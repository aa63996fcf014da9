"""Taking in: what comes from tablets goes in once, whole, checked, and never for the better."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from made import METRIC
from pyproj import CRS, Transformer
from shapely.geometry import Point

from atlas.farm.change import mark, retire
from atlas.farm.edit_geometry import to_shape
from atlas.farm.takein import take_in
from atlas.farm.takein_report import TakeInReport

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
SPOT = "00000000-0000-4000-8000-000000000000"  # a wet spot of the small farm, severity 2, seen 2 May 06:00
BANK = "00000000-0000-4000-8000-000000000002"
FRESH = "11111111-1111-4111-8111-111111111111"
OTHER = "22222222-2222-4222-8222-222222222222"

Feature = dict[str, Any]
Write = Callable[..., Path]


@pytest.fixture
def farm(small_farm_file: Path, tmp_path: Path) -> Path:
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_farm_file, path)
    return path


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write(*features: Feature, name: str = "tablet.geojson", **beside: Any) -> Path:
        path = tmp_path / name
        content = {
            "type": "FeatureCollection",
            "format": "field-atlas-marks/1",
            "edition": 3,
            "farm": "",
            "features": list(features),
            **beside,
        }
        path.write_text(json.dumps(content), encoding="utf-8")
        return path

    return write


def spot(farm: Path) -> Point:
    """The wet spot of the small farm, in the farm's CRS."""
    with sqlite3.connect(farm) as db:
        x, y = db.execute("SELECT minx, miny FROM rtree_hazards_geom WHERE id = 1").fetchone()
    db.close()
    return Point(x, y)


def lon_lat(point: Point) -> list[float]:
    move = Transformer.from_crs(CRS.from_wkt(METRIC.to_wkt()), 4326, always_xy=True)
    return [float(v) for v in move.transform(point.x, point.y)]


def new(place: Point, **told: Any) -> Feature:
    properties = {"hazard_id": FRESH, "kind": "wet_spot", "severity": 1, "seen_at": "2026-05-04T05:00:00Z", **told}
    geometry = {"type": "Point", "coordinates": lon_lat(place)}
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def word(**told: Any) -> Feature:
    return {"type": "Feature", "geometry": None, "properties": {"seen_at": "2026-05-04T05:00:00Z", **told}}


def rows(farm: Path, sql: str) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(farm)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def statuses(report: TakeInReport) -> list[str]:
    return [row.status for row in report.rows]


def away(farm: Path, east: float, north: float = 0.0) -> Point:
    middle = spot(farm)
    return Point(middle.x + east, middle.y + north)


def test_new_still_there_and_gone_go_in_together(farm: Path, write: Write) -> None:
    file = write(
        new(away(farm, 12), note="by the trough", seen_by="Ole"),
        word(seen_again=SPOT, severity=3),
        word(gone=BANK),
    )
    report = take_in(farm, [file], now=NOW)
    assert statuses(report) == ["new", "still there", "gone"]
    assert report.written
    assert [row.field_id for row in report.rows] == ["F01", "F01", "F01"]
    fresh = rows(farm, f"SELECT kind, severity, note, seen_by FROM hazards WHERE hazard_id = '{FRESH}'")
    assert fresh == [("wet_spot", 1, "by the trough", "Ole")]
    again = rows(farm, f"SELECT severity, seen_at FROM hazards WHERE hazard_id = '{SPOT}'")
    assert again == [(3, "2026-05-04T05:00:00.000Z")]
    assert rows(farm, f"SELECT retired_at FROM hazards WHERE hazard_id = '{BANK}'") == [
        ("2026-05-04T05:00:00.000Z",)
    ]


def test_a_dry_run_tells_the_same_and_leaves_every_byte(farm: Path, write: Write) -> None:
    file = write(new(away(farm, 12)), word(seen_again=SPOT, severity=3), word(gone=BANK))
    before = farm.read_bytes()
    shown = take_in(farm, [file], dry_run=True, now=NOW)
    assert farm.read_bytes() == before
    assert not shown.written
    assert take_in(farm, [file], now=NOW).rows == shown.rows


def test_the_same_file_twice_changes_nothing(farm: Path, write: Write) -> None:
    file = write(
        new(away(farm, 12)),
        word(seen_again=SPOT, severity=1),
        {"type": "Feature", "geometry": None, "properties": {"gone": BANK}},  # without a time
        {"type": "Feature", "geometry": None, "properties": {"seen_again": SPOT, "severity": 2}},
        new(away(farm, -9), hazard_id=None),
    )
    assert take_in(farm, [file], now=NOW).written
    before = farm.read_bytes()
    again = take_in(farm, [file], now=NOW + timedelta(days=2))
    assert statuses(again) == ["already here"] * 5
    assert not again.written
    assert farm.read_bytes() == before


def test_a_marking_that_is_seen_again_after_it_was_gone_comes_back(farm: Path, write: Write) -> None:
    retire(farm, SPOT, "Runa", NOW - timedelta(hours=3))
    report = take_in(farm, [write(word(seen_again=SPOT, severity=2))], now=NOW)
    assert statuses(report) == ["still there"]
    assert rows(farm, f"SELECT retired_at, retired_by FROM hazards WHERE hazard_id = '{SPOT}'") == [(None, None)]


def test_an_older_sighting_never_overrules_a_newer_one(farm: Path, write: Write) -> None:
    take_in(farm, [write(word(seen_again=SPOT, severity=3))], now=NOW)
    late = write(
        word(seen_again=SPOT, severity=1, seen_at="2026-05-03T05:00:00Z"),
        word(gone=SPOT, seen_at="2026-05-03T06:00:00Z"),
        name="late.geojson",
    )
    report = take_in(farm, [late], now=NOW)
    assert statuses(report) == ["already here", "already here"]
    assert report.rows[1].why == "seen since, 2026-05-04 05:00 UTC"
    assert rows(farm, f"SELECT severity, retired_at FROM hazards WHERE hazard_id = '{SPOT}'") == [(3, None)]


def test_two_tablets_at_one_spot_are_offered_as_one(farm: Path, write: Write) -> None:
    first = write(new(away(farm, 12), accuracy_m=2, severity=2), name="a.geojson")
    second = write(new(away(farm, 15), hazard_id=OTHER, accuracy_m=3, severity=1, seen_by="Ole"), name="b.geojson")
    report = take_in(farm, [first, second], dry_run=True, now=NOW)
    assert [row.same_spot for row in report.rows] == ["", FRESH]
    assert "--merge" in "\n".join(report.lines())

    report = take_in(farm, [first, second], merge=True, now=NOW)
    assert statuses(report) == ["new", "merged"]
    found = rows(farm, "SELECT hazard_id, severity, reach_m, accuracy_m FROM hazards WHERE fid > 5")
    # the marking that stays reaches all the ground of both: 3 m apart, 3 m off
    assert found == [(FRESH, 2, 5.0, 6.0)]
    assert statuses(take_in(farm, [first, second], merge=True, now=NOW)) == ["already here"] * 2
    # a tablet that knows the mark by its own id still means the one that stayed
    gone = write(word(gone=OTHER, seen_at="2026-05-04T05:30:00Z"), name="c.geojson")
    assert statuses(take_in(farm, [gone], now=NOW)) == ["gone"]
    assert rows(farm, "SELECT retired_at IS NULL FROM hazards WHERE fid > 5") == [(0,)]


def test_merging_areas_keeps_all_the_ground(farm: Path, write: Write) -> None:
    middle = away(farm, 12)

    def area(x: float, hazard_id: str) -> Feature:
        ring = [
            lon_lat(Point(middle.x + x + a, middle.y + b)) for a, b in ((0, 0), (4, 0), (4, 4), (0, 4), (0, 0))
        ]
        feature = new(middle, hazard_id=hazard_id)
        return {**feature, "geometry": {"type": "Polygon", "coordinates": [ring]}}

    take_in(farm, [write(area(0, FRESH), area(3, OTHER))], merge=True, now=NOW)
    ((blob,),) = rows(farm, "SELECT geom FROM hazards WHERE fid > 5")
    shape = to_shape(blob)
    assert shape is not None
    assert shape.area == pytest.approx(7 * 4, abs=0.001)


PICTURE_THAT_IS_NONE = "data:image/jpeg;base64,aGVsbG8="


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ({"kind": "swamp"}, r"kind is 'swamp'; it is one of wet_spot"),
        ({"kind": None}, r"kind is ''"),
        ({"severity": 4}, r"severity is 4; it is 1, 2 or 3"),
        ({"severity": True}, r"severity is 'True' and no number"),
        ({"reach_m": -1}, r"reach_m is -1 m"),
        ({"depth_m": "deep"}, r"depth_m is 'deep' and no number"),
        ({"note": "x" * 501}, r"note has 501 characters; shorten it to 500"),
        ({"note": "<img src=x onerror=alert(1)>"}, r"note holds markup"),
        ({"note": "a\x00b"}, r"note holds control characters"),
        ({"note": "\ud800"}, r"note holds control characters"),
        ({"seen_at": "2026-05-04T07:00:00Z"}, r"was seen at 2026-05-04T07:00\+00:00, which is still to come"),
        ({"seen_at": "yesterday"}, r"seen_at is 'yesterday'"),
        ({"hazard_id": "7"}, r"hazard_id '7' is no UUID"),
        ({"photo": PICTURE_THAT_IS_NONE}, r"picture cannot be read"),
        ({"photo": "%%%"}, r"picture is not base64"),
        ({"gone": SPOT, "seen_again": SPOT}, r"says both"),
    ],
)
def test_a_mark_with_a_wrong_value_is_refused_by_name(
    farm: Path, write: Write, told: dict[str, Any], why: str
) -> None:
    file = write(new(away(farm, 12), **told), word(seen_again=SPOT, severity=3))
    before = farm.read_bytes()
    report = take_in(farm, [file], now=NOW)
    assert [row.number for row in report.refused] == [1]
    assert report.refused[0].sentence.startswith(f"{file}, feature 1: ")
    assert re.search(why, report.refused[0].sentence)
    assert not report.written
    assert farm.read_bytes() == before
    assert take_in(farm, [file], skip_refused=True, now=NOW).written
    assert rows(farm, f"SELECT severity FROM hazards WHERE hazard_id = '{SPOT}'") == [(3,)]


@pytest.mark.parametrize(
    ("geometry", "why"),
    [
        (None, "has no geometry"),
        ({"type": "Point", "coordinates": [11.0]}, "coordinates are broken"),
        ({"type": "Point", "coordinates": ["11", "47"]}, "coordinates are broken"),
        ({"type": "Point", "coordinates": [1e300, 47]}, "no longitude and latitude"),
        ({"type": "Point", "coordinates": [500000, 5200000]}, "export it in WGS 84"),
        ({"type": "Point", "coordinates": [0, 0]}, "more than 27 m from every field"),
        ({"type": "LineString", "coordinates": [[11, 47]]}, "fewer than two"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [0, 1], [1, 1]]]}, "not closed"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [2, 2], [0, 0]]]}, "covers no ground"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [0, 60], [60, 60], [0, 0]]]}, "km wide"),
        ({"type": "GeometryCollection", "geometries": []}, "mark a point, a line or an area"),
    ],
)
def test_broken_coordinates_are_refused_by_name(farm: Path, write: Write, geometry: Any, why: str) -> None:
    report = take_in(farm, [write({**new(spot(farm)), "geometry": geometry})], now=NOW)
    assert [row.status for row in report.rows] == ["refused"]
    assert why in report.rows[0].sentence


def test_still_there_asks_for_a_severity(farm: Path, write: Write) -> None:
    report = take_in(farm, [write(word(seen_again=SPOT))], now=NOW)
    assert "without a severity" in report.refused[0].sentence


def test_word_of_a_hazard_no_one_knows_is_refused(farm: Path, write: Write) -> None:
    report = take_in(farm, [write(word(gone=OTHER), word(seen_again="' OR 1=1 --", severity=1))], now=NOW)
    assert statuses(report) == ["refused", "refused"]
    assert f"has no hazard '{OTHER}'" in report.refused[0].sentence


def test_an_id_that_belongs_to_another_marking_is_refused(farm: Path, write: Write) -> None:
    report = take_in(farm, [write(new(away(farm, 12), hazard_id=SPOT))], now=NOW)
    assert "belongs to another marking" in report.refused[0].sentence


def test_a_mark_of_the_lead_is_known_again(farm: Path, write: Write) -> None:
    hazard_id = mark(farm, "slip", away(farm, 8), seen_at=NOW - timedelta(hours=1))
    report = take_in(farm, [write(new(away(farm, 8), kind="slip", hazard_id=hazard_id))], now=NOW)
    assert statuses(report) == ["already here"]


def test_a_file_for_another_farm_is_said(farm: Path, write: Write) -> None:
    from atlas.settings import parse

    settings = parse({"farm": {"name": "Hochwies"}})
    report = take_in(farm, [write(new(away(farm, 12)), farm="Sonnleit")], now=NOW, settings=settings)
    assert report.notes == (
        f"{farm.parent / 'tablet.geojson'}: was made for the farm 'Sonnleit', this one is 'Hochwies'.",
    )
    assert report.written
