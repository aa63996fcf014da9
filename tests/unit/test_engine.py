"""The whole path: a farm file in, an atlas out, the same bytes for the same input, and never half of one."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import quick_farm
from farm_files import farm_file, fields, patch
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from atlas import engine
from atlas.editions.beside import Beside, beside
from atlas.errors import AtlasError, OutputError
from atlas.farm import change
from atlas.settings import parse

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)


def data(atlas: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((atlas / "data" / "atlas.json").read_bytes())
    return loaded


def files(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


@pytest.fixture
def farm(small_farm_file: Path, tmp_path: Path) -> Path:
    return Path(shutil.copyfile(small_farm_file, tmp_path / "farm.gpkg"))


def test_everything_of_the_design_is_there(small_atlas: Path) -> None:
    for name in ("index.html", "machines.html", "data/atlas.json", "data/atlas.gpkg", "data/hazards.gpx"):
        assert (small_atlas / name).is_file(), name
    for field in data(small_atlas)["fields"]:
        assert (small_atlas / field["page"]).is_file()


def test_the_public_interface_has_its_keys(small_atlas: Path) -> None:
    d = data(small_atlas)
    assert d["format"] == "field-atlas/1"
    assert d["edition"]["number"] == 1
    assert d["edition"]["issued_at"] == "2026-05-03T06:00:00Z"
    assert d["farm"]["crs"] == "EPSG:25832"
    assert d["terrain"] == {**d["terrain"], "cell_m": 1.0, "breaks_pct": [18.0, 35.0, 50.0]}
    field = d["fields"][0]
    assert set(field) >= {
        "field_id", "name", "page", "area_m2", "surface_m2", "elevation", "slope", "hazards", "hand_work", "drops",
        "driving",
    }  # fmt: skip
    assert set(field["slope"]) >= {"mean_pct", "p95_pct", "max_pct", "unsurveyed_m2", "classes"}
    assert set(field["slope"]["classes"][0]) == {"over_pct", "upto_pct", "area_m2", "merged_m2"}
    assert field["slope"]["classes"][-1]["upto_pct"] is None
    assert set(field["driving"][0]) == {
        "machine", "ground", "driver", "any_way_m2", "up_down_m2", "on_foot_m2", "keep_out_m2", "unsurveyed_m2",
        "cut_off_m2", "no_turn_m2",
    }  # fmt: skip


def test_another_farm_s_atlas_is_not_written_over(farm: Path, tmp_path: Path) -> None:
    """`--out build` is the same folder for whatever farm is built from there."""
    out = tmp_path / "build"
    engine.build(farm, out, now=MAY_3)
    before = files(out)
    (tmp_path / "other").mkdir()
    other = farm_file(tmp_path / "other", "neighbour.gpkg", fields([patch(300, 200, 60, 60)]))
    why = r"build: holds map 1 of another farm: none .* where one of neighbour\.gpkg does; name another folder"
    with pytest.raises(OutputError, match=why):
        engine.build(other, out, now=MAY_3)
    assert files(out) == before
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith((".", "build"))) == ["build"]


@pytest.mark.parametrize("places", [None, "far", [["x", 1]], [[1e9, 1e9]]])
def test_an_atlas_that_does_not_say_where_it_lies_is_taken_for_ours(
    farm: Path, tmp_path: Path, places: object
) -> None:
    out = tmp_path / "build"
    engine.build(farm, out, now=MAY_3)
    state = out / "data" / "state" / "edition.json"
    told = json.loads(state.read_bytes())
    assert len(told["places"]) == 4
    state.write_text(json.dumps({**told, "places": places}))
    assert engine.build(farm, out, now=MAY_3).unchanged


def test_areas_add_up(small_atlas: Path) -> None:
    for field in data(small_atlas)["fields"]:
        area = field["area_m2"]
        assert area == pytest.approx(44.0**2, rel=1e-9)
        slope = field["slope"]
        for key in ("area_m2", "merged_m2"):
            total = sum(c[key] for c in slope["classes"]) + slope["unsurveyed_m2"]
            assert total == pytest.approx(area, rel=1e-6)
        for d in field["driving"]:
            zones = ("any_way_m2", "up_down_m2", "on_foot_m2", "keep_out_m2", "unsurveyed_m2")
            assert sum(d[z] for z in zones) == pytest.approx(area, rel=1e-6)
            assert 0 <= d["cut_off_m2"] <= d["any_way_m2"] + d["up_down_m2"] + 1e-6
            assert 0 <= d["no_turn_m2"] <= d["up_down_m2"] + 1e-6


def test_steeper_fields_have_more_closed_ground(small_atlas: Path) -> None:
    """The upper row of the small farm is far steeper than the lower one."""
    fields = {f["field_id"]: f for f in data(small_atlas)["fields"]}
    assert fields["F04"]["slope"]["mean_pct"] > fields["F03"]["slope"]["mean_pct"] + 10

    def open_share(field_id: str) -> float:
        drives = fields[field_id]["driving"]
        open_m2 = sum(float(d["any_way_m2"]) for d in drives)
        return open_m2 / (len(drives) * float(fields[field_id]["area_m2"]))

    assert open_share("F04") < open_share("F03")


def test_the_same_input_gives_the_same_bytes(farm: Path, small_atlas: Path, tmp_path: Path) -> None:
    engine.build(farm, tmp_path / "again", now=MAY_3, jobs=1)
    assert files(tmp_path / "again") == files(small_atlas)


def test_two_processes_give_the_same_bytes(farm: Path, small_atlas: Path, tmp_path: Path) -> None:
    engine.build(farm, tmp_path / "two", now=MAY_3, jobs=2)
    assert files(tmp_path / "two") == files(small_atlas)


def test_paper_bound_in_a_process_of_its_own_is_the_same_and_none_is_started_for_nothing(
    farm: Path, small_atlas: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[bool] = []
    start = beside

    def noted(worth_it: bool, warm: Callable[[], None]) -> AbstractContextManager[Beside]:
        asked.append(worth_it)
        return start(worth_it, warm)

    monkeypatch.setattr(engine, "beside", noted)
    monkeypatch.setattr(engine, "MANY_FIELDS", 2)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    engine.build(farm, tmp_path / "build", now=MAY_3, jobs=2)
    assert asked == [True]
    assert files(tmp_path / "build") == files(small_atlas)
    assert (tmp_path / "build" / "print" / "atlas.pdf").exists()
    assert engine.build(farm, tmp_path / "build", now=MAY_3 + timedelta(hours=1), jobs=2).unchanged
    assert asked == [True]


def test_nothing_changed_leaves_the_atlas_untouched(farm: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    engine.build(farm, out, now=MAY_3, jobs=1)
    before = files(out)
    report = engine.build(farm, out, now=MAY_3 + timedelta(hours=1), jobs=1)
    assert report.unchanged
    assert report.edition.number == 1
    assert files(out) == before


def test_one_marked_field_is_the_only_page_written_anew(farm: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    engine.build(farm, out, now=MAY_3, jobs=1)
    before = files(out)
    pages = {f["field_id"]: f["page"] for f in data(out)["fields"]}
    change.mark(farm, "wet_spot", field(farm, "F04").representative_point(), severity=3, seen_at=MAY_3)
    report = engine.build(farm, out, now=MAY_3 + timedelta(hours=1), jobs=1)
    after = files(out)
    assert report.edition.number == 2
    assert report.rewritten == (Path(pages["F04"]).stem,)
    assert {p for p in pages.values() if after[p] != before[p]} == {pages["F04"]}
    assert after["machines.html"] == before["machines.html"]
    assert after["assets/edition.js"] != before["assets/edition.js"]
    assert "Map 2" in after[pages["F04"]].decode()
    assert "Map 1" in after[pages["F01"]].decode()


def test_a_hazard_and_a_way_in_far_from_every_field_make_a_new_map(farm: Path, tmp_path: Path) -> None:
    """They are on no sheet, but in the files for receivers and on the overview."""
    out, fresh, settings = tmp_path / "build", tmp_path / "fresh", quick_farm.settings()
    engine.build(farm, out, settings=settings, now=MAY_3, jobs=1)
    west, south, *_ = field(farm, "F01").bounds
    away = Point(west - 300, south - 300)
    hazard_id = change.mark(farm, "obstacle", away, seen_at=MAY_3, settings=settings, now=MAY_3)
    report = engine.build(farm, out, settings=settings, now=MAY_3 + timedelta(hours=1), jobs=1)
    assert (report.edition.number, report.rewritten) == (2, ())
    assert hazard_id in (out / "data" / "hazards.geojson").read_text()
    for number, metres in enumerate((60, 90), start=3):
        gates = gpd.read_file(farm, layer="ways_in")
        gates.loc[0, "geometry"] = Point(west - metres, south)
        gates.to_file(farm, layer="ways_in", driver="GPKG")
        then = MAY_3 + timedelta(hours=number)
        assert engine.build(farm, out, settings=settings, now=then, jobs=1).edition.number == number
    engine.build(farm, fresh, settings=settings, now=then, jobs=1)
    old, new = files(out), files(fresh)
    assert old["data/hazards.gpx"] == new["data/hazards.gpx"]
    drawn = re.compile(rb"<svg.*?</svg>", re.DOTALL)
    assert drawn.findall(old["index.html"]) == drawn.findall(new["index.html"]) != []


def test_a_neighbour_with_a_new_name_changes_the_maps_that_show_it(farm: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    engine.build(farm, out, now=MAY_3, jobs=1)
    rename(farm, "F02", "Other name")
    engine.build(farm, out, now=MAY_3 + timedelta(hours=1), jobs=1)
    pages = {f["field_id"]: f["page"] for f in data(out)["fields"]}
    assert "Other name" in (out / pages["F02"]).read_text()
    assert "Other name" in (out / pages["F01"]).read_text()


def test_a_failed_build_leaves_the_atlas_that_was_there(farm: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    engine.build(farm, out, now=MAY_3, jobs=1)
    before = files(out)
    farm.write_bytes(farm.read_bytes()[: farm.stat().st_size // 2])
    with pytest.raises(AtlasError, match=r"farm\.gpkg"):
        engine.build(farm, out, now=MAY_3, jobs=1)
    assert files(out) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["build", "farm.gpkg"]


def test_a_folder_with_papers_in_it_is_refused(farm: Path, tmp_path: Path) -> None:
    (tmp_path / "papers").mkdir()
    (tmp_path / "papers" / "taxes.txt").write_text("mine")
    with pytest.raises(OutputError, match="taxes"):
        engine.build(farm, tmp_path / "papers", now=MAY_3, jobs=1)
    assert [p.name for p in (tmp_path / "papers").iterdir()] == ["taxes.txt"]


def test_building_does_not_change_the_farm_file(farm: Path, tmp_path: Path) -> None:
    before = farm.read_bytes()
    engine.build(farm, tmp_path / "build", now=MAY_3, jobs=1)
    assert farm.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["build", "farm.gpkg"]


def test_coarse_terrain_gets_slope_classes_and_no_zones(farm: Path, tmp_path: Path) -> None:
    settings = parse({"terrain": {"zones_up_to_cell_m": 0.5}})
    engine.build(farm, tmp_path / "build", settings=settings, now=MAY_3, jobs=1)
    field = data(tmp_path / "build")["fields"][0]
    assert field["driving"] == []
    assert "0.5" in field["no_zones_because"]
    assert sum(c["area_m2"] for c in field["slope"]["classes"]) > 0
    page = (tmp_path / "build" / field["page"]).read_text()
    assert "within this machine" not in page


def field(path: Path, field_id: str) -> BaseGeometry:
    parcels = gpd.read_file(path, layer="parcels")
    shape: BaseGeometry = parcels.geometry[parcels["field_id"] == field_id].iloc[0]
    return shape


def rename(path: Path, field_id: str, name: str) -> None:
    """Another program changes one name: without the spatial triggers, which need functions sqlite3 lacks."""
    with sqlite3.connect(path) as db:
        triggers = db.execute(
            "select name, sql from sqlite_master where type='trigger' and tbl_name='parcels'"
        ).fetchall()
        for trigger, _ in triggers:
            db.execute(f'drop trigger "{trigger}"')
        db.execute("update parcels set name=? where field_id=?", (name, field_id))
        for _, sql in triggers:
            db.execute(sql)
    db.close()
