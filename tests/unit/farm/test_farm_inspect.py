"""The report says everything that is there and everything that is wrong."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from farm_files import GAP, NORTH, WEST, farm_file, fields, hill_cells, marks, patch, write_tif
from rasterio.transform import from_origin
from shapely.geometry import Point, Polygon

from atlas.cli import main
from atlas.errors import RowError
from atlas.farm.inspecting import inspect
from atlas.farm.opening import open_farm
from atlas.settings import Settings, parse


def text(path: Path, settings: Settings | None = None) -> str:
    return "\n".join(inspect(path, settings or Settings()).lines())


def test_a_good_file_is_told_in_full(tmp_path: Path) -> None:
    z = hill_cells(from_origin(WEST, NORTH, 1, 1), 300, 400)
    z[20:60, 20:120] = GAP  # the upper half of the first field
    z[150, 160] = 20_000  # in the second
    path = farm_file(
        tmp_path,
        dem_tif=write_tif(tmp_path / "d.tif", z),
        dem_source="flown",
        hazards=marks([patch(30, 30, 9, 9)]),
    )
    report = inspect(path, parse({"terrain": {"date": "2025-10-01"}}))
    assert report.usable
    told = "\n".join(report.lines())
    for line in (
        "parcels                multipolygon  EPSG:25832  2 rows   read as parcels",
        "dem                    coverage      EPSG:25832  4 tiles  read as dem",
        "cell 1 × 1 m, 400 × 300 cells, EPSG:25832",
        "source: flown, date: 2025-10-01",
        "F1  F1  0.80 ha  50.0 %",
        "F2  F2  1.08 ha  99.9 %",
        "field 'F1': 50.0 % of it is measured; the rest counts as keep out.",
        "field 'F2': 1 height in or around it cannot be true and counts as not measured, the first at 600160.5, ",
        "layer 'hazards', row 1: reach_m is empty; 5 m is kept away",
        "Nothing stands in the way of a build.",
    ):
        assert line in told


def test_the_share_counts_cells_by_the_part_in_the_field(tmp_path: Path) -> None:
    """A triangle over a step from measured to not: the exact share is known."""
    z = np.full((300, 400), 500.0)
    z[:, 100:] = GAP
    triangle = Polygon([(WEST + 60, NORTH - 50), (WEST + 140, NORTH - 50), (WEST + 60, NORTH - 130)])
    path = farm_file(tmp_path, parcels=fields([triangle]), dem_tif=write_tif(tmp_path / "d.tif", z))
    (cover,) = inspect(path, Settings()).fields
    assert cover.share == pytest.approx(1 - (40 * 40 / 2) / (80 * 80 / 2), abs=1e-6)


def test_every_problem_is_named_with_layer_and_row(tmp_path: Path) -> None:
    w, n = WEST + 20, NORTH - 20
    tie = Polygon([(w, n), (w + 40, n - 40), (w + 40, n), (w, n - 40)])
    path = farm_file(
        tmp_path,
        parcels=fields([tie, None, patch(90, 20, 20, 20), patch(120, 20, 20, 20)], field_id=["A", "B", "C", "C"]),
        hazards=marks([Point(w, n), None, Point(w, n)], kind=["bog", "wet_spot", "slip"], severity=[1, 2, 9]),
        storms=pd.DataFrame({"storm_id": ["S"], "passed_at": [None]}),
        releases=pd.DataFrame(
            {
                "field_id": ["A"],
                "ground": ["mud"],
                "released_at": ["2026-05-01T00:00:00Z"],
                "until": ["2026-05-02T00:00:00Z"],
            }
        ),
    )
    report = inspect(path, Settings())
    assert not report.usable
    told = "\n".join(report.lines())
    for line in (
        "layer 'parcels', row 2: has no outline",
        "layer 'parcels', row 3: field_id 'C' stands 2 times",
        "layer 'parcels', row 4: field_id 'C' stands 2 times",
        "layer 'hazards', row 1: kind is 'bog'",
        "layer 'hazards', row 2: has no place",
        "layer 'hazards', row 3: severity is 9",
        "layer 'storms', row 1: passed_at is missing",
        "layer 'parcels', row 1: its outline was mended (self-intersection)",
        "layer 'releases', row 1: is left out: ground is 'mud'",
    ):
        assert line in told
    assert len(report.problems) == 7
    assert "Nothing stands in the way" not in told


def test_it_goes_on_where_the_terrain_is_missing_or_layers_are_in_doubt(tmp_path: Path) -> None:
    path = tmp_path / "f.gpkg"
    for name in ("east", "west"):
        pyogrio.write_dataframe(fields(field_id=["A", "A"]), path, layer=name, driver="GPKG", append=path.exists())
    report = inspect(path, Settings())
    assert len(report.problems) == 2
    assert "'east' and 'west' could all be the parcels" in report.problems[0]
    assert "holds no terrain model" in report.problems[1]
    assert "east" in "\n".join(report.lines())
    report = inspect(
        path, parse({"layers": {"parcels": "east", "ways_in": "gates"}, "columns": {"name": "NAME_X"}})
    )
    told = " | ".join(report.problems)
    for problem in (
        "no layer 'gates'",
        "columns.name is 'NAME_X'",
        "row 1: field_id 'A' stands 2 times",
        "no terrain",
    ):
        assert problem in told


def test_terrain_that_covers_nothing_is_a_problem(tmp_path: Path) -> None:
    assert "covers no parcel" in text(farm_file(tmp_path, parcels=fields([patch(5000, 5000, 50, 50)])))


def test_no_parcels_are_a_problem(tmp_path: Path) -> None:
    assert "layer 'parcels': holds no usable parcel" in text(farm_file(tmp_path, parcels=fields([])))


def test_a_bad_file_is_told_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "x.gpkg").write_text("no")
    report = inspect(tmp_path / "x.gpkg", Settings())
    assert not report.usable
    assert len(report.problems) == 1
    assert "is not a GeoPackage" in report.problems[0]


def test_a_page_that_fits_nowhere_is_a_problem(tmp_path: Path) -> None:
    """A page of the spatial index blanked: nothing we read needs it, yet the file is not whole."""
    path = farm_file(tmp_path)
    with closing(sqlite3.connect(path)) as db:
        sql = "SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_autoindex_field_atlas_tile_sums_1'"
        (page,) = db.execute(sql).fetchone()
    data = bytearray(path.read_bytes())
    data[(page - 1) * 4096 + 8 : page * 4096] = bytes(4096 - 8)
    path.write_bytes(data)
    report = inspect(path, Settings())
    assert any("is damaged" in problem for problem in report.problems)


def test_hazards_are_told_by_the_id_that_retires_them(tmp_path: Path) -> None:
    near = Point(WEST + 30, NORTH - 30)
    path = farm_file(
        tmp_path,
        hazards=marks(
            [near, near, Point(WEST + 90_000, NORTH)],
            kind=["slip", "obstacle", "no_go"],
            hazard_id=["H1", "H2", "H3"],
            note=["by the oak", None, None],
            seen_at=["2026-05-02T10:00:00Z", None, None],
            retired_at=[None, "2026-05-03T10:00:00Z", None],
        ),
    )
    report = inspect(path, Settings())
    told = "\n".join(report.lines())
    assert "H1  slip   F1  2026-05-02  by the oak" in told
    assert [(m.hazard_id, m.field_id) for m in report.marked] == [("H1", "F1"), ("H3", "")]
    assert report.usable
    assert "layer 'hazards', row 3: is more than 1000 m from every field and closes nothing; set its place" in told


def test_ground_that_lies_in_two_fields_is_told(tmp_path: Path) -> None:
    shapes = [patch(20, 20, 50, 50), patch(60, 20, 50, 50), patch(110, 20, 50, 50)]
    report = inspect(farm_file(tmp_path, parcels=fields(shapes, field_id=["A", "B", "C"])), Settings())
    assert report.usable
    (note,) = (n for n in report.notes if "lie in both" in n)
    assert note.startswith("fields 'A' and 'B': 500 m² lie in both, and each has its own sheet and release")


def test_a_wrong_crs_is_said_once_and_nobody_is_told_to_delete_the_row(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    off = fields([patch(20, 20, 50, 50)]).set_crs(4326, allow_override=True)
    off.to_file(path, layer="parcels", driver="GPKG", engine="pyogrio", mode="w")
    report = inspect(path, Settings())
    (problem,) = report.problems
    assert "has no coordinates; set the layer's CRS right" in problem


def test_without_a_column_of_ids_the_columns_there_are_are_named(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("ALTER TABLE parcels RENAME COLUMN field_id TO nr")
    (problem,) = inspect(path, Settings()).problems
    assert "has no column field_id; name the one that tells fields apart in columns.field_id. It has " in problem
    assert "'nr'" in problem
    assert inspect(path, parse({"columns": {"field_id": "nr"}})).usable


@pytest.mark.parametrize("order", ["longitude, latitude", "latitude, longitude"])
def test_a_marking_in_degrees_in_a_layer_in_metres_stops(tmp_path: Path, order: str) -> None:
    """Appended from a file in WGS 84 without its numbers being turned: it would close nothing."""
    path = farm_file(tmp_path, hazards=marks([patch(30, 30, 9, 9), patch(150, 50, 9, 9)]))
    degrees = marks([patch(30, 30, 9, 9)]).to_crs("EPSG:4326")
    if order.startswith("latitude"):
        degrees.geometry = degrees.geometry.map(lambda shape: shapely.transform(shape, lambda xy: xy[:, ::-1]))
    wrong = degrees.assign(hazard_id="M9").set_crs("EPSG:25832", allow_override=True)
    pyogrio.write_dataframe(wrong, path, layer="hazards", append=True)
    report = inspect(path, Settings())
    assert report.problems == (
        "layer 'hazards', row 3: is more than 1000 m from every field, and near one with its numbers read as "
        f"{order} in degrees; bring it to the layer's CRS.",
    )
    with pytest.raises(RowError, match=f"layer 'hazards', row 3: .* read as {order} in degrees"):
        open_farm(path, Settings())


def test_a_marking_that_is_merely_far_is_noted(tmp_path: Path) -> None:
    """Far in metres, and small numbers that are degrees of no place here: neither stops a build."""
    near_zero = shapely.Polygon([(20, 30), (21, 30), (21, 31)])
    path = farm_file(tmp_path, hazards=marks([patch(9000, 30, 9, 9), near_zero]))
    report = inspect(path, Settings())
    assert report.usable
    assert any("row 1, 2: is more than 1000 m from every field and closes nothing" in n for n in report.notes)


def test_the_range_of_heights_is_told(tmp_path: Path) -> None:
    """What shows that heights are in feet, or that a raster of slopes was given."""
    z = np.full((300, 400), 812.0)
    z[60, 60] = 815.4
    assert "heights in and around the fields: 812 to 815 m" in text(
        farm_file(tmp_path, dem_tif=write_tif(tmp_path / "d.tif", z))
    )


def test_terrain_too_coarse_for_machines_is_told(tmp_path: Path) -> None:
    path = farm_file(
        tmp_path, dem_tif=write_tif(tmp_path / "d.tif", np.full((60, 80), 500.0), from_origin(WEST, NORTH, 5, 5))
    )
    assert "cells of 5 m are too coarse to say where a machine may drive (at most 2 m)" in text(path)
    assert "too coarse" not in text(path, parse({"terrain": {"zones_up_to_cell_m": 5}}))


def test_machines_that_stop_a_build_stop_inspect(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    limits = "track_m = 1.9\nwheelbase_m = 2.2\ncog_height_m = 0.85\ncog_ahead_m = 0.95\nwidth_m = 2.3\n"
    (tmp_path / "atlas.toml").write_text(
        f'[machines.m]\nname = "M"\n{limits}mass_kg = 3200\nturn_radius_m = 4.5\nside_limit_pct = 150\n'
    )
    for command in (["inspect", str(path)], ["build", str(path), "--out", str(tmp_path / "out")]):
        ran = CliRunner().invoke(main, command)
        assert ran.exit_code == 2
        assert ran.stdout == ""
        assert "machines.m: side_limit_pct is 150, but a machine with this track" in ran.stderr
