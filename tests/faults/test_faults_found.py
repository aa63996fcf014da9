"""What fuzz runs found, one test per find: each failed before the line in the code that it holds."""

from __future__ import annotations

import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from random import Random

import pyogrio
import pytest
import quick_farm
import shapely
import small_farm
from click.testing import CliRunner
from shapely.geometry import LineString

from atlas import engine
from atlas.cli import main
from atlas.driving.machines import rig
from atlas.errors import FarmFileError, LayerError, RowError, SettingsError, TerrainError
from atlas.farm import outlines
from atlas.farm.opening import open_farm
from atlas.settings import load, parse
from atlas.survey import survey_field
from atlas.terminal import LONGEST_LINE

sys.path.append(str(Path(__file__).parent))

import fuzz_shapes

SETTINGS = quick_farm.settings()


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return small_farm.write(tmp_path_factory.mktemp("whole") / "farm.gpkg", fields=2).read_bytes()


@pytest.fixture
def farm(tmp_path: Path, whole: bytes) -> Path:
    path = tmp_path / "farm.gpkg"
    path.write_bytes(whole)
    return path


def run(path: Path, script: str, *values: object) -> None:
    """SQL on a farm file without the triggers of its spatial indexes, which call functions of GDAL's."""
    with closing(sqlite3.connect(path)) as db, db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f'DROP TRIGGER "{name}"')
        if values:
            db.execute(script, values)
        else:
            db.executescript(script)


FOREVER = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c)"
AWAY = "PRAGMA legacy_alter_table = ON; ALTER TABLE {0} RENAME TO away; "


@pytest.mark.parametrize("table", ["hazards", "dem", "storms"])
def test_a_view_in_place_of_a_layer_is_refused_before_it_runs(farm: Path, table: str) -> None:
    run(farm, AWAY.format(table) + f"CREATE VIEW {table} AS {FOREVER} SELECT away.* FROM away, c")
    with pytest.raises(LayerError, match=rf"layer '{table}': is a view; export it as a plain table"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("table", ["gpkg_ogr_contents", "gpkg_tile_matrix", "field_atlas_tile_sums"])
def test_a_view_in_place_of_a_book_is_refused_before_it_runs(farm: Path, table: str) -> None:
    run(farm, AWAY.format(table) + f"CREATE VIEW {table} AS {FOREVER} SELECT away.* FROM away, c")
    with pytest.raises(FarmFileError, match=f"its table '{table}' is a view; export the farm anew"):
        open_farm(farm, SETTINGS)


def test_a_made_up_column_that_fills_the_memory_is_refused(farm: Path) -> None:
    run(farm, "ALTER TABLE parcels ADD COLUMN farm2 AS (zeroblob(900000000))")
    with pytest.raises(LayerError, match="'parcels': is a table with made-up columns; export it as a plain table"):
        open_farm(farm, SETTINGS)


def test_a_made_up_column_in_a_book_is_refused(farm: Path) -> None:
    run(farm, "ALTER TABLE gpkg_contents ADD COLUMN farm2 AS (zeroblob(900000000))")
    with pytest.raises(FarmFileError, match="its table 'gpkg_contents' is a table with made-up columns"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("layer", ["hazards", "ways_in", "storms", "releases"])
@pytest.mark.parametrize("script", ["data_type = 'feat5res'", "data_type = 'tiles'", "table_name = 'ways_An'"])
def test_a_turned_bit_in_the_list_of_contents_loses_no_layer(farm: Path, layer: str, script: str) -> None:
    run(farm, f"UPDATE gpkg_contents SET {script} WHERE table_name = '{layer}'")
    told = f"lists a layer 'ways_an' that it does not hold|holds a table '{layer}' that its list of contents"
    with pytest.raises(FarmFileError, match=told):
        open_farm(farm, SETTINGS)


def test_a_layer_dropped_from_the_list_of_contents_is_missed(farm: Path) -> None:
    run(farm, "DELETE FROM gpkg_contents WHERE table_name = 'hazards'")
    with pytest.raises(FarmFileError, match="holds a table 'hazards' that its list of contents names as no layer"):
        open_farm(farm, SETTINGS)


def test_a_layer_that_is_listed_and_not_there_is_missed(farm: Path) -> None:
    more = (
        "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('pastures', 'features', 'pastures')"
    )
    run(farm, more)
    with pytest.raises(FarmFileError, match=r"lists a layer 'pastures' that it does not hold; fetch a whole copy"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("where", [1e300, -3e9])
def test_a_coordinate_that_is_nowhere_on_earth_is_refused(farm: Path, where: float) -> None:
    line = bytes(shapely.to_wkb(LineString([(600_010, 5_199_900), (where, 5_199_900)])))
    run(farm, "UPDATE hazards SET geom = ? WHERE fid = 3", fuzz_shapes.blob(line))
    with pytest.raises(
        RowError, match=r"layer 'hazards', row 3: has a coordinate of .*, which is nowhere on earth"
    ):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("column", ["scale", "offset"])
def test_tile_numbers_that_are_words_are_refused(farm: Path, column: str) -> None:
    run(farm, f"UPDATE gpkg_2d_gridded_tile_ancillary SET {column} = ?", "")
    with pytest.raises(TerrainError, match=r"is damaged \(tile 0/0/0 is malformed\); fetch a whole copy"):
        open_farm(farm, SETTINGS)


def test_a_tangle_is_refused_before_it_is_mended(farm: Path) -> None:
    """Mending 300 sides that cross each other at random took 13 s, and its outcome filled the memory."""
    draw = Random(1)
    spots = [(600_003 + draw.uniform(0, 40), 5_199_886 + draw.uniform(0, 40)) for _ in range(2_000)]
    run(farm, "UPDATE parcels SET geom = ?", fuzz_shapes.blob(fuzz_shapes.polygon([*spots, spots[0]])))
    with pytest.raises(RowError, match="its outline crosses itself too often to be mended; draw it anew"):
        open_farm(farm, SETTINGS)
    spots = spots[:12]
    run(farm, "UPDATE parcels SET geom = ?", fuzz_shapes.blob(fuzz_shapes.polygon([*spots, spots[0]])))
    assert any("was mended" in r.text for r in open_farm(farm, SETTINGS).remarks)


@pytest.mark.parametrize("other", ["MOST_PAIRS", "MOST_CROSSINGS"])
def test_a_tangle_is_told_by_the_estimate_alone_and_by_the_count_alone(
    other: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The estimate keeps a tangle of any size from being counted; the count tells one that spreads unevenly."""
    draw = Random(1)
    tangle = shapely.Polygon([(draw.uniform(0, 40), draw.uniform(0, 40)) for _ in range(2_000)])
    monkeypatch.setattr(outlines, other, float("inf"))
    assert outlines.is_tangle(tangle)
    assert not outlines.is_tangle(shapely.Point(0, 0).buffer(40, quad_segs=2_000))


@pytest.mark.parametrize("table", ["parcels", "hazards"])
def test_a_shape_as_wide_as_a_country_is_refused(farm: Path, table: str) -> None:
    wide = bytes(shapely.to_wkb(shapely.box(100_000, 5_000_000, 1_100_000, 5_200_000)))
    run(farm, f"UPDATE {table} SET geom = ? WHERE fid = 1", fuzz_shapes.blob(wide))
    with pytest.raises(RowError, match="is 1000 km wide; at most 100 km are read"):
        open_farm(farm, SETTINGS)


def test_a_forest_edge_of_areas_and_lines_is_measured(farm: Path) -> None:
    area, line = (
        shapely.box(600_010, 5_199_896, 600_020, 5_199_906),
        LineString([(600_030, 5_199_900), (600_040, 5_199_900)]),
    )
    both = bytes(shapely.to_wkb(shapely.GeometryCollection([area, line])))
    run(farm, "UPDATE hazards SET kind = 'forest_edge', geom = ? WHERE fid = 1", fuzz_shapes.blob(both))
    opened = open_farm(farm, SETTINGS)
    survey = survey_field(opened, opened.parcels[0], SETTINGS, rig(SETTINGS))
    assert survey.driving.hand_work.edge_m == pytest.approx(40.0)


@pytest.mark.parametrize("column", ["min_x", "max_x", "min_y", "max_y"])
def test_tile_tables_that_do_not_agree_on_the_place_are_refused(farm: Path, column: str) -> None:
    """A turned bit there moves the terrain under the fields, which no checksum of a tile tells."""
    run(farm, f"UPDATE gpkg_tile_matrix_set SET {column} = {column} + 16")
    with pytest.raises(TerrainError, match="its coverage tables are not whole"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("size", [1e300, 1e-300, -1.0, 0.0])
def test_cells_that_no_one_measures_are_refused(farm: Path, size: float) -> None:
    run(farm, f"UPDATE gpkg_tile_matrix SET pixel_x_size = {size}, pixel_y_size = {size}")
    with pytest.raises(TerrainError, match="layer 'dem'"):
        open_farm(farm, SETTINGS)


def test_a_unit_that_is_no_text_is_refused(farm: Path) -> None:
    run(farm, "UPDATE gpkg_2d_gridded_coverage_ancillary SET uom = ?", b"\xb5\xff")
    with pytest.raises(TerrainError, match="the terrain cannot be read; fetch a whole copy"):
        open_farm(farm, SETTINGS)


def test_a_virtual_table_is_refused(farm: Path) -> None:
    run(farm, AWAY.format("ways_in") + "CREATE VIRTUAL TABLE ways_in USING rtree(id, a, b)")
    with pytest.raises(LayerError, match="'ways_in': is a virtual table; export it as a plain table"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("column", ["table_name", "data_type"])
def test_a_list_of_contents_that_holds_no_names_is_refused(farm: Path, column: str) -> None:
    run(
        farm,
        "CREATE TABLE lost AS SELECT * FROM gpkg_contents; DROP TABLE gpkg_contents; "
        f"ALTER TABLE lost RENAME TO gpkg_contents; UPDATE gpkg_contents SET {column} = NULL",
    )
    with pytest.raises(FarmFileError, match="its list of contents is damaged; fetch a whole copy"):
        open_farm(farm, SETTINGS)


def test_a_geometry_column_without_a_name_is_no_fault_of_ours(farm: Path) -> None:
    run(
        farm,
        "CREATE TABLE lost AS SELECT * FROM gpkg_geometry_columns; DROP TABLE gpkg_geometry_columns; "
        "ALTER TABLE lost RENAME TO gpkg_geometry_columns; UPDATE gpkg_geometry_columns SET table_name = NULL",
    )
    with pytest.raises(FarmFileError, match=r"farm\.gpkg"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("counted", [True, False])
def test_a_row_that_a_damaged_page_lost_is_noticed(farm: Path, counted: bool) -> None:
    """The number of cells in the page that holds all hazards, one less: no error, one hazard fewer."""
    if not counted:  # then only the page itself tells
        run(farm, "UPDATE gpkg_ogr_contents SET feature_count = NULL WHERE table_name = 'hazards'")
    with closing(sqlite3.connect(farm)) as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'hazards'").fetchone()
    data = bytearray(farm.read_bytes())
    assert data[(page - 1) * 4096 + 4] == 5
    data[(page - 1) * 4096 + 4] = 4
    farm.write_bytes(data)
    told = "is damaged|holds 4 rows and the file counts 5" if counted else "is damaged"
    with pytest.raises(FarmFileError, match=rf"layer 'hazards': ({told})"):
        open_farm(farm, SETTINGS)


def test_a_row_fewer_than_the_file_counts_is_noticed(farm: Path) -> None:
    run(farm, "DELETE FROM hazards WHERE fid = 1")
    with pytest.raises(FarmFileError, match="'hazards': holds 4 rows and the file counts 5; fetch a whole copy"):
        open_farm(farm, SETTINGS)


def test_a_row_that_gdal_does_not_hand_on_is_noticed(farm: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A broken index of the file's counts made GDAL stop after the first row; the table itself was whole."""
    whole = pyogrio.read_dataframe
    monkeypatch.setattr(pyogrio, "read_dataframe", lambda *args, **more: whole(*args, **more).head(1))
    with pytest.raises(FarmFileError, match="layer 'parcels': 1 of 2 rows can be read; fetch a whole copy"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("column", ["scale", "offset", "data_null"])
def test_coverage_numbers_that_are_words_are_refused(farm: Path, column: str) -> None:
    run(farm, f"UPDATE gpkg_2d_gridded_coverage_ancillary SET {column} = ?", "firm")
    with pytest.raises(TerrainError, match="layer 'dem'"):
        open_farm(farm, SETTINGS)


def test_a_million_corners_are_refused(farm: Path) -> None:
    run(farm, "UPDATE parcels SET geom = ? WHERE fid = 1", fuzz_shapes.blob(fuzz_shapes.circle(1_000_000)))
    with pytest.raises(RowError, match="has 1000001 corners; at most 20000 are read, simplify it"):
        open_farm(farm, SETTINGS)


@pytest.mark.parametrize("name", ["y" * 5_000, "a\x00b", "*" + "y" * 5_000, "**x**/\x00*"])
def test_a_name_that_no_raster_can_have_is_told(farm: Path, name: str) -> None:
    with pytest.raises(TerrainError, match=r"layers\.dem"):
        open_farm(farm, parse({"layers": {"dem": [name]}}))


def test_a_number_of_thousands_of_digits_in_settings_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "atlas.toml"
    path.write_text(f"[terrain]\nmin_patch_m2 = {'9' * 5_000}\n")
    with pytest.raises(SettingsError, match="is not valid TOML"):
        load(path)


def test_an_endless_name_does_not_fill_the_terminal(farm: Path) -> None:
    run(farm, "UPDATE hazards SET kind = ? WHERE fid = 1", "red" + "y" * 200_000)
    run(farm, "UPDATE parcels SET name = ? WHERE fid = 1", "n" * 200_000)
    told = CliRunner().invoke(main, ["inspect", str(farm)])
    assert told.exit_code == 2
    assert "kind is 'redyyy" in told.output
    assert max(len(line) for line in told.output.splitlines()) <= LONGEST_LINE + 2
    refused = CliRunner().invoke(main, ["build", str(farm), "--out", str(farm.parent / "out")])
    assert refused.exit_code == 2
    assert len(refused.output) < 1_200


def test_a_sliver_that_a_cut_left_behind_costs_no_map(farm: Path, tmp_path: Path) -> None:
    """Its outline to a tenth of a metre is nothing, and the overview of all fields failed on it."""
    parcels = pyogrio.read_dataframe(farm, layer="parcels")
    middle = parcels.geometry[0].centroid
    parcels.loc[0, "geometry"] = shapely.MultiPolygon(
        [shapely.box(middle.x, middle.y, middle.x + 9, middle.y + 0.01)]
    )
    pyogrio.write_dataframe(parcels, farm, layer="parcels")
    report = engine.build(farm, tmp_path / "build", settings=SETTINGS)
    assert report.failed == ()
    assert parcels["name"][0] in (tmp_path / "build" / "index.html").read_text("utf-8")
