"""A checksum of each stored height tile, so that a bit turned on disk is noticed before anyone drives by it."""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path

from atlas.farm import sqlite_file
from atlas.farm.schema import TILE_SUMS_TABLE

TILES = """SELECT t.zoom_level, t.tile_column, t.tile_row, t.tile_data, a.scale, a.offset
FROM "{table}" t LEFT JOIN gpkg_2d_gridded_tile_ancillary a ON a.tpudt_id = t.id AND a.tpudt_name = '{table}'"""


def tile_sum(data: bytes, scale: float | None, offset: float | None) -> str:
    """The checksum of one tile: its stored bytes and the numbers that turn them into metres."""
    digest = hashlib.sha256(data)
    digest.update(f"{1.0 if scale is None else scale!r} {0.0 if offset is None else offset!r}".encode())
    return digest.hexdigest()


def add(path: Path, table: str, stamp: str) -> None:
    """Write the table of checksums for the tiles of `table` and register it as attributes."""
    with closing(sqlite_file.connect_to_write(path)) as db, db:
        db.execute(
            f"CREATE TABLE {TILE_SUMS_TABLE} (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, tile_table TEXT NOT NULL, "
            "zoom_level INTEGER NOT NULL, tile_column INTEGER NOT NULL, tile_row INTEGER NOT NULL, "
            "sha256 TEXT NOT NULL, UNIQUE (tile_table, zoom_level, tile_column, tile_row))"
        )
        _fill(db, table)
        db.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
            "VALUES (?, 'attributes', ?, 'SHA-256 of each stored height tile', ?)",
            (TILE_SUMS_TABLE, TILE_SUMS_TABLE, stamp),
        )


def _fill(db: sqlite3.Connection, table: str) -> None:
    order = " ORDER BY t.zoom_level, t.tile_row, t.tile_column"
    for zoom, column, row, data, scale, offset in db.execute(TILES.format(table=table) + order):
        db.execute(
            f"INSERT INTO {TILE_SUMS_TABLE} (tile_table, zoom_level, tile_column, tile_row, sha256) "
            "VALUES (?, ?, ?, ?, ?)",
            (table, zoom, column, row, tile_sum(data, scale, offset)),
        )
