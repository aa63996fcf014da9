"""A farm file is opened whole or refused in one sentence, and never touched."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from farm_files import farm_file, fields, marks, patch

from atlas.errors import FarmFileError, LayerError, TerrainError
from atlas.farm import datasets, sqlite_file
from atlas.farm.opening import open_farm
from atlas.grid import Bounds
from atlas.settings import Settings


def state(path: Path) -> tuple[str, int, list[str]]:
    """What would show that a file or its folder was touched."""
    return (
        hashlib.sha256(path.read_bytes()).hexdigest(),
        path.stat().st_mtime_ns,
        sorted(p.name for p in path.parent.iterdir()),
    )


def read_all(path: Path) -> None:
    farm = open_farm(path, Settings())
    bounds = Bounds(*farm.parcels[0].shape.bounds)
    farm.terrain.read(bounds)
    farm.terrain.fingerprint(bounds)


def test_reading_leaves_no_trace(tmp_path: Path) -> None:
    path = farm_file(tmp_path, hazards=marks([patch(30, 30, 10, 10)]))
    before = state(path)
    read_all(path)
    assert state(path) == before
    datasets.close()
    assert state(path) == before


def test_a_file_set_to_write_ahead_leaves_no_trace_either(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = wal")
    before = state(path)
    read_all(path)
    datasets.close()
    assert state(path) == before


def test_a_read_only_file_in_a_read_only_folder_opens(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    path.chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        read_all(path)
    finally:
        tmp_path.chmod(0o755)
        datasets.close()


ODD_NAMES = ("two words", "a:b", 'say "hay"', "it's", "50%20", "why?#1", "Höfli")


def test_names_that_need_quoting_open(tmp_path: Path) -> None:
    plain = farm_file(tmp_path)
    for name in ODD_NAMES:
        read_all(Path(shutil.copy(plain, tmp_path / f"{name}.gpkg")))
    datasets.close()


def test_names_that_need_quoting_are_written(tmp_path: Path) -> None:
    read_all(farm_file(tmp_path, 'a:b "c" 50%20?#.gpkg'))
    datasets.close()


def test_a_change_cut_short_by_a_crash_is_undone_before_reading(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    crash = f"""
import os, sqlite3
db = sqlite3.connect({str(path)!r})
db.execute("PRAGMA cache_size = 2")
db.execute("BEGIN")
db.execute("DELETE FROM gpkg_contents")
db.execute("DELETE FROM dem")
db.execute("CREATE TABLE much AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 50000) "
           "SELECT i, randomblob(100) FROM n")
os.kill(os.getpid(), 9)
"""
    subprocess.run([sys.executable, "-c", crash], check=False)
    assert path.with_name("farm.gpkg-journal").stat().st_size > 0
    assert len(open_farm(path, Settings()).parcels) == 2
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'much'").fetchone() == (0,)
    datasets.close()


def refused(path: Path, match: str) -> None:
    with pytest.raises(FarmFileError, match=match) as caught:
        open_farm(path, Settings())
    assert str(caught.value).count("\n") == 0
    assert str(caught.value).endswith(".")


def test_what_is_no_farm_file_is_refused(tmp_path: Path) -> None:
    refused(tmp_path / "none.gpkg", "none.gpkg: is not there")
    refused(tmp_path, "is a folder")
    (tmp_path / "text.gpkg").write_text("fields: two\n" * 100)
    refused(tmp_path / "text.gpkg", "is not a GeoPackage")
    (tmp_path / "empty.gpkg").write_bytes(b"")
    refused(tmp_path / "empty.gpkg", "is not a GeoPackage")
    with closing(sqlite3.connect(tmp_path / "other.gpkg")) as db:
        db.execute("CREATE TABLE t (a)")
    refused(tmp_path / "other.gpkg", "is an SQLite file but not a GeoPackage")


@pytest.mark.parametrize("share", [0.0001, 0.001, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 0.9999])
def test_a_file_cut_off_anywhere_is_refused(tmp_path: Path, share: float) -> None:
    whole = farm_file(tmp_path)
    data = whole.read_bytes()
    cut = tmp_path / "cut.gpkg"
    cut.write_bytes(data[: int(len(data) * share)])
    refused(cut, "is cut off|is not a GeoPackage")


def test_bytes_overwritten_in_the_middle_are_noticed_or_harmless(tmp_path: Path) -> None:
    """Every eleventh page spoilt in turn: a sentence of ours, or the same heights and shapes."""
    path = farm_file(tmp_path)
    good = path.read_bytes()
    farm = open_farm(path, Settings())
    boxes = [Bounds(*p.shape.bounds) for p in farm.parcels]
    heights = [farm.terrain.read(b).z.tobytes() for b in boxes]
    shapes = [p.shape.wkb for p in farm.parcels]
    noticed = 0
    for page in range(0, len(good) // 4096, 11):
        spoilt = bytearray(good)
        spoilt[page * 4096 + 100 : page * 4096 + 400] = bytes(300)
        path.write_bytes(spoilt)
        os.utime(path, ns=(page, page))
        try:
            farm = open_farm(path, Settings())
            assert [farm.terrain.read(b).z.tobytes() for b in boxes] == heights
            assert [p.shape.wkb for p in farm.parcels] == shapes
        except FarmFileError:
            noticed += 1
        datasets.close()
    assert noticed > 3


def test_a_height_tile_that_is_not_what_was_written_is_named(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(
            "UPDATE dem SET tile_data = (SELECT tile_data FROM dem WHERE tile_column = 1 AND tile_row = 0) "
            "WHERE tile_column = 0 AND tile_row = 0"
        )
    with pytest.raises(TerrainError, match="height tile 1/0/0 is not what was written"):
        read_all(path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("DELETE FROM dem WHERE tile_column = 0 AND tile_row = 0")
    with pytest.raises(TerrainError, match="height tile 1/0/0 is missing"):
        read_all(path)
    datasets.close()


def test_a_file_held_by_another_program_is_named_as_such(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = farm_file(tmp_path)
    monkeypatch.setattr("atlas.farm.sqlite_file.WAIT_S", 0.2)
    hold = (
        f"import sqlite3, sys\ndb = sqlite3.connect({str(path)!r}, isolation_level=None)\n"
        "db.execute('BEGIN EXCLUSIVE')\nprint('held', flush=True)\nsys.stdin.read()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        refused(path, "held by another program; close it there")
    finally:
        other.communicate()
    assert len(open_farm(path, Settings()).parcels) == 2
    datasets.close()


def test_no_parcels_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match="holds no parcels"):
        open_farm(farm_file(tmp_path, parcels=fields([])), Settings())


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (
            sqlite3.DatabaseError("file is not a database"),
            "is damaged (file is not a database); fetch a whole copy",
        ),
        (
            sqlite3.DatabaseError("database disk image is malformed"),
            "is damaged (database disk image is malformed)",
        ),
        (
            RuntimeError("SQL error: malformed database schema (x)"),
            "is damaged (SQL error: malformed database schema",
        ),
        (RuntimeError("sqlite3_step() : disk image error"), "is damaged (sqlite3_step() : disk image error)"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"), "is damaged ("),
        (sqlite3.OperationalError("database is locked"), "is held by another program"),
        (RuntimeError("sqlite3_open(x) failed: database table is busy"), "is held by another program"),
        (sqlite3.OperationalError("no such table: x"), "cannot be read as a GeoPackage (no such table: x)"),
    ],
)
def test_what_sqlite_and_gdal_say_becomes_a_sentence(error: Exception, told: str) -> None:
    """Older and newer builds of SQLite, of which several live in one process, put it in different words."""
    assert f"farm.gpkg: {told}" in sqlite_file.sentence(Path("farm.gpkg"), error)
