"""A checksum of each stored height tile, so that a bit turned on disk is noticed before anyone drives by it."""

from __future__ import annotations

import hashlib
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import TypeVar

from atlas.errors import TerrainError
from atlas.farm import sqlite_file
from atlas.farm.schema import TILE_SUMS_TABLE
from atlas.farm.tile_table import Tile, TileTable, all_tiles, places_at, places_of, tile_at
from atlas.grid import CellWindow

FILES_KEPT = 4
MOST_KEPT = 100_000  # tiles of a coverage whose places are asked for all at once, a dozen MB
Place = tuple[int, int]  # column, row
_checked: dict[tuple[Path, int, int, TileTable], set[Place]] = {}  # tiles found whole, by state of file
_summed: dict[tuple[Path, int, int, TileTable], dict[Place, str]] = {}  # checksums, likewise
_digests: dict[tuple[Path, int, int, TileTable], dict[tuple[int, ...], str]] = {}  # of windows, likewise
_places: dict[tuple[Path, int, int, TileTable], list[set[Place] | None]] = {}  # of all tiles; None: too many
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


def _now(path: Path, told: TileTable, window: CellWindow) -> dict[Place, str]:
    """Checksums of a window's tiles as they are stored now, by column and row; each tile is read once."""
    known = _kept(_summed, path, told, {})
    try:
        there = _there(path, told, window)
        if unknown := [place for place in there if place not in known]:
            with closing(sqlite_file.connect_to_read(path)) as db:
                for place in unknown:
                    if tile := tile_at(db, told, told.zoom, *place):
                        known[place] = tile_sum(tile)
    except sqlite_file.SQLITE_ERRORS as e:
        raise TerrainError(sqlite_file.sentence(path, e)) from e
    return {place: known[place] for place in there if place in known}


def _there(path: Path, told: TileTable, window: CellWindow) -> list[Place]:
    """The stored tiles that hold a window, row by row. Raises sqlite3.Error."""
    kept = _kept(_places, path, told, [])
    if not kept:
        with closing(sqlite_file.connect_to_read(path)) as db:
            first = set(islice(places_of(db, told), MOST_KEPT + 1))
        kept.append(first if len(first) <= MOST_KEPT else None)
    stored = kept[0]
    if stored is None:
        with closing(sqlite_file.connect_to_read(path)) as db:
            return list(places_at(db, told, window))
    _, first_col, last_col, first_row, last_row = told.place(window)
    if (last_col - first_col + 1) * (last_row - first_row + 1) > len(stored):  # a model that promises a continent
        within = [p for p in stored if first_col <= p[0] <= last_col and first_row <= p[1] <= last_row]
        return sorted(within, key=lambda place: (place[1], place[0]))
    everywhere = ((c, r) for r in range(first_row, last_row + 1) for c in range(first_col, last_col + 1))
    return [place for place in everywhere if place in stored]


def _kept(cache: dict[tuple[Path, int, int, TileTable], _T], path: Path, told: TileTable, new: _T) -> _T:
    """What is known of a coverage as its file is now: as large, and written last at the same moment."""
    found = path.stat()
    known = cache.setdefault((path, found.st_size, found.st_mtime_ns, told), new)
    while len(cache) > FILES_KEPT:
        cache.pop(next(iter(cache)))
    return known


def _written(path: Path, told: TileTable, window: CellWindow) -> dict[Place, str]:
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
