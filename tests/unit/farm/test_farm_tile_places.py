"""Which tiles hold a window: known for a whole coverage at once, or asked of the file window by window."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from farm_files import farm_file

from atlas.farm import datasets, tile_sums
from atlas.farm.opening import open_farm
from atlas.farm.terrain_source import TerrainSource
from atlas.farm.tile_table import TileTable
from atlas.grid import CellWindow
from atlas.settings import Settings

WINDOWS = [
    CellWindow(0, 0, 1, 1),
    CellWindow(0, 200, 300, 120),
    CellWindow(250, 250, 10, 10),
    CellWindow(0, 0, 5000, 5000),
    CellWindow(0, 0, 10**12, 10**12),  # more places than could be looked at one by one
    CellWindow(10**6, 10**6, 5, 5),
]


def coverage(path: Path) -> TileTable:
    terrain = open_farm(path, Settings()).terrain
    datasets.close()
    assert isinstance(terrain, TerrainSource)
    assert terrain.stored.tiles is not None
    return terrain.stored.tiles


def by_sql(path: Path, told: TileTable, window: CellWindow) -> list[tuple[int, int]]:
    zoom, first_col, last_col, first_row, last_row = told.place(window)
    sql = (
        f"SELECT tile_column, tile_row FROM {told.table} WHERE zoom_level = ? AND tile_column >= ? "
        "AND tile_column <= ? AND tile_row >= ? AND tile_row <= ? ORDER BY tile_row, tile_column"
    )
    with closing(sqlite3.connect(path)) as db:
        return db.execute(sql, (zoom, first_col, last_col, first_row, last_row)).fetchall()


@pytest.mark.parametrize("most", [100_000, 1, 0])
def test_a_window_has_the_tiles_that_the_file_holds_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    path = farm_file(tmp_path)
    told = coverage(path)
    whole = {w: tile_sums.digest(path, told, w) for w in WINDOWS}
    monkeypatch.setattr(tile_sums, "MOST_KEPT", most)
    tile_sums._places.clear()
    tile_sums._digests.clear()
    tile_sums._summed.clear()
    assert len(by_sql(path, told, WINDOWS[3])) > 1
    for w in WINDOWS:
        assert list(tile_sums._now(path, told, w)) == by_sql(path, told, w)
        assert tile_sums.digest(path, told, w) == whole[w]


def test_a_tile_that_goes_is_missed(tmp_path: Path) -> None:
    path = farm_file(tmp_path)
    told = coverage(path)
    window = WINDOWS[3]
    before = tile_sums.digest(path, told, window)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"DELETE FROM {told.table} WHERE tile_column = 0 AND tile_row = 0")
    assert tile_sums.digest(path, told, window) != before
    assert (0, 0) not in tile_sums._now(path, told, window)
