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
from atlas.grid import CellWindow

TILES = """SELECT t.zoom_level, t.tile_column, t.tile_row, t.tile_data,
coalesce(a.scale, 1.0), coalesce(a.offset, 0.0)
FROM "{table}" t LEFT JOIN gpkg_2d_gridded_tile_ancillary a
ON a.tpudt_id = t.id AND lower(a.tpudt_name) = lower(?)"""
PLACE = "zoom_level = ? AND tile_column BETWEEN ? AND ? AND tile_row BETWEEN ? AND ?"
ORDER = " ORDER BY t.zoom_level, t.tile_row, t.tile_column"


@dataclass(frozen=True)
class Tile:
    """One stored tile: its place, its bytes, and the numbers that turn them into heights."""

    zoom: int
    column: int
    row: int
    data: bytes
    scale: float
    offset: float

    @property
    def sha256(self) -> str:
        digest = hashlib.sha256(self.data)
        digest.update(f"{float(self.scale)!r} {float(self.offset)!r}".encode())
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
        for tile in _tiles(db, table):
            db.execute(
                f"INSERT INTO {TILE_SUMS_TABLE} (tile_table, zoom_level, tile_column, tile_row, sha256) "
                "VALUES (?, ?, ?, ?, ?)",
                (table, tile.zoom, tile.column, tile.row, tile.sha256),
            )
        db.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
            "VALUES (?, 'attributes', ?, 'SHA-256 of each stored height tile', ?)",
            (TILE_SUMS_TABLE, TILE_SUMS_TABLE, stamp),
        )


def tiles(db: sqlite3.Connection, source: Stored, window: CellWindow) -> Iterator[Tile]:
    """The stored tiles that hold a window of a coverage. Raises sqlite3.Error."""
    return _tiles(db, source.coverage or "", _place(db, source, window))


def digest(source: Stored, window: CellWindow) -> str:
    """One digest of all stored tiles that hold a window. Raises TerrainError."""
    try:
        with closing(sqlite_file.connect_to_read(source.paths[0])) as db:
            found = [f"{t.zoom}/{t.column}/{t.row} {t.sha256}" for t in tiles(db, source, window)]
            coverage = db.execute(
                "SELECT scale, offset, data_null FROM gpkg_2d_gridded_coverage_ancillary "
                "WHERE lower(tile_matrix_set_name) = lower(?)",
                (source.coverage,),
            ).fetchone()
    except sqlite_file.SQLITE_ERRORS as e:
        raise TerrainError(sqlite_file.sentence(source.paths[0], e)) from e
    return hashlib.sha256("\n".join([*found, repr(coverage)]).encode()).hexdigest()


def verify_tiles(source: Stored, window: CellWindow) -> None:
    """Raise TerrainError where a tile of the window is not the one that was written.

    A coverage whose tiles were never summed (another program made it) has nothing to be checked against.
    """
    try:
        with closing(sqlite_file.connect_to_read(source.paths[0])) as db:
            if not _summed(db, source):
                return
            now = {(t.column, t.row): t.sha256 for t in tiles(db, source, window)}
            written = {
                (column, row): sha
                for column, row, sha in db.execute(
                    f"SELECT tile_column, tile_row, sha256 FROM {TILE_SUMS_TABLE} "
                    f"WHERE lower(tile_table) = lower(?) AND {PLACE}",
                    (source.coverage, *_place(db, source, window)),
                )
            }
    except sqlite_file.SQLITE_ERRORS as e:
        raise TerrainError(sqlite_file.sentence(source.paths[0], e)) from e
    for column, row in sorted(now.keys() | written.keys()):
        if now.get((column, row)) != written.get((column, row)):
            what = "is not what was written" if (column, row) in now else "is missing"
            raise TerrainError(
                f"{source.label}: height tile {source.zoom}/{column}/{row} {what}; fetch a whole copy, or "
                "start a new farm file if the terrain was replaced on purpose."
            )


def _summed(db: sqlite3.Connection, source: Stored) -> bool:
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (TILE_SUMS_TABLE,)).fetchone():
        return False
    sql = f"SELECT 1 FROM {TILE_SUMS_TABLE} WHERE lower(tile_table) = lower(?) LIMIT 1"
    return db.execute(sql, (source.coverage,)).fetchone() is not None


def _tiles(db: sqlite3.Connection, table: str, place: tuple[int, ...] = ()) -> Iterator[Tile]:
    where = " WHERE t." + PLACE.replace("AND tile", "AND t.tile") if place else ""
    sql = TILES.format(table=table.replace('"', '""')) + where + ORDER
    for row in db.execute(sql, (table, *place)):
        yield Tile(*row)


def _place(db: sqlite3.Connection, source: Stored, window: CellWindow) -> tuple[int, ...]:
    """Zoom level, first and last column, first and last row of the tiles that hold a window."""
    matrix = db.execute(
        "SELECT tile_width, tile_height FROM gpkg_tile_matrix "
        "WHERE lower(table_name) = lower(?) AND zoom_level = ?",
        (source.coverage, source.zoom),
    ).fetchone()
    if matrix is None:
        raise sqlite3.DatabaseError(f"tile matrix of {source.coverage} is missing")
    width, height = matrix
    row, col = window.row + source.first_cell[0], window.col + source.first_cell[1]
    return (
        source.zoom,
        col // width,
        (col + window.cols - 1) // width,
        row // height,
        (row + window.rows - 1) // height,
    )
