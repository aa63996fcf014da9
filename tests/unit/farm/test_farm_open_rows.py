"""Rows become records: defaults, what holds on a day, what is mended and what is refused."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from farm_files import CRS, NORTH, WEST, farm_file, fields, marks, patch
from shapely.geometry import GeometryCollection, LineString, MultiPoint, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from atlas.errors import LayerError, RowError, TerrainError
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.farm.records import HAZARD_KINDS
from atlas.settings import COLUMNS, Settings, parse

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


def opened(folder: Path, as_of: datetime | None = None, settings: Settings | None = None, **layers: Any) -> Farm:
    return open_farm(farm_file(folder, **layers), settings or Settings(), as_of)


def said(farm: Farm, layer: str) -> str:
    return " | ".join(f"{r.row}: {r.text}" for r in farm.remarks if r.layer == layer)


def place(i: int) -> Point:
    return Point(WEST + 30 + 10 * i, NORTH - 50)


def test_every_column_that_settings_know_is_one_of_ours() -> None:
    from atlas.farm.schema import VECTOR_LAYERS

    assert set(COLUMNS) == {column for layer in VECTOR_LAYERS for column in layer.columns}


def test_parcels_come_out_as_written(tmp_path: Path) -> None:
    hole = patch(20, 20, 100, 80).difference(patch(50, 50, 10, 10))
    many = MultiPolygon([patch(150, 20, 20, 20), patch(180, 20, 20, 20)])
    farm = opened(
        tmp_path,
        parcels=fields(
            [hole, many],
            name=["Upper <b>meadow</b>", None],
            use=["meadow", "pasture"],
            note=["'quoted'", None],
            first_pass=["from below", None],
            farm=[None, "East"],
        ),
    )
    one, two = farm.parcels
    assert (one.field_id, one.name, one.use, one.note) == ("F1", "Upper <b>meadow</b>", "meadow", "'quoted'")
    assert (one.first_pass, one.farm, one.slug) == ("from below", "", "upper-b-meadow-b")
    assert one.shape.equals(hole)
    assert (two.name, two.slug, two.farm) == ("F2", "f2", "East")
    assert two.shape.equals(many)


def test_the_farm_is_called_as_settings_say_or_as_its_file(tmp_path: Path) -> None:
    path = farm_file(tmp_path, "Steinleiten.gpkg")
    assert open_farm(path, Settings()).name == "Steinleiten"
    assert open_farm(path, parse({"farm": {"name": "Upper farm"}})).name == "Upper farm"


@pytest.mark.parametrize(
    ("columns", "match"),
    [
        ({"field_id": ["A", None]}, "layer 'parcels', row 2: has no field_id"),
        ({"field_id": ["A", "  "]}, "layer 'parcels', row 2: has no field_id"),
        ({"field_id": ["A", "A"]}, "row 1: field_id 'A' stands 2 times"),
        ({"field_id": ["A", " A "]}, "row 1: field_id 'A' stands 2 times"),
    ],
)
def test_ids_are_there_and_differ(tmp_path: Path, columns: dict[str, Any], match: str) -> None:
    with pytest.raises(RowError, match=match):
        opened(tmp_path, parcels=fields(**columns))


def test_ids_that_are_paths_or_differ_only_in_case_get_harmless_slugs(tmp_path: Path) -> None:
    ids = [
        "../../etc/passwd",
        "/abs",
        "C:\\x",
        "a",
        "A",
        "con",
        "..",
        "名",
        "x" * 300,
        "X" * 300,
        "<img src=x>",
        "ä b",
    ]
    farm = opened(
        tmp_path, parcels=fields([patch(10 + 20 * i, 20, 15, 15) for i in range(len(ids))], field_id=ids)
    )
    slugs = [p.slug for p in farm.parcels]
    assert [p.field_id for p in farm.parcels] == ids
    assert len({s.lower() for s in slugs}) == len(ids)
    for slug in slugs:
        assert slug.isascii()
        assert 0 < len(slug) <= 40
        assert all(c.isalnum() or c == "-" for c in slug)
    assert slugs[:5] == ["etc-passwd", "abs", "c-x", "a", "a-2"]
    assert "con" not in slugs


@pytest.mark.parametrize(
    ("shape", "match"),
    [
        (None, "row 2: has no outline"),
        (Polygon(), "row 2: has no outline"),
        (
            Polygon([(WEST, NORTH), (WEST + 9, NORTH), (WEST + 4, NORTH)]),
            "row 2: is a MultiLineString and not an area",
        ),
    ],
)
def test_a_parcel_without_an_area_is_refused(tmp_path: Path, shape: BaseGeometry | None, match: str) -> None:
    with pytest.raises(RowError, match=match):
        opened(tmp_path, parcels=fields([patch(20, 20, 50, 50), shape]))


def test_a_bow_tie_is_mended_and_said(tmp_path: Path) -> None:
    w, n = WEST + 20, NORTH - 20
    tie = Polygon([(w, n), (w + 40, n - 40), (w + 40, n), (w, n - 40)])
    farm = opened(tmp_path, parcels=fields([tie]))
    assert farm.parcels[0].shape.is_valid
    assert farm.parcels[0].shape.area == pytest.approx(2 * 400)
    assert "1: its outline was mended (self-intersection)" in said(farm, "parcels")


def test_mending_that_leaves_lines_keeps_the_areas(tmp_path: Path) -> None:
    w, n = WEST + 20, NORTH - 20
    spike = Polygon([(w, n), (w + 40, n), (w + 40, n - 40), (w + 90, n - 40), (w + 40, n - 40), (w, n - 40)])
    assert isinstance(shapely.make_valid(spike), GeometryCollection)
    assert opened(tmp_path, parcels=fields([spike])).parcels[0].shape.area == pytest.approx(1600)


def test_heights_and_measures_on_outlines_are_dropped(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    frame = fields([shapely.force_3d(patch(20, 20, 50, 50), 812.0)])
    frame.to_file(path, layer="parcels", driver="GPKG", engine="pyogrio", mode="w")
    shape = open_farm(path, Settings()).parcels[0].shape
    assert not shape.has_z
    assert shape.area == pytest.approx(2500)


def test_hazards_get_their_defaults_and_say_so(tmp_path: Path) -> None:
    farm = opened(
        tmp_path,
        hazards=marks([place(i) for i in range(len(HAZARD_KINDS))], kind=list(HAZARD_KINDS), note=["<i>"] * 7),
    )
    assert [h.kind for h in farm.hazards] == list(HAZARD_KINDS)
    assert {h.kind: h.reach_m for h in farm.hazards} == {
        kind: 3.0 if kind == "forest_edge" else 5.0 for kind in HAZARD_KINDS
    }
    assert {(h.accuracy_m, h.severity, h.depth_m) for h in farm.hazards} == {(2.0, 2, None)}
    assert {h.assumed for h in farm.hazards} == {("reach_m", "accuracy_m", "severity")}
    assert "reach_m is empty; 5 m is kept away (3 m from a forest edge)" in said(farm, "hazards")
    assert not any(h.unconfirmed for h in farm.hazards)


def test_hazards_keep_what_is_given(tmp_path: Path) -> None:
    farm = opened(
        tmp_path,
        hazards=marks(
            [LineString([place(0), place(3)]), patch(30, 30, 5, 5), MultiPoint([place(1), place(2)])],
            kind=["unstable_bank", "WET_SPOT", "forest edge"],
            severity=[1, 3, 2],
            reach_m=[0.0, 7.5, 1.0],
            accuracy_m=[0.5, 0.0, 3.0],
            depth_m=[2.5, None, None],
            photo=[b"\xff\xd8bytes", None, b""],
            seen_at=["2026-05-01T06:00:00+02:00", NOON, None],
            seen_by=["A. Worker", None, None],
        ),
    )
    bank, wet, edge = farm.hazards
    assert (bank.depth_m, bank.reach_m, bank.accuracy_m, bank.photo) == (2.5, 0.0, 0.5, b"\xff\xd8bytes")
    assert bank.seen_at == datetime(2026, 5, 1, 4, tzinfo=UTC)
    assert (wet.kind, wet.severity, wet.seen_at, wet.photo) == ("wet_spot", 3, NOON, None)
    assert (edge.kind, edge.photo, edge.assumed) == ("forest_edge", None, ())


@pytest.mark.parametrize(
    ("columns", "match"),
    [
        ({"kind": ["swamp"]}, "row 1: kind is 'swamp'; it is one of wet_spot"),
        ({"kind": [None]}, "row 1: kind is ''"),
        ({"severity": [4]}, "severity is 4; it is 1, 2 or 3"),
        ({"severity": [0]}, "severity is 0; it is 1, 2 or 3"),
        ({"reach_m": [-1.0]}, "reach_m is -1 m; it lies between 0 and 1000"),
        ({"accuracy_m": [5000.0]}, "accuracy_m is 5000 m; it lies between 0 and 1000"),
        ({"depth_m": [-2.0]}, "depth_m is -2; write how deep"),
    ],
)
def test_a_hazard_that_cannot_be_meant_stops(tmp_path: Path, columns: dict[str, Any], match: str) -> None:
    with pytest.raises(RowError, match=match):
        opened(tmp_path, hazards=marks([place(0)], **columns))


def test_a_hazard_without_a_place_or_with_anothers_id_stops(tmp_path: Path) -> None:
    with pytest.raises(RowError, match="row 1: has no place; draw it or retire it"):
        opened(tmp_path, hazards=marks([None]))
    with pytest.raises(RowError, match="row 2: hazard_id 'M' stands twice"):
        opened(tmp_path, hazards=marks([place(0), place(1)], hazard_id=["M", "M"]), overwrite=True)


def test_only_what_was_known_and_not_yet_gone_holds(tmp_path: Path) -> None:
    day = timedelta(days=1)
    path = farm_file(
        tmp_path,
        hazards=marks(
            [place(i) for i in range(4)],
            seen_at=[NOON - day, NOON, NOON + day, None],
            retired_at=[NOON, None, None, NOON + day],
        ),
    )

    def held(when: datetime) -> list[str]:
        return [h.hazard_id for h in open_farm(path, Settings(), when).hazards]

    second = timedelta(seconds=1)
    assert held(NOON - day - second) == ["M4"]
    assert held(NOON - second) == ["M1", "M4"]
    assert held(NOON) == ["M2", "M4"]  # gone at noon is gone, seen at noon is there
    assert held(NOON + day) == ["M2", "M3"]


def storm(*times: datetime) -> pd.DataFrame:
    return pd.DataFrame({"storm_id": [f"S{i}" for i in range(len(times))], "passed_at": list(times)})


def test_after_a_storm_wet_spots_and_banks_seen_before_are_unconfirmed(tmp_path: Path) -> None:
    second = timedelta(seconds=1)
    path = farm_file(
        tmp_path,
        storms=storm(NOON, NOON - timedelta(days=30), NOON + timedelta(days=9)),
        hazards=marks(
            [place(i) for i in range(5)],
            kind=["wet_spot", "wet_spot", "unstable_bank", "obstacle", "wet_spot"],
            seen_at=[NOON - second, NOON, None, None, None],
            severity=[1, 1, 1, 1, 3],
        ),
    )
    farm = open_farm(path, Settings(), NOON + timedelta(days=1))
    assert [h.unconfirmed for h in farm.hazards] == [True, False, True, False, True]
    assert [h.severity for h in farm.hazards] == [1, 1, 1, 1, 3]  # as recorded; driving counts it worse
    assert [s.storm_id for s in farm.storms] == ["S1", "S0"]
    before = open_farm(path, Settings(), NOON - timedelta(days=60))
    assert before.storms == ()
    assert not any(h.unconfirmed for h in before.hazards)


def release(field: str, ground: str, at: datetime, until: datetime) -> dict[str, Any]:
    return {"field_id": field, "ground": ground, "released_by": "lead", "released_at": at, "until": until}


def test_the_last_release_after_the_last_storm_holds_until_it_runs_out(tmp_path: Path) -> None:
    hour = timedelta(hours=1)
    rows = [
        release("F1", "firm", NOON - 5 * hour, NOON + 99 * hour),  # before the storm
        release("F1", "damp", NOON + hour, NOON + 9 * hour),
        release("F1", "firm", NOON + 3 * hour, NOON + 6 * hour),
        release("F2", "firm", NOON, NOON + 9 * hour),  # at the very moment of the storm: not after it
    ]
    path = farm_file(tmp_path, storms=storm(NOON), releases=pd.DataFrame(rows))

    def ground(when: datetime) -> dict[str, str]:
        return {r.field_id: r.ground for r in open_farm(path, Settings(), when).releases}

    assert ground(NOON - 4 * hour) == {"F1": "firm"}
    assert ground(NOON) == {}
    assert ground(NOON + hour) == {"F1": "damp"}
    assert ground(NOON + 3 * hour) == {"F1": "firm"}
    assert ground(NOON + 6 * hour) == {}  # the last word ran out; the one before it does not come back


def test_a_release_that_is_not_whole_counts_for_nothing(tmp_path: Path) -> None:
    rows = [
        release("F1", "moist", NOON, NOON + timedelta(hours=9)),
        {**release("F2", "firm", NOON, NOON), "until": None},
    ]
    farm = opened(tmp_path, NOON + timedelta(hours=1), releases=pd.DataFrame(rows))
    assert farm.releases == ()
    assert "1: is left out: ground is 'moist'" in said(farm, "releases")
    assert "2: is left out: it needs field_id, released_at and until" in said(farm, "releases")


def test_a_storm_without_its_time_stops(tmp_path: Path) -> None:
    with pytest.raises(RowError, match="layer 'storms', row 1: passed_at is missing"):
        opened(tmp_path, storms=pd.DataFrame({"storm_id": ["S"], "passed_at": [None]}))


@pytest.mark.parametrize("kept_as", ["TEXT", "DATE"])
def test_a_storm_of_a_day_ends_what_was_seen_or_released_on_that_day(tmp_path: Path, kept_as: str) -> None:
    """A bare date is no minute past midnight: the storm may have come in the evening."""
    hour = timedelta(hours=1)
    seen = marks([place(0), place(30)], seen_at=[NOON - 5 * hour, NOON + 13 * hour])
    rows = [
        release("F1", "firm", NOON - 5 * hour, NOON + 99 * hour),
        release("F2", "firm", NOON + 13 * hour, NOON + 99 * hour),
    ]
    path = farm_file(tmp_path, hazards=seen, releases=pd.DataFrame(rows), storms=storm(NOON - 100 * hour))
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DROP TABLE storms")
        db.execute(f"CREATE TABLE storms (fid INTEGER PRIMARY KEY, storm_id TEXT, passed_at {kept_as}, note TEXT)")
        db.execute("INSERT INTO storms VALUES (1, 'S', ?, '')", (f"{NOON:%Y-%m-%d}",))
    same_day = open_farm(path, Settings(), NOON + hour)
    assert same_day.storms
    assert same_day.releases == ()
    assert [h.unconfirmed for h in same_day.hazards] == [True]
    next_day = open_farm(path, Settings(), NOON + 14 * hour)
    assert [r.field_id for r in next_day.releases] == ["F2"]
    assert [h.unconfirmed for h in next_day.hazards] == [True, False]
    assert "passed_at has no time" in said(next_day, "storms")


def change(path: Path, *statements: str) -> None:
    """Edit hazards as another program would, past the triggers that need functions only GDAL has."""
    with closing(sqlite3.connect(path)) as db, db:
        names = db.execute(
            "SELECT name FROM sqlite_master WHERE name LIKE 'rtree_hazards_geom_update%'"
        ).fetchall()
        for (name,) in names:
            db.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            db.execute(statement)


@pytest.mark.parametrize("told", ["2026-06-01 12:00:00", "2026-06-01T12:00:00"])
def test_times_without_a_zone_are_read_as_utc_and_said(tmp_path: Path, told: str) -> None:
    path = farm_file(tmp_path, hazards=marks([place(0)]))
    change(path, f"UPDATE hazards SET seen_at = '{told}'")
    farm = open_farm(path, Settings(), NOON)
    assert farm.hazards[0].seen_at == NOON
    assert "has no time zone and is read as UTC" in said(farm, "hazards")


def test_times_kept_as_text_are_read_or_refused(tmp_path: Path) -> None:
    path = farm_file(tmp_path, hazards=marks([place(0)]))
    change(path, "ALTER TABLE hazards RENAME COLUMN seen_at TO old", "ALTER TABLE hazards ADD COLUMN seen_at TEXT")
    for told, read in {
        "2026-06-01T14:00+02:00": NOON,
        "2026-06-01 12:00": NOON,
        "2026-06-01": NOON - timedelta(hours=12),
        "": None,
    }.items():
        change(path, f"UPDATE hazards SET seen_at = '{told}'")
        assert open_farm(path, Settings(), NOON).hazards[0].seen_at == read
    change(path, "UPDATE hazards SET seen_at = 'last week'")
    with pytest.raises(RowError, match="seen_at is 'last week', not a time like"):
        open_farm(path, Settings())


def gates(**columns: Any) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"way_in_id": ["G1", None], **columns}, geometry=[place(0), place(5)], crs=CRS)


def test_ways_in_come_out_as_written(tmp_path: Path) -> None:
    farm = opened(
        tmp_path,
        ways_in=gates(
            name=["Lower gate", None], width_m=[3.5, None], max_load_t=[None, 7.5], ambulance=[True, None]
        ),
    )
    one, two = farm.ways_in
    assert (one.way_in_id, one.name, one.width_m, one.max_load_t, one.ambulance) == (
        "G1",
        "Lower gate",
        3.5,
        None,
        True,
    )
    assert (two.way_in_id, two.width_m, two.max_load_t, two.ambulance) == ("ways_in-2", None, 7.5, False)


def test_optional_layers_may_be_missing(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    with closing(sqlite3.connect(path)) as db, db:
        for table in ("hazards", "ways_in", "storms", "releases"):
            for registry in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions", "gpkg_ogr_contents"):
                db.execute(f"DELETE FROM {registry} WHERE table_name = ?", (table,))
            db.execute(f'DROP TABLE "{table}"')
    farm = open_farm(path, Settings())
    assert (farm.hazards, farm.ways_in, farm.storms, farm.releases) == ((), (), (), ())
    assert len(farm.parcels) == 2


def test_a_column_setting_that_fits_nothing_stops(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match=r"columns\.field_id is 'NR', which no layer has"):
        opened(tmp_path, settings=parse({"columns": {"field_id": "NR"}}))


def test_a_field_as_large_as_a_country_stops_before_it_fills_the_memory(tmp_path: Path) -> None:
    giant = Polygon([(WEST, NORTH), (WEST + 40_000, NORTH), (WEST, NORTH - 40_000)])
    with pytest.raises(TerrainError, match="a field of 40 by 40 km is too large; set the CRS of its layer right"):
        opened(tmp_path, parcels=fields([giant]))


def test_a_coordinate_that_is_no_number_stops(tmp_path: Path) -> None:
    odd = Polygon([(WEST, NORTH), (WEST + 50, NORTH), (WEST + 50, float("nan")), (WEST, NORTH - 50)])
    with pytest.raises(RowError, match="row 1: has a coordinate that is no number"):
        opened(tmp_path, parcels=fields([odd]))


def test_what_is_said_of_a_row_is_said_of_its_own_field_whatever_the_ids(tmp_path: Path) -> None:
    """Ids are often numbers, and seldom those of the rows."""
    w, n = WEST + 20, NORTH - 20
    tie = Polygon([(w, n), (w + 40, n - 40), (w + 40, n), (w, n - 40)])
    farm = opened(
        tmp_path,
        parcels=fields([tie, patch(90, 20, 20, 20)], field_id=["2", "1"]),
        hazards=marks([place(1)], kind=["slip"], reach_m=[None]),
    )
    two, one = farm.parcels
    assert [r.text for r in farm.remarks_of(two)] == ["its outline was mended (self-intersection)"]
    assert farm.remarks_of(one) == ()
