"""Changes by hand: each goes in whole and stays readable by other programs, or the file stays byte for byte."""

from __future__ import annotations

import shutil
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.errors import FarmFileError, LayerError, RowError
from atlas.farm.change import mark, release, retire, storm
from atlas.farm.history import states_at
from atlas.farm.opening import open_farm
from atlas.settings import Settings

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
SPOT = "00000000-0000-4000-8000-000000000000"


@pytest.fixture
def farm(small_farm_file: Path, tmp_path: Path) -> Path:
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_farm_file, path)
    return path


def rows(farm: Path, sql: str, *told: Any) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(farm)
    try:
        return db.execute(sql, told).fetchall()
    finally:
        db.close()


def run(farm: Path, sql: str) -> None:
    db = sqlite3.connect(farm)
    try:
        db.executescript(sql)
        db.commit()
    finally:
        db.close()


def place(farm: Path, east: float = 8.0, north: float = 0.0) -> Point:
    """Somewhere in the first field."""
    x, y = rows(farm, "SELECT minx, miny FROM rtree_hazards_geom WHERE id = 1")[0]
    return Point(x + east, y + north)


def test_a_mark_is_read_back_by_another_program(farm: Path) -> None:
    where = place(farm)
    hazard_id = mark(
        farm, "wet_spot", where, severity=3, reach_m=4, accuracy_m=1.5, note="ground gives", by="Runa", seen_at=NOW
    )
    found = gpd.read_file(farm, layer="hazards", engine="fiona").set_index("hazard_id").loc[hazard_id]
    assert (found.kind, found.severity, found.reach_m, found.accuracy_m) == ("wet_spot", 3, 4.0, 1.5)
    assert (found.note, found.seen_by, found.seen_at.isoformat()) == (
        "ground gives",
        "Runa",
        "2026-05-04T06:00:00+00:00",
    )
    assert found.geometry.equals(where)
    assert rows(farm, "PRAGMA journal_mode") == [("delete",)]
    assert sorted(p.name for p in farm.parent.iterdir()) == ["farm.gpkg"]


@pytest.mark.parametrize(
    "shape",
    [
        lambda p: p,
        lambda p: LineString([p, (p.x + 6, p.y + 2)]),
        lambda p: p.buffer(3),
    ],
    ids=["point", "line", "area"],
)
def test_any_shape_can_be_marked_and_is_what_the_next_map_reads(farm: Path, shape: Any) -> None:
    marked: BaseGeometry = shape(place(farm))
    hazard_id = mark(farm, "obstacle", marked, seen_at=NOW)
    read = {h.hazard_id: h for h in open_farm(farm, Settings(), NOW).hazards}
    assert read[hazard_id].shape.hausdorff_distance(marked) < 1e-6


def test_longitude_and_latitude_come_to_the_farms_own_crs(farm: Path) -> None:
    from made import METRIC
    from pyproj import Transformer

    where = place(farm)
    lon, lat = Transformer.from_crs(METRIC.to_wkt(), 4326, always_xy=True).transform(where.x, where.y)
    hazard_id = mark(farm, "slip", Point(lon, lat), lonlat=True)
    (found,) = [h for h in open_farm(farm, Settings()).hazards if h.hazard_id == hazard_id]
    assert found.shape.distance(where) < 0.001


def test_a_retired_hazard_stays_on_file_and_off_the_map(farm: Path) -> None:
    before = rows(farm, "SELECT count(*) FROM hazards")
    retire(farm, SPOT, "Runa", NOW)
    assert rows(farm, "SELECT count(*) FROM hazards") == before
    assert rows(farm, "SELECT retired_by FROM hazards WHERE hazard_id = ?", SPOT) == [("Runa",)]
    assert SPOT in {h.hazard_id for h in open_farm(farm, Settings(), NOW - HOUR).hazards}
    assert SPOT not in {h.hazard_id for h in open_farm(farm, Settings(), NOW).hazards}
    with pytest.raises(RowError, match=r"was retired before, on 2026-05-04\.$"):
        retire(farm, SPOT, "Runa", NOW + HOUR)


def test_what_a_change_overwrote_can_be_read_again(farm: Path) -> None:
    retire(farm, SPOT, "Runa", NOW)
    assert states_at(farm, NOW) == {}
    (before,) = states_at(farm, NOW - HOUR).values()
    assert before.existed
    assert before.cells == {"retired_at": None, "retired_by": None}


def test_a_storm_ends_releases_and_a_release_after_it_holds(farm: Path) -> None:
    assert [r.field_id for r in open_farm(farm, Settings(), NOW).releases] == ["F01"]
    storm(farm, NOW, "hail")
    assert open_farm(farm, Settings(), NOW + HOUR).releases == ()
    assert release(farm, ["F02", "F03"], "damp", NOW + 9 * HOUR, "Runa", NOW + HOUR) == ("F02", "F03")
    held = open_farm(farm, Settings(), NOW + 2 * HOUR).releases
    assert [(r.field_id, r.ground, r.until) for r in held] == [
        ("F02", "damp", NOW + 9 * HOUR),
        ("F03", "damp", NOW + 9 * HOUR),
    ]
    assert release(farm, "all", "firm", NOW + 9 * HOUR, "Runa", NOW + 2 * HOUR) == ("F01", "F02", "F03", "F04")


def test_fields_released_since_the_storm_are_named_as_it_is_written_down(farm: Path) -> None:
    """They stay released: nobody is to be told that none is."""
    told: list[str] = []
    one, *_ = release(farm, "all", "damp", NOW + timedelta(hours=9), "Runa", at=NOW - timedelta(hours=2))
    release(farm, one, "damp", NOW + timedelta(hours=9), "Runa", at=NOW)
    storm(farm, NOW - timedelta(hours=1), "hail", now=NOW + timedelta(hours=1), tell=told.append)
    (sentence,) = told
    assert sentence.startswith(
        f"released since it passed, and still released: {one}; if they are not to be driven"
    )
    told.clear()
    storm(farm, NOW + timedelta(hours=1), "hail", now=NOW + timedelta(hours=1), tell=told.append)
    assert told == []
    release(farm, one, "damp", NOW + timedelta(hours=3), "Runa", at=NOW + timedelta(hours=2))
    storm(farm, NOW + timedelta(hours=1), "hail", now=NOW + timedelta(hours=4), tell=told.append)
    assert told == []  # it has run out


def test_a_release_still_to_come_is_none_as_a_storm_is_written_down(farm: Path) -> None:
    """As on the map: it opens nothing, and what it follows no longer holds."""
    told: list[str] = []
    release(farm, "all", "damp", NOW + timedelta(hours=9), "Runa", at=NOW + timedelta(minutes=5))
    storm(farm, NOW - timedelta(hours=1), "hail", now=NOW, tell=told.append)
    assert told == []
    storm(farm, NOW - timedelta(hours=1), "hail", now=NOW + timedelta(minutes=6), tell=told.append)
    assert [sentence.startswith("released since it passed") for sentence in told] == [True]


def test_a_time_without_zone_is_the_clock_on_the_wall(farm: Path) -> None:
    local = datetime(2026, 5, 4, 8, 0)
    storm(farm, local)
    told = rows(farm, "SELECT passed_at FROM storms ORDER BY fid DESC LIMIT 1")[0][0]
    assert datetime.fromisoformat(told) == local.astimezone(UTC)


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ({"kind": "swamp"}, r"kind is 'swamp'; it is one of wet_spot, "),
        ({"severity": 0}, r"severity is 0; it is 1, 2 or 3"),
        ({"reach_m": float("nan")}, r"reach_m is nan m"),
        ({"accuracy_m": -1.0}, r"accuracy_m is -1 m; it lies between 0 and 1000"),
        ({"note": "x" * 501}, r"note has 501 characters"),
        ({"by": "a\x1b[2J"}, r"by holds control characters"),
        ({"geometry": Polygon()}, r"geometry is empty"),
        ({"geometry": Point(12.0, 46.0)}, r"more than 1000 m from every field; check the order"),
        ({"geometry": Point(46.0, 12.0), "lonlat": True}, r"which are taken as longitude, latitude"),
        ({"geometry": Point(4e6, 91.0), "lonlat": True}, r"has no place in"),
    ],
)
def test_a_mark_that_cannot_be_meant_changes_nothing(farm: Path, told: dict[str, Any], why: str) -> None:
    before = farm.read_bytes()
    with pytest.raises(RowError, match=why):
        mark(farm, **{"kind": "slip", "geometry": place(farm), **told})
    assert farm.read_bytes() == before


def test_a_place_far_off_is_told_digit_by_digit_and_degrees_are_known(farm: Path) -> None:
    with pytest.raises(RowError, match=r"the mark at 600000\.5, 5300123\.25 lies more than 1000 m .* zone 32N\.$"):
        mark(farm, "slip", Point(600000.5, 5300123.25))
    with pytest.raises(RowError, match=r"zone 32N; longitude and latitude want --lonlat\.$"):
        mark(farm, "slip", Point(10.3, 46.9))


@pytest.mark.parametrize(("days", "told"), [(31, False), (396, True)])
def test_a_release_for_a_year_gets_a_word(farm: Path, days: int, told: bool) -> None:
    said: list[str] = []
    until = NOW + timedelta(days=days)
    assert release(farm, ["F01"], "firm", until, "Runa", at=NOW, tell=said.append) == ("F01",)
    assert said == (
        [
            "released for 396 days, until 2027-06-04 06:00 UTC, and ground changes by the hour; if the date is a "
            "slip of the pen, release again with the right one"
        ]
        if told
        else []
    )


def test_a_release_that_cannot_be_meant_changes_nothing(farm: Path) -> None:
    before = farm.read_bytes()
    with pytest.raises(RowError, match=r"has no field 'F99'; see its fields"):
        release(farm, ["F01", "F99"], "firm", NOW + HOUR, "Runa", NOW)
    with pytest.raises(RowError, match=r"ground is 'dry'; it is one of firm, "):
        release(farm, "all", "dry", NOW + HOUR, "Runa", NOW)
    with pytest.raises(RowError, match=r"is not after"):
        release(farm, "all", "firm", NOW, "Runa", NOW)
    with pytest.raises(RowError, match=r"says not by whom"):
        release(farm, "all", "firm", NOW + HOUR, " ", NOW)
    with pytest.raises(RowError, match=r"names no field"):
        release(farm, [], "firm", NOW + HOUR, "Runa", NOW)
    with pytest.raises(RowError, match=r"has no hazard 'nothing'"):
        retire(farm, "nothing")
    assert farm.read_bytes() == before


def test_a_file_held_by_another_program_gets_a_wait_then_a_sentence(farm: Path) -> None:
    other = sqlite3.connect(farm, isolation_level=None)
    try:
        other.execute("BEGIN IMMEDIATE")
        begun = datetime.now(UTC)
        with pytest.raises(FarmFileError, match=r"another program holds it \(waited 0.4 s\); close it there"):
            mark(farm, "slip", place(farm), wait_s=0.4)
        assert (datetime.now(UTC) - begun).total_seconds() >= 0.4
        other.execute("ROLLBACK")
    finally:
        other.close()
    assert mark(farm, "slip", place(farm), wait_s=0.4)


def test_a_program_that_only_reads_is_waited_for_as_well(farm: Path) -> None:
    other = sqlite3.connect(farm, isolation_level=None)
    try:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM hazards").fetchone()
        before = rows(farm, "SELECT count(*) FROM hazards")
        with pytest.raises(FarmFileError, match=r"another program holds it"):
            mark(farm, "slip", place(farm), wait_s=0.3)
        other.execute("COMMIT")
        assert rows(farm, "SELECT count(*) FROM hazards") == before
    finally:
        other.close()


def test_a_file_left_in_write_ahead_mode_becomes_one_plain_file(farm: Path) -> None:
    run(farm, "PRAGMA journal_mode = WAL")
    mark(farm, "slip", place(farm))
    assert rows(farm, "PRAGMA journal_mode") == [("delete",)]
    assert sorted(p.name for p in farm.parent.iterdir()) == ["farm.gpkg"]


def test_a_file_that_another_program_reads_in_write_ahead_mode_takes_the_mark(farm: Path) -> None:
    run(farm, "PRAGMA journal_mode = WAL")
    other = sqlite3.connect(farm, isolation_level=None)
    try:
        other.execute("BEGIN")
        before = other.execute("SELECT count(*) FROM hazards").fetchone()[0]
        mark(farm, "slip", place(farm), wait_s=0.5)
        assert other.execute("SELECT count(*) FROM hazards").fetchone()[0] == before
        other.execute("COMMIT")
        assert other.execute("SELECT count(*) FROM hazards").fetchone()[0] == before + 1
    finally:
        other.close()
    assert sorted(p.name for p in farm.parent.iterdir()) == ["farm.gpkg"]


HOSTILE = {
    "a view in place of the layer": (
        "ALTER TABLE hazards RENAME TO hidden; CREATE VIEW hazards AS SELECT * FROM hidden;",
        LayerError,
        r"layer 'hazards': is a view; export it as a plain table",
    ),
    "a trigger that deletes": (
        "CREATE TRIGGER x AFTER INSERT ON hazards BEGIN DELETE FROM parcels; END;",
        FarmFileError,
        r"its trigger or view 'x' wants to delete from 'parcels'",
    ),
    "a trigger that retires": (
        "CREATE TRIGGER x AFTER INSERT ON hazards BEGIN UPDATE hazards SET retired_at = '2000-01-01'; END;",
        FarmFileError,
        r"its trigger or view 'x' wants to change 'hazards'",
    ),
    "a trigger that releases": (
        "CREATE TRIGGER x AFTER INSERT ON hazards BEGIN INSERT INTO releases (field_id) VALUES ('F02'); END;",
        FarmFileError,
        r"its trigger or view 'x' wants to add rows to 'releases'",
    ),
    "a trigger that never ends": (
        "CREATE TRIGGER x AFTER INSERT ON hazards BEGIN SELECT * FROM (WITH RECURSIVE a(n) AS "
        "(SELECT 1 UNION ALL SELECT n + 1 FROM a) SELECT max(n) FROM a); END;",
        FarmFileError,
        r"wants to run a loop",
    ),
    "a trigger that swallows": (
        "CREATE TRIGGER x BEFORE INSERT ON hazards BEGIN SELECT RAISE(IGNORE); END;",
        LayerError,
        r"layer 'hazards': a trigger of the file swallows new rows",
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_file_made_to_do_harm_is_left_as_it_is(farm: Path, name: str) -> None:
    where = place(farm)
    script, error, why = HOSTILE[name]
    run(farm, script)
    before = farm.read_bytes()
    with pytest.raises(error, match=why):
        mark(farm, "slip", where, wait_s=0.5)
    assert farm.read_bytes() == before


def test_a_trigger_that_does_no_harm_may_run(farm: Path) -> None:
    run(
        farm,
        "CREATE TABLE diary (told TEXT); ALTER TABLE hazards ADD COLUMN edited_at TEXT;"
        "CREATE TRIGGER x AFTER INSERT ON hazards BEGIN INSERT INTO diary VALUES (NEW.hazard_id);"
        "UPDATE hazards SET edited_at = 'now' WHERE fid = NEW.fid; END;",
    )
    hazard_id = mark(farm, "slip", place(farm))
    assert rows(farm, "SELECT told FROM diary") == [(hazard_id,)]
    assert rows(farm, "SELECT edited_at FROM hazards WHERE hazard_id = ?", hazard_id) == [("now",)]


def test_a_file_that_is_no_farm_file_gets_a_sentence(tmp_path: Path, farm: Path) -> None:
    with pytest.raises(FarmFileError, match=r"is not there; check the name|cannot be opened"):
        retire(tmp_path / "none.gpkg", SPOT)
    text = tmp_path / "text.gpkg"
    text.write_text("hello")
    with pytest.raises(FarmFileError, match=r"is not a GeoPackage"):
        retire(text, SPOT)
    short = tmp_path / "short.gpkg"
    short.write_bytes(farm.read_bytes()[:5000])
    with pytest.raises(FarmFileError, match=r"is cut off"):
        retire(short, SPOT)
