"""A checksum of each stored height tile, so that a bit turned on disk is noticed before anyone drives by it."""

from __future__ import annotations

import hashlib
from contextlib import closing
from pathlib import Path
from typing import TypeVar

from atlas.errors import TerrainError
from atlas.farm import sqlite_file
from atlas.farm.schema import TILE_SUMS_TABLE
from atlas.farm.tile_table import Tile, TileTable, all_tiles, places_at, tile_at
from atlas.grid import CellWindow

FILES_KEPT = 4
_checked: dict[tuple[Path, int, int, TileTable], set[tuple[int, int]]] = {}  # tiles found whole, by state of file
_summed: dict[tuple[Path, int, int, TileTable], dict[tuple[int, int], str]] = {}  # checksums, likewise
_digests: dict[tuple[Path, int, int, TileTable], dict[tuple[int, ...], str]] = {}  # of windows, likewise
_T = TypeVar("_T")


def tile_sum(tile: Tile) -> str:
    """SHA-256 of a tile's stored bytes and of the numbers that turn them into heights."""
    digest = hashlib.sha256(tile.data)
    digest.update(f"{float(tile.scale)!r} {float(tile.offset)!r}".encode())
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
        for tile in all_tiles(db, table):
            db.execute(
                f"INSERT INTO {TILE_SUMS_TABLE} (tile_table, zoom_level, tile_column, tile_row, sha256) "
                "VALUES (?, ?, ?, ?, ?)",
                (table, tile.zoom, tile.column, tile.row, tile_sum(tile)),
            )
        db.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
            "VALUES (?, 'attributes', ?, 'SHA-256 of each stored height tile', ?)",
            (TILE_SUMS_TABLE, TILE_SUMS_TABLE, stamp),
        )


def digest(path: Path, told: TileTable, window: CellWindow) -> str:
    """One digest of all stored tiles that hold a window. Raises TerrainError."""
    known = _kept(_digests, path, told, {})
    where = told.place(window)
    if where not in known:
        found = [f"{told!r}", *(f"{place} {sha}" for place, sha in _now(path, told, window).items())]
        known[where] = hashlib.sha256("\n".join(found).encode()).hexdigest()
    return known[where]


def verify_tiles(path: Path, told: TileTable, window: CellWindow, label: str) -> None:
    """Raise TerrainError where a tile of the window is not the one that was written.

    A coverage whose tiles were never summed (another program made it) has nothing to be checked against.
    """
    if told.sums is None:
        return
    zoom, first_col, last_col, first_row, last_row = told.place(window)
    wanted = {(c, r) for c in range(first_col, last_col + 1) for r in range(first_row, last_row + 1)}
    checked = _kept(_checked, path, told, set())
    if wanted <= checked:
        return
    now, written = _now(path, told, window), _written(path, told, window)
    for column, row in sorted(now.keys() | written.keys()):
        if now.get((column, row)) != written.get((column, row)):
            what = "is not what was written" if (column, row) in now else "is missing"
            raise TerrainError(
                f"{label}: height tile {zoom}/{column}/{row} {what}; fetch a whole copy, or "
                "start a new farm file if the terrain was replaced on purpose."
            )
    checked |= wanted


def _now(path: Path, told: TileTable, window: CellWindow) -> dict[tuple[int, int], str]:
    """Checksums of a window's tiles as they are stored now, by column and row; each tile is read once."""
    known = _kept(_summed, path, told, {})
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            there = list(places_at(db, told, window))
            for place in there:
                if place not in known and (tile := tile_at(db, told, told.place(window)[0], *place)):
                    known[place] = tile_sum(tile)
            return {place: known[place] for place in there}
    except sqlite_file.SQLITE_ERRORS as e:
        raise TerrainError(sqlite_file.sentence(path, e)) from e


def _kept(cache: dict[tuple[Path, int, int, TileTable], _T], path: Path, told: TileTable, new: _T) -> _T:
    """What is known of a coverage as its file is now: as large, and written last at the same moment."""
    found = path.stat()
    known = cache.setdefault((path, found.st_size, found.st_mtime_ns, told), new)
    while len(cache) > FILES_KEPT:
        cache.pop(next(iter(cache)))
    return known


def _written(path: Path, told: TileTable, window: CellWindow) -> dict[tuple[int, int], str]:
    """Checksums of a window's tiles as they were written, by column and row."""
    sql = (
        f"SELECT tile_column, tile_row, sha256 FROM {TILE_SUMS_TABLE} WHERE tile_table = ? AND zoom_level = ? "
        "AND tile_column BETWEEN ? AND ? AND tile_row BETWEEN ? AND ?"
    )
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            return {(c, r): sha for c, r, sha in db.execute(sql, (told.sums, *told.place(window)))}
    except sqlite_file.SQLITE_ERRORS as e:
        raise TerrainError(sqlite_file.sentence(path, e)) from e
