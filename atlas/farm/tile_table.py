"""What a GeoPackage's own tables say of a gridded coverage beyond what GDAL passes on (OGC 17-066)."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rasterio.transform import Affine

from atlas.errors import TerrainError
from atlas.farm import sqlite_file
from atlas.farm.schema import TILE_SUMS_TABLE
from atlas.grid import CellWindow


@dataclass(frozen=True)
class TileTable:
    """A coverage's tiles at its finest level.

    `first_row`, `first_col`: the model's first cell within the tile matrix. `numbers`: the name under which the
    tiles' scales are filed. `sums`: the name under which checksums are filed, None where there are none.
    """

    table: str
    zoom: int
    tile_rows: int
    tile_cols: int
    first_row: int
    first_col: int
    integer: bool  # scaled 16-bit tiles, which GDAL would round
    scale: float
    offset: float
    gap: float | None
    numbers: str
    sums: str | None
    step: float  # between one stored number and the next; 0 for heights stored as floats
    on_corners: bool
    description: str

    def place(self, window: CellWindow) -> tuple[int, int, int, int, int]:
        """Zoom level, first and last column, first and last row of the tiles that hold a window."""
        row, col = window.row + self.first_row, window.col + self.first_col
        return (
            self.zoom,
            col // self.tile_cols,
            (col + window.cols - 1) // self.tile_cols,
            row // self.tile_rows,
            (row + window.rows - 1) // self.tile_rows,
        )


@dataclass(frozen=True)
class Tile:
    """One stored tile: its place, its bytes, and the numbers that turn them into heights."""

    zoom: int
    column: int
    row: int
    data: bytes
    scale: float
    offset: float


def describe(path: Path, table: str, zoom: int, transform: Affine) -> TileTable:
    """Look a coverage up in the file's tables. Raises TerrainError where a needed row is missing."""
    try:
        with closing(sqlite_file.connect_to_read(path)) as db:
            return _described(db, table, zoom, transform)
    except (*sqlite_file.SQLITE_ERRORS, TypeError, ValueError, ArithmeticError) as e:  # TypeError: no such row
        raise TerrainError(
            f"{path}, layer '{table}': its coverage tables are not whole; fetch a whole copy."
        ) from e


def _described(db: sqlite3.Connection, table: str, zoom: int, t: Affine) -> TileTable:
    west, south, east, north = _row(
        db, "SELECT min_x, min_y, max_x, max_y FROM gpkg_tile_matrix_set WHERE lower(table_name) = lower(?)", table
    )
    width, height, across, down = _row(
        db,
        "SELECT tile_width, tile_height, matrix_width * tile_width, matrix_height * tile_height "
        "FROM gpkg_tile_matrix WHERE lower(table_name) = lower(?) AND zoom_level = ?",
        table,
        zoom,
    )
    if not (abs(west + across * t.a - east) < t.a and abs(north + down * t.e - south) < -t.e):
        raise ValueError("the tables do not agree on where the tiles lie")
    kind, scale, offset, gap, encoding = _row(
        db,
        "SELECT datatype, coalesce(scale, 1.0), coalesce(offset, 0.0), data_null, grid_cell_encoding "
        "FROM gpkg_2d_gridded_coverage_ancillary WHERE lower(tile_matrix_set_name) = lower(?)",
        table,
    )
    numbers = db.execute(
        "SELECT tpudt_name FROM gpkg_2d_gridded_tile_ancillary WHERE lower(tpudt_name) = lower(?) LIMIT 1",
        (table,),
    ).fetchone()
    (described,) = _row(db, "SELECT description FROM gpkg_contents WHERE lower(table_name) = lower(?)", table)
    filed = numbers[0] if numbers else table
    (step,) = _row(db, "SELECT max(scale) FROM gpkg_2d_gridded_tile_ancillary WHERE tpudt_name = ?", filed)
    return TileTable(
        table=table,
        zoom=zoom,
        tile_rows=int(height),
        tile_cols=int(width),
        first_row=round((north - t.f) / -t.e),
        first_col=round((t.c - west) / t.a),
        integer=kind == "integer",
        scale=float(scale),
        offset=float(offset),
        gap=None if gap is None else float(gap),
        numbers=filed,
        sums=_sums_name(db, table),
        step=float(step or 1.0) * float(scale) if kind == "integer" else 0.0,
        on_corners="corner" in (encoding or ""),
        description=described or "",
    )


def _row(db: sqlite3.Connection, sql: str, *values: object) -> Any:
    return db.execute(sql, values).fetchone()


def _sums_name(db: sqlite3.Connection, table: str) -> str | None:
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (TILE_SUMS_TABLE,)).fetchone():
        return None
    sql = f"SELECT tile_table FROM {TILE_SUMS_TABLE} WHERE lower(tile_table) = lower(?) LIMIT 1"
    found = db.execute(sql, (table,)).fetchone()
    return None if found is None else str(found[0])


TILES = """SELECT t.zoom_level, t.tile_column, t.tile_row, t.tile_data,
coalesce(a.scale, 1.0), coalesce(a.offset, 0.0)
FROM "{table}" t LEFT JOIN gpkg_2d_gridded_tile_ancillary a ON a.tpudt_id = t.id AND a.tpudt_name = ?"""
ORDER = " ORDER BY t.zoom_level, t.tile_row, t.tile_column"
FARTHEST = 1 << 53  # of a tile's column and row
WITHIN = " WHERE t.zoom_level = ? AND t.tile_column BETWEEN ? AND ? AND t.tile_row BETWEEN ? AND ?"


def _tile(row: tuple[Any, ...]) -> Tile:
    """A stored tile. Raises sqlite3.DataError where its numbers are none, or it holds no bytes."""
    zoom, column, line, data, scale, offset = row
    if not isinstance(data, bytes) or not all(isinstance(v, int | float) for v in (scale, offset)):
        raise sqlite3.DataError(f"tile {zoom}/{column}/{line} is malformed")
    return Tile(zoom, column, line, data, scale, offset)


def all_tiles(db: sqlite3.Connection, table: str) -> Iterator[Tile]:
    """Every stored tile of a coverage, in a fixed order. Raises sqlite3.Error."""
    yield from (_tile(row) for row in db.execute(TILES.format(table=_quoted(table)) + ORDER, (table,)))


def tiles_at(db: sqlite3.Connection, told: TileTable, window: CellWindow) -> Iterator[Tile]:
    """The stored tiles that hold a window, in a fixed order. Raises sqlite3.Error."""
    sql = TILES.format(table=_quoted(told.table)) + WITHIN + ORDER
    yield from (_tile(row) for row in db.execute(sql, (told.numbers, *told.place(window))))


def tile_at(db: sqlite3.Connection, told: TileTable, zoom: int, column: int, row: int) -> Tile | None:
    """One stored tile, or None where there is none. Raises sqlite3.Error."""
    sql = TILES.format(table=_quoted(told.table)) + WITHIN
    found = db.execute(sql, (told.numbers, zoom, column, column, row, row)).fetchone()
    return None if found is None else _tile(found)


def places_at(db: sqlite3.Connection, told: TileTable, window: CellWindow) -> Iterator[tuple[int, int]]:
    """Column and row of the stored tiles that hold a window, in a fixed order. Raises sqlite3.Error."""
    yield from _places(db, told, told.place(window))


def places_of(db: sqlite3.Connection, told: TileTable) -> Iterator[tuple[int, int]]:
    """Column and row of all stored tiles of the finest level, in a fixed order. Raises sqlite3.Error."""
    yield from _places(db, told, (told.zoom, -FARTHEST, FARTHEST, -FARTHEST, FARTHEST))


def _places(db: sqlite3.Connection, told: TileTable, place: tuple[int, ...]) -> Iterator[tuple[int, int]]:
    sql = f'SELECT t.tile_column, t.tile_row FROM "{_quoted(told.table)}" t' + WITHIN + ORDER
    yield from ((int(column), int(row)) for column, row in db.execute(sql, place))


def _quoted(table: str) -> str:
    return table.replace('"', '""')
