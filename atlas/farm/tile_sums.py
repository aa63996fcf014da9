"""A checksum of each stored height tile, so that a bit turned on disk is noticed before anyone drives by it."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from atlas.errors import TerrainError
from atlas.farm import sqlite_file
from atlas.farm.datasets import Stored
from atlas.farm.schema import TILE_SUMS_TABLE
from atlas.grid import CellWindow, Grid

TILES = """SELECT t.zoom_level, t.tile_column, t.tile_row, t.tile_data, a.scale, a.offset
FROM "{table}" t LEFT JOIN gpkg_2d_gridded_tile_ancillary a
ON a.tpudt_id = t.id AND lower(a.tpudt_name) = lower(?)"""
ORDER = " ORDER BY t.zoom_level, t.tile_row, t.tile_column"


@dataclass(frozen=True)
class TileSum:
    """One tile's place in its table and the checksum of what is stored."""

    zoom: int
    column: int
    row: int
    sha256: str


def tile_sum(data: bytes, scale: float | None, offset: float | None) -> str:
    """The checksum of one tile: its stored bytes and the numbers that turn them into metres."""
    digest = hashlib.sha256(data)
    digest.update(f"{1.0 if scale is None else scale!r} {0.0 if offset is None else offset!r}".encode())
    return digest.hexdigest()


def add(path: Path, table: str, stamp: str) -> None:
    """Write the table of checksums for the tiles of `table` and register it as attributes."""
    with closing(sqlite_file.connect_to_write(path)) as db, db:
        db.execute(
            f"CREATE TABLE {TILE_SUMS_TABLE} (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "
            "tile_table TEXT NOT NULL, zoom_level INTEGER NOT NULL, tile_column INTEGER NOT NULL, "
            "tile_row INTEGER NOT NULL, sha256 TEXT NOT NULL, "
            "UNIQUE (tile_table, zoom_level, tile_column, tile_row))"
        )
        db.executemany(
            f"INSERT INTO {TILE_SUMS_TABLE} (tile_table, zoom_level, tile_column, tile_row, sha256) "
            "VALUES (?, ?, ?, ?, ?)",
            [(table, t.zoom, t.column, t.row, t.sha256) for t in _sums(db, table, "", ())],
        )
        db.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
            "VALUES (?, 'attributes', ?, 'SHA-256 of each stored height tile', ?)",
            (TILE_SUMS_TABLE, TILE_SUMS_TABLE, stamp),
        )


def stored(source: Stored, grid: Grid, window: CellWindow) -> tuple[TileSum, ...]:
    """Checksums, taken now, of the tiles that hold a window of a coverage. Raises TerrainError."""
    return _at(source, grid, window)[0]


def check(source: Stored, grid: Grid, window: CellWindow) -> None:
    """Raise TerrainError where a tile of the window is not the one that was written.

    A coverage whose tiles were never summed (another program made it) has nothing to be checked against.
    """
    found, written = _at(source, grid, window)
    if written is None:
        return
    now = {(t.column, t.row): t.sha256 for t in found}
    for place in sorted(now.keys() | written.keys()):
        if now.get(place) != written.get(place):
            column, row = place
            what = "is missing" if place not in now else "is not what was written"
            raise TerrainError(
                f"{source.label}: height tile {source.zoom}/{column}/{row} {what}; fetch a whole copy, or "
                "start a new farm file if the terrain was replaced on purpose."
            )


def _at(
    source: Stored, grid: Grid, window: CellWindow
) -> tuple[tuple[TileSum, ...], dict[tuple[int, int], str] | None]:
    """Sums taken now, and those that were written (None: never), for the tiles of a window."""
    path, table = source.paths[0], source.coverage or ""
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            columns, rows = _tile_range(db, table, source.zoom, grid, window)
            place = (source.zoom, columns.start, columns.stop - 1, rows.start, rows.stop - 1)
            where = " zoom_level = ? AND tile_column BETWEEN ? AND ? AND tile_row BETWEEN ? AND ?"
            now = tuple(_sums(db, table, " WHERE t." + where.strip(), place))
            if not db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (TILE_SUMS_TABLE,)).fetchone():
                return now, None
            known = db.execute(
                f"SELECT 1 FROM {TILE_SUMS_TABLE} WHERE lower(tile_table) = lower(?) LIMIT 1", (table,)
            )
            if not known.fetchone():
                return now, None
            written = db.execute(
                f"SELECT tile_column, tile_row, sha256 FROM {TILE_SUMS_TABLE} "
                "WHERE lower(tile_table) = lower(?) AND" + where,
                (table, *place),
            )
            return now, {(column, row): sha for column, row, sha in written}
    except sqlite3.Error as e:
        raise TerrainError(sqlite_file.sentence(path, e)) from e


def _sums(db: sqlite3.Connection, table: str, where: str, values: tuple[int, ...]) -> Iterator[TileSum]:
    sql = TILES.format(table=table.replace('"', '""')) + where + ORDER
    for zoom, column, row, data, scale, offset in db.execute(sql, (table, *values)):
        yield TileSum(zoom, column, row, tile_sum(data, scale, offset))


def _tile_range(
    db: sqlite3.Connection, table: str, zoom: int, grid: Grid, window: CellWindow
) -> tuple[range, range]:
    """Columns and rows of the tiles that hold a window; the tiles' own origin is the tile matrix set's corner."""
    matrix = db.execute(
        "SELECT tile_width, tile_height, pixel_x_size, pixel_y_size, matrix_width, matrix_height "
        "FROM gpkg_tile_matrix WHERE lower(table_name) = lower(?) AND zoom_level = ?",
        (table, zoom),
    ).fetchone()
    corner = db.execute(
        "SELECT min_x, max_y FROM gpkg_tile_matrix_set WHERE lower(table_name) = lower(?)", (table,)
    ).fetchone()
    if matrix is None or corner is None:
        raise sqlite3.DatabaseError(f"tile matrix of {table} is missing")
    width, height, size_x, size_y, columns, rows = matrix
    first_col = window.col + round((grid.west - corner[0]) / size_x)
    first_row = window.row + round((corner[1] - grid.north) / size_y)
    return (
        range(max(0, first_col // width), min(columns, (first_col + window.cols - 1) // width + 1)),
        range(max(0, first_row // height), min(rows, (first_row + window.rows - 1) // height + 1)),
    )
